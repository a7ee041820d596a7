//! Questions to the operator: what an answer must be, how a text is read as one, and the trait of
//! an operator. Uses units.

use spintrue_head::{
    Dimension, QuantityError, UnitError, UnitText, parse_quantity, parse_unit, show_quantity,
    suited_unit, visible_line,
};
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};
use thiserror::Error;

/// Longest answer that is a text, and longest question that is shown, in characters.
pub(crate) const MAX_TEXT: usize = 1000;

/// How long a question stands that does not say, in s.
pub(crate) const DEFAULT_LIMIT: f64 = 600.0;

/// What an answer must be.
#[derive(Clone, Debug, PartialEq)]
pub enum Wanted {
    /// Yes or no.
    Flag,
    /// One line of text that is not empty, of at most [`MAX_TEXT`] characters.
    Text,
    /// A quantity, a temperature or a plain number.
    Quantity(Quantity),
}

/// A quantity that is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// Its dimension.
    pub dimension: Dimension,
    /// A temperature as a thermometer shows it, not a difference.
    pub absolute: bool,
    /// The unit that the script names for it.
    pub unit: Option<UnitText>,
    /// The smallest and the largest value in SI; both may be answered.
    pub range: Option<(f64, f64)>,
}

/// An answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// To a question for a flag.
    Flag(bool),
    /// To a question for a text.
    Text(String),
    /// To a question for a quantity, in SI.
    Quantity(f64),
}

/// Why a text is not the answer that is wanted.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("{0}")]
pub struct AnswerError(pub String);

/// A question.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// What is asked.
    pub text: &'a str,
    /// What the answer must be.
    pub wanted: &'a Wanted,
    /// How long an answer is waited for, in s.
    pub limit: f64,
}

impl Question<'_> {
    /// What is asked, as it is put to people: on one line, and not endless.
    pub fn shown(&self) -> String {
        let text: String = self.text.chars().take(MAX_TEXT).collect();
        visible_line(&text)
    }
}

/// The text of a question as far as it is known before it is asked: what stands between its values.
#[derive(Clone, Debug, PartialEq)]
pub struct Pattern(Vec<String>);

impl Pattern {
    /// From the parts around the values, of which there is one more than there are values.
    pub fn of<'t>(parts: impl IntoIterator<Item = &'t str>) -> Pattern {
        Pattern(parts.into_iter().map(str::to_string).collect())
    }

    /// The whole text, where it holds no values.
    pub fn literal(&self) -> Option<&str> {
        match self.0.as_slice() {
            [text] => Some(text),
            _ => None,
        }
    }

    /// Whether a question could have this text.
    pub fn fits(&self, text: &str) -> bool {
        let [first, between @ .., last] = self.0.as_slice() else {
            return self.literal() == Some(text);
        };
        let Some(mut rest) = text.strip_prefix(first.as_str()) else { return false };
        for part in between {
            match rest.split_once(part.as_str()) {
                Some((_, behind)) => rest = behind,
                None => return false,
            }
        }
        rest.ends_with(last.as_str())
    }
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq)]
pub enum NoAnswer {
    /// The time limit passed.
    TimedOut,
    /// No operator is there, and how that is known.
    NoOperator(String),
    /// An answer was given beforehand and cannot be taken.
    Wrong(String),
    /// A stop was requested.
    Interrupted,
}

/// Answers questions.
pub trait Operator {
    /// Who answers, for the record: `at the terminal`, `from answers.toml`.
    fn who(&self) -> String;

    /// Puts a question and gives what was answered, which [`Wanted::refuses`] does not refuse.
    /// An implementation that waits for people asks again where an answer makes no sense, looks at `stop` at
    /// least every tenth of a second, and gives up when the limit of the question has passed.
    fn ask(&mut self, question: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer>;
}

impl Quantity {
    fn kind(&self) -> String {
        match self.dimension {
            _ if self.absolute => "temperature".to_string(),
            Dimension::NUMBER => "plain number".to_string(),
            dimension => dimension.name(&[]),
        }
    }

    fn shown(&self, value: f64) -> String {
        show_quantity(value, self.dimension, self.unit_text().as_ref(), None)
    }

