//! An answers file: a TOML file that answers the questions of a script, as `--answers FILE` names
//! it. Every answer is checked before anything moves, with places in the file.

use crate::diagnostics::{Diagnostic, codes};
use crate::operator::{Given, Pattern, Texts, Wanted};
use crate::program::checks::Planned;
use crate::program::tree::Asked;
use crate::session::sheet::table;
use crate::session::{Files, Prepared, Text};
use crate::source::{SourceId, Span};
use crate::station::{READY, SCAN, SCAN_BEFORE};
use spintrue_head::nearest_name;
use toml::de::DeValue;

/// Most questions that a report lists.
const MAX_LISTED: usize = 8;

impl Prepared {
    /// The questions that the script may ask.
    pub fn questions(&self) -> impl Iterator<Item = &Asked> {
        let all = self.program.iter().flat_map(|program| &program.questions);
        all.filter(|asked| !asked.planned.optional)
    }

    /// Takes answers to the questions of sheets as well.
    pub fn expect_sheets(&mut self) {
        let asked = [(READY, Wanted::Flag), (SCAN, Wanted::Text), (SCAN_BEFORE, Wanted::Text)];
        let asked = asked.map(|(text, wanted)| Asked {
            planned: Planned { label: text.into(), span: Span::default(), optional: true },
            text: Pattern::of([text]),
            wanted,
        });
        self.program.iter_mut().for_each(|program| program.questions.extend(asked.clone()));
    }

    /// The reports where no operator is there to answer; `or` is a further way out.
    pub fn unanswerable(&self, or: &str) -> Option<Diagnostic> {
        let questions: Vec<&Asked> = self.questions().collect();
        let way = |line: &str| format!("give `--answers FILE.toml` with lines such as {line}{or}");
        unanswered("no operator is there to answer", &questions, &way)
    }

    /// Reads an answers file and holds it against the questions of the script. Fails with what is
    /// wrong with it, and with the questions that it does not answer.
    pub fn answers(&mut self, files: &mut dyn Files, path: &str) -> Result<Given, Vec<Diagnostic>> {
        let (name, text) = match files.read(None, path) {
            Ok(Text { name, text }) => (name, text),
            Err(why) => {
                let source = self.sources.add("--answers", path);
                let headline = format!("this answers file cannot be read: {why}");
                let whole = Span::new(source, 0, path.len());
                return Err(vec![Diagnostic::error(codes::BAD_ANSWERS_FILE, headline, whole)]);
            }
        };
        let Some(program) = &self.program else {
            // What a script asks that may not run is not known.
            return Ok(Given::default());
        };
        let source = self.sources.add(name.as_str(), text.as_str());
        let questions: &[Asked] = &program.questions;
        let reader = Reader { source, text: &text, questions };
        let (given, mut problems) = reader.read(name);
        if problems.is_empty() {
            let fits = |asked: &Asked| given.answers.keys().any(|key| asked.text.fits(key));
            let questions: Vec<&Asked> = self.questions().filter(|asked| !fits(asked)).collect();
            let who = format!("{} does not answer", given.from);
            problems
                .extend(unanswered(&who, &questions, &|line| format!("add it, such as {line}")));
        }
        if problems.is_empty() { Ok(given) } else { Err(problems) }
    }
}

/// One report on all questions without an answer.
fn unanswered(who: &str, questions: &[&Asked], way: &dyn Fn(&str) -> String) -> Option<Diagnostic> {
    let (first, rest) = questions.split_first()?;
    let headline = match rest.len() {
        0 => format!("{who} a question of the script"),
        more => format!("{who} {} questions of the script", more + 1),
    };
    let report = Diagnostic::error(codes::UNANSWERABLE_QUESTION, headline, first.planned.span)
        .here(first.wanted.words());
    let rest = rest.iter().take(MAX_LISTED);
    let report =
        rest.fold(report, |report, asked| report.label(asked.planned.span, asked.wanted.words()));
    let question = match first.text.literal() {
        Some(text) => text.replace('\\', "\\\\").replace('"', "\\\""),
        None => "the question as it is asked".to_string(),
    };
    let line = format!("`\"{question}\" = \"{}\"`", first.wanted.example());
    Some(report.help(way(&line)))
}

struct Reader<'a> {
    source: SourceId,
    text: &'a str,
    questions: &'a [Asked],
}