    /// The unit of examples.
    fn unit_text(&self) -> Option<UnitText> {
        // What people measure at a head is millimetres rather than metres.
        let size = || self.range.map_or(0.01, |(low, high)| low.abs().max(high.abs()));
        match &self.unit {
            Some(unit) => Some(unit.clone()),
            None if self.absolute => parse_unit("degC").ok(),
            None => suited_unit(size(), self.dimension),
        }
    }

    fn read(&self, text: &str) -> Result<f64, AnswerError> {
        let unit = self.unit_text();
        let example = |number: &str| match &unit {
            Some(unit) => format!("{number} {}", unit.text),
            None => number.to_string(),
        };
        let read = parse_quantity(text).map_err(|error| match error {
            QuantityError::NoNumber(_) if self.dimension.is_number() => {
                format!("`{text}` is no number: write it such as `12.5`")
            }
            QuantityError::NoNumber(_) => {
                format!("`{text}` is no number with a unit: write it such as `{}`", example("12.5"))
            }
            QuantityError::Unit(UnitError::Unknown { name, near: Some(near), .. }) => {
                format!("there is no unit `{name}`; did you mean `{near}`?")
            }
            error => error.to_string(),
        });
        let (value, written) = read.map_err(AnswerError)?;
        let Some(written) = written else {
            return match self.dimension.is_number() {
                true => Ok(value),
                false => {
                    let message =
                        format!("`{text}` has no unit: write it such as `{}`", example(text));
                    Err(AnswerError(message))
                }
            };
        };
        if written.dimension != self.dimension || written.is_absolute() != self.absolute {
            let found = Quantity {
                dimension: written.dimension,
                absolute: written.is_absolute(),
                unit: None,
                range: None,
            };
            let [found, wanted] = [&found, self].map(|quantity| with_article(&quantity.kind()));
            return Err(AnswerError(format!("`{text}` is {found}; {wanted} is wanted")));
        }
        Ok(value)
    }
}

impl Wanted {
    /// In words: `yes or no`, `a length from 0 mm to 5 mm`.
    pub fn words(&self) -> String {
        match self {
            Wanted::Flag => "yes or no".to_string(),
            Wanted::Text => "a text".to_string(),
            Wanted::Quantity(quantity) => {
                let kind = with_article(&quantity.kind());
                match (quantity.range, quantity.unit_text()) {
                    (Some((low, high)), _) => {
                        format!("{kind} from {} to {}", quantity.shown(low), quantity.shown(high))
                    }
                    (None, Some(unit)) => {
                        format!("{kind} with its unit, such as 12.5 {}", unit.text)
                    }
                    (None, None) => kind,
                }
            }
        }
    }

    /// An answer that would be taken, as it is written.
    pub fn example(&self) -> String {
        match self {
            Wanted::Flag => "yes".to_string(),
            Wanted::Text => "...".to_string(),
            Wanted::Quantity(quantity) => match (quantity.range, quantity.unit_text()) {
                (Some((low, _)), _) => quantity.shown(low),
                (None, Some(unit)) => format!("12.5 {}", unit.text),
                (None, None) => "12.5".to_string(),
            },
        }
    }

    /// Reads an answer; or says what is wrong with it.
    ///
    /// A flag is `yes`, `no`, `y`, `n`, `true` or `false`. A quantity is written as in a script,
    /// with its unit; a plain number may do without.
    pub fn read(&self, text: &str) -> Result<Answer, AnswerError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(AnswerError(format!("an answer is needed: {}", self.words())));
        }
        // The report of a wrong answer must not steer a terminal.
        if text.chars().any(char::is_control) {
            let message = "an answer is one line without control characters";
            return Err(AnswerError(message.to_string()));
        }
        let answer = match self {
            Wanted::Flag => match text.to_lowercase().as_str() {
                "yes" | "y" | "true" => Answer::Flag(true),
                "no" | "n" | "false" => Answer::Flag(false),
                _ => {
                    return Err(AnswerError(format!("`{}` is neither yes nor no", short(text))));
                }
            },
            Wanted::Text => Answer::Text(text.to_string()),
            Wanted::Quantity(quantity) => Answer::Quantity(quantity.read(&short(text))?),
        };
        match self.refuses(&answer) {
            Some(why) => Err(AnswerError(why)),
            None => Ok(answer),
        }
    }

    /// What is wrong with an answer; none where it can be taken.
    pub fn refuses(&self, answer: &Answer) -> Option<String> {
        match (self, answer) {
            (Wanted::Flag, Answer::Flag(_)) => None,
            (Wanted::Text, Answer::Text(text)) if text.chars().any(char::is_control) => {
                Some("an answer is one line without control characters".to_string())
            }
            (Wanted::Text, Answer::Text(text)) if text.chars().count() > MAX_TEXT => {
                Some(format!("a text has at most {MAX_TEXT} characters"))
            }
            (Wanted::Text, Answer::Text(_)) => None,
            (Wanted::Quantity(_), Answer::Quantity(value)) if !value.is_finite() => {
                Some("a number must be finite".to_string())
            }
            (Wanted::Quantity(quantity), Answer::Quantity(value)) => {
                let (low, high) = quantity.range?;
                (!(low..=high).contains(value)).then(|| {
                    let [value, low, high] = [*value, low, high].map(|v| quantity.shown(v));
                    format!("{value} is outside the range from {low} to {high}")
                })
            }
            _ => Some(format!("{} is wanted", self.words())),
        }
    }
}