impl Reader<'_> {
    fn place(&self, range: core::ops::Range<usize>) -> Span {
        Span::new(self.source, range.start, range.end)
    }

    fn wrong(
        &self,
        range: core::ops::Range<usize>,
        headline: impl Into<String>,
        help: &str,
    ) -> Diagnostic {
        let report = Diagnostic::error(codes::BAD_ANSWERS_FILE, headline, self.place(range));
        if help.is_empty() { report } else { report.help(help.to_string()) }
    }

    fn read(&self, from: String) -> (Given, Vec<Diagnostic>) {
        let mut given = Given { from, ..Given::default() };
        let mut problems = Vec::new();
        let help = "an answers file is TOML: one line `\"question\" = \"answer\"` for each";
        let table = match table(self.source, self.text, codes::BAD_ANSWERS_FILE, help) {
            Ok(table) => table,
            Err(problems) => return (given, problems),
        };
        for (key, value) in &table {
            let question = key.get_ref().to_string();
            let asked = self.asked(&question);
            if asked.is_empty() {
                problems.push(self.unknown(&question, key.span()));
                continue;
            }
            match self.texts(value.get_ref(), value.span(), &asked) {
                Ok(texts) => {
                    given.answers.insert(question, texts);
                }
                Err(wrong) => problems.push(wrong),
            }
        }
        problems.sort_by_key(|problem| problem.span().start);
        (given, problems)
    }

    /// Where a question is asked: where it stands as it is, or else where it can come about.
    fn asked(&self, question: &str) -> Vec<&Asked> {
        let fits = |asked: &&Asked| asked.text.fits(question);
        let literal = |asked: &&Asked| asked.text.literal() == Some(question);
        let all: Vec<&Asked> = self.questions.iter().filter(fits).collect();
        if all.iter().any(literal) { all.into_iter().filter(literal).collect() } else { all }
    }

    fn unknown(&self, question: &str, place: core::ops::Range<usize>) -> Diagnostic {
        let report = self.wrong(place, format!("the script does not ask \"{question}\""), "");
        let known: Vec<&str> =
            self.questions.iter().map(|asked| asked.planned.label.as_ref()).collect();
        match nearest_name(question, known.iter().copied()) {
            Some(near) => report.help(format!("did you mean \"{near}\"?")),
            None if known.is_empty() => report.help("it asks nothing at all"),
            None => {
                let listed = known.iter().take(MAX_LISTED).map(|text| format!("\"{text}\""));
                let more = if known.len() > MAX_LISTED { ", ..." } else { "" };
                report.help(format!("it asks {}{more}", listed.collect::<Vec<_>>().join(", ")))
            }
        }
    }

    /// The answers to a question: one for always, or a list of them in order.
    fn texts(
        &self,
        value: &DeValue<'_>,
        place: core::ops::Range<usize>,
        asked: &[&Asked],
    ) -> Result<Texts, Diagnostic> {
        let DeValue::Array(items) = value else {
            let text = self.answer(value, place.clone())?;
            // The same answer, wherever it is asked.
            let refused = asked.iter().find_map(|asked| asked.wanted.read(&text).err());
            return match refused {
                Some(why) => Err(self.refused(why.to_string(), place, asked)),
                None => Ok(Texts::Always(text)),
            };
        };
        if items.is_empty() {
            return Err(self.wrong(place, "an empty list answers nothing", ""));
        }
        let mut texts = std::collections::VecDeque::new();
        for item in items {
            let text = self.answer(item.get_ref(), item.span())?;
            // Asked in several places, each answer is for one of them.
            let reasons = asked.iter().map(|asked| asked.wanted.read(&text).err());
            match reasons.reduce(|one, other| one.and(other)).flatten() {
                Some(why) => return Err(self.refused(why.to_string(), item.span(), asked)),
                None => texts.push_back(text),
            }
        }
        Ok(Texts::InOrder(texts))
    }

    fn answer(
        &self,
        value: &DeValue<'_>,
        place: core::ops::Range<usize>,
    ) -> Result<String, Diagnostic> {
        let help = "an answer is written as at the terminal: `\"1.2 mm\"`, `\"yes\"`, `3`, or a \
                    list of such for a question that is asked again and again";
        let (headline, help) = match value {
            DeValue::String(text) => return Ok(text.to_string()),
            DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_) => {
                return Ok(self.text.get(place).unwrap_or_default().to_string());
            }
            DeValue::Table(_) => (
                "a table is no answer",
                "a question that holds a point or a blank is written in quotes: \
                 `\"spacer no. 2 fitted\" = \"yes\"`",
            ),
            DeValue::Array(_) => ("a list of lists is no answer", help),
            DeValue::Datetime(_) => ("a date without quotes is no answer", help),
        };
        Err(self.wrong(place, headline, help))
    }

    fn refused(&self, why: String, place: core::ops::Range<usize>, asked: &[&Asked]) -> Diagnostic {
        let report = self.wrong(place, why, "");
        match asked.first() {
            Some(asked) => {
                let wanted = format!("asked here: {}", asked.wanted.words());
                report.label(asked.planned.span, wanted)
            }
            None => report,
        }
    }
}