fn with_article(noun: &str) -> String {
    let article = if noun.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
    format!("{article} {noun}")
}

/// So much of a text as a report can hold.
fn short(text: &str) -> String {
    if text.chars().count() <= 60 {
        return text.to_string();
    }
    text.chars().take(57).chain("...".chars()).collect()
}

/// The answers to one question.
#[derive(Clone, Debug, PartialEq)]
pub enum Texts {
    /// The same however often it is asked.
    Always(String),
    /// One after the other.
    InOrder(VecDeque<String>),
}

/// Answers that were given beforehand, by question.
#[derive(Clone, Debug, Default)]
pub struct Given {
    /// Where they come from.
    pub from: String,
    /// By the text of the question.
    pub answers: BTreeMap<String, Texts>,
}

impl Operator for Given {
    fn who(&self) -> String {
        format!("from {}", self.from)
    }

    fn ask(&mut self, question: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        if stop.load(Ordering::SeqCst) {
            return Err(NoAnswer::Interrupted);
        }
        let no_operator =
            |what: &str| Err(NoAnswer::NoOperator(format!("{} has {what}", self.from)));
        let text = match self.answers.get_mut(question.text) {
            Some(Texts::Always(text)) => text.clone(),
            Some(Texts::InOrder(texts)) => match texts.pop_front() {
                Some(text) => text,
                None => return no_operator("no further answer to it"),
            },
            None => return no_operator("no answer to it"),
        };
        let wrong = |why| NoAnswer::Wrong(format!("the answer in {}: {why}", self.from));
        question.wanted.read(&text).map_err(wrong)
    }
}

#[cfg(test)]
mod tests {
    use super::{
        Answer, AnswerError, Given, NoAnswer, Operator, Pattern, Quantity, Question, Texts, Wanted,
    };
    use spintrue_head::{Dimension, parse_unit};
    use std::collections::BTreeMap;
    use std::sync::atomic::AtomicBool;

    fn length(range: Option<(f64, f64)>) -> Wanted {
        let unit = parse_unit("mm").ok();
        Wanted::Quantity(Quantity { dimension: Dimension::LENGTH, absolute: false, unit, range })
    }

    fn of(dimension: Dimension, absolute: bool) -> Wanted {
        Wanted::Quantity(Quantity { dimension, absolute, unit: None, range: None })
    }

    #[test]
    fn answers_are_read() {
        let gap = length(Some((0.0, 5e-3)));
        for (wanted, text, answer) in [
            (&Wanted::Flag, " Yes ", Answer::Flag(true)),
            (&Wanted::Flag, "n", Answer::Flag(false)),
            (&Wanted::Flag, "true", Answer::Flag(true)),
            (&Wanted::Text, "  head A-7 ", Answer::Text("head A-7".to_string())),
            (&gap, "1.2 mm", Answer::Quantity(1.2e-3)),
            (&gap, "0mm", Answer::Quantity(0.0)),
            (&gap, "5 mm", Answer::Quantity(5e-3)),
            (&of(Dimension::NUMBER, false), "3", Answer::Quantity(3.0)),
            (&of(Dimension::NUMBER, false), "35 %", Answer::Quantity(0.35)),
            (&of(Dimension::TEMPERATURE, true), "25 degC", Answer::Quantity(298.15)),
        ] {
            assert_eq!(wanted.read(text), Ok(answer), "{text}");
        }
    }

    #[test]
    fn nonsense_is_refused_with_a_reason() {
        let gap = length(Some((0.0, 5e-3)));
        let long = "x".repeat(1001);
        for (wanted, text, why) in [
            (&Wanted::Flag, "maybe", "`maybe` is neither yes nor no"),
            (&Wanted::Flag, "", "an answer is needed: yes or no"),
            (&Wanted::Text, "a\u{7}b", "an answer is one line without control characters"),
            (&gap, "1 \u{1b}[2Jmm", "an answer is one line without control characters"),
            (&Wanted::Text, long.as_str(), "a text has at most 1000 characters"),
            (&gap, "soon", "`soon` is no number with a unit: write it such as `12.5 mm`"),
            (&gap, "1.2", "`1.2` has no unit: write it such as `1.2 mm`"),
            (&gap, "3 s", "`3 s` is a time; a length is wanted"),
            (&gap, "3 mmm", "there is no unit `mmm`; did you mean `mm`?"),
            (&gap, "5.1 mm", "5.1 mm is outside the range from 0 mm to 5 mm"),
            (&gap, "-1 um", "-0.001 mm is outside the range from 0 mm to 5 mm"),
            (&gap, "1e999 mm", "`1e999 mm` is no number with a unit: write it such as `12.5 mm`"),
            (&of(Dimension::NUMBER, false), "a", "`a` is no number: write it such as `12.5`"),
            (&of(Dimension::NUMBER, false), "3 mm", "`3 mm` is a length; a plain number is wanted"),
            (
                &of(Dimension::TEMPERATURE, true),
                "25 K",
                "`25 K` is a temperature_change; a temperature is wanted",
            ),
            (&of(Dimension::ANGLE, false), "3 mm", "`3 mm` is a length; an angle is wanted"),
        ] {
            assert_eq!(wanted.read(text), Err(AnswerError(why.to_string())), "{text}");
        }
    }

    #[test]
    fn questions_with_values_have_a_pattern() {
        let whole = Pattern::of(["spacer fitted"]);
        assert!(whole.fits("spacer fitted") && !whole.fits("spacer fitted?"));
        let facets = Pattern::of(["facet ", " of ", " clean"]);
        for (text, fits) in [
            ("facet 3 of 10 clean", true),
            ("facet  of  clean", true),
            ("facet 3 of 10", false),
            ("facet 3 clean", false),
            ("a facet 3 of 10 clean", false),
        ] {
            assert_eq!(facets.fits(text), fits, "{text}");
        }
        assert!(Pattern::of(["", ""]).fits("anything"));
        // No part counts twice.
        assert!(!Pattern::of(["ab", "ba"]).fits("aba"));
        assert_eq!((whole.literal(), facets.literal()), (Some("spacer fitted"), None));
    }

    #[test]
    fn answers_given_beforehand_run_out() {
        let texts = ["yes", "perhaps"].map(str::to_string);
        let answers = BTreeMap::from([
            ("clean".to_string(), Texts::InOrder(texts.into_iter().collect())),
            ("who".to_string(), Texts::Always("A. Tester".to_string())),
        ]);
        let mut given = Given { from: "answers.toml".to_string(), answers };
        let stop = AtomicBool::new(false);
        let mut ask = |text, wanted| {
            let question = Question { text, wanted, limit: 1.0 };
            given.ask(&question, &stop)
        };
        assert_eq!(ask("clean", &Wanted::Flag), Ok(Answer::Flag(true)));
        let why = "the answer in answers.toml: `perhaps` is neither yes nor no";
        assert_eq!(ask("clean", &Wanted::Flag), Err(NoAnswer::Wrong(why.to_string())));
        let why = "answers.toml has no further answer to it";
        assert_eq!(ask("clean", &Wanted::Flag), Err(NoAnswer::NoOperator(why.to_string())));
        for _ in 0..3 {
            assert_eq!(ask("who", &Wanted::Text), Ok(Answer::Text("A. Tester".to_string())));
        }
        let why = "answers.toml has no answer to it";
        assert_eq!(ask("when", &Wanted::Text), Err(NoAnswer::NoOperator(why.to_string())));
    }
}
