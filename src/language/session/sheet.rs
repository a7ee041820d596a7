//! A data sheet: a TOML file that gives params their values, as `--set @FILE` names it. Every value
//! is checked like one of `--set`, with places in the file.

use crate::check::{Origin, Setting};
use crate::diagnostics::{Diagnostic, codes};
use crate::session::load::setting;
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use crate::syntax::tree::{Expression, ExpressionKind, Name};
use core::ops::Range;
use spintrue_head::{FormMistake, toml_mistakes};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The table of a data sheet that holds no param but rules for re-tests, which the caller reads.
pub const RETEST_RULES: &str = "retest";

/// The param that takes a recorded value: `last_worst_in_scan` takes "worst in-scan".
fn last_name(label: &str) -> String {
    let word = |c: char| if c.is_alphanumeric() { c } else { '_' };
    format!("last_{}", label.chars().map(word).collect::<String>())
}

/// The table of a TOML file; or what is wrong with its form, with `help` on each. What a broken file
/// seems to hold is not worth a report.
pub(super) fn table<'t>(
    source: SourceId,
    text: &'t str,
    code: &'static str,
    help: &str,
) -> Result<DeTable<'t>, Vec<Diagnostic>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(table.into_inner());
    }
    let found = errors.iter().map(|error| (error.span().unwrap_or(0..0), error.message()));
    let report = |mistake: FormMistake| {
        let place = Span::new(source, mistake.span.start, mistake.span.end);
        let way = mistake.help.unwrap_or_else(|| help.to_string());
        Diagnostic::error(code, mistake.message, place).help(way)
    };
    Err(toml_mistakes(text, found).into_iter().map(report).collect())
}

/// Params of a data sheet, and what is wrong with it.
pub(super) fn read(
    source: SourceId,
    text: &str,
    origin: Origin,
    names: &mut Names,
) -> (Vec<Setting>, Vec<Diagnostic>) {
    let help = "a data sheet is TOML: one `name = \"value unit\"` a line, and `[[name]]` before each row of a table";
    let whole = match table(source, text, codes::BAD_DATA_SHEET, help) {
        Ok(whole) => whole,
        Err(problems) => return (Vec::new(), problems),
    };
    let table = match whole.get("values").map(|values| values.get_ref()) {
        Some(DeValue::Table(values)) if origin == Origin::Last => values,
        _ => &whole,
    };
    let mut sheet = Sheet { source, text, problems: Vec::new() };
    let mut settings = Vec::new();
    for (key, value) in table {
        let nested = matches!(value.get_ref(), DeValue::Table(_) | DeValue::Array(_));
        if origin == Origin::Sheet && key.get_ref() == RETEST_RULES {
            continue;
        }
        // Records of an earlier run are no params.
        if origin == Origin::Last && matches!(value.get_ref(), DeValue::Table(_)) {
            continue;
        }
        let name = match origin {
            Origin::Last => last_name(key.get_ref()),
            Origin::Option | Origin::Sheet | Origin::List => key.get_ref().to_string(),
        };
        let name = (name, sheet.place(key.span()));
        if let Some(text) = parted(value.get_ref()) {
            let headline = "a value and its unit stand in one text".to_string();
            let help = format!("write `{} = \"{text}\"`", key.get_ref());
            sheet.wrong(value.span(), headline, &help);
            continue;
        }
        if nested {
            let mut problems = Vec::new();
            let reported = sheet.problems.len();
            let Some(value_of) = sheet.nested(value, names, &mut problems, 0) else {
                // A recorded list was not written for a param.
                if origin == Origin::Last {
                    sheet.problems.truncate(reported);
                }
                continue;
            };
            let (raw, value_span) = (String::new(), value_of.span);
            let (name, name_span) = name;
            let value = Some(value_of);
            settings.push(Setting { name, name_span, raw, value_span, origin, value, problems });
        } else if let Some(range) = sheet.single(&format!("param `{}`", key.get_ref()), value) {
            let raw = text.get(range.clone()).unwrap_or_default();
            settings.push(setting(names, origin, name, raw, sheet.place(range)));
        }
    }
    (settings, sheet.problems)
}

/// A number and its unit as two fields, put together.
fn parted(value: &DeValue<'_>) -> Option<String> {
    let fields = value.as_table().filter(|fields| fields.len() == 2)?;
    let unit = fields.get("unit")?.get_ref().as_str()?;
    Some(match fields.get("value")?.get_ref() {
        DeValue::Integer(number) => format!("{} {unit}", number.as_str()),
        DeValue::Float(number) => format!("{} {unit}", number.as_str()),
        DeValue::String(number) => format!("{number} {unit}"),
        _ => return None,
    })
}

/// Lists and tables inside each other.
const MAX_DEPTH: usize = 16;

/// A data sheet that is being read.
struct Sheet<'t> {
    source: SourceId,
    text: &'t str,
    problems: Vec<Diagnostic>,
}

impl Sheet<'_> {
    fn place(&self, range: Range<usize>) -> Span {
        Span::new(self.source, range.start, range.end)
    }

    fn wrong(&mut self, range: Range<usize>, headline: String, help: &str) {
        let place = self.place(range);
        self.problems.push(Diagnostic::error(codes::BAD_DATA_SHEET, headline, place).help(help));
    }

    /// Where the text of a single value stands; none after a report.
    fn single(&mut self, what: &str, value: &Spanned<DeValue<'_>>) -> Option<Range<usize>> {
        let written = value.span();
        match value.get_ref() {
            DeValue::String(content) => {
                let raw = self.text.get(written.clone()).unwrap_or_default();
                let quotes =
                    if raw.starts_with("\"\"\"") || raw.starts_with("'''") { 3 } else { 1 };
                let inner = written.start + quotes..written.end.saturating_sub(quotes);
                if self.text.get(inner.clone()) != Some(content) {
                    let help = "write the value on one line and without backslashes";
                    self.wrong(written, format!("{what} is escaped"), help);
                    return None;
                }
                Some(inner)
            }
            DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_) => Some(written),
            DeValue::Datetime(date) => {
                let help = format!("as a text it stands in quotes: `\"{date}\"`");
                self.wrong(
                    written,
                    format!("{what} is a date, which a script does not know"),
                    &help,
                );
                None
            }
            DeValue::Array(_) | DeValue::Table(_) => {
                let help = "write it as a script would, in quotes";
                self.wrong(written, format!("{what} is no value of a script"), help);
                None
            }
        }
    }

    /// An array as a list and a table as a record. What cannot be parsed may be meant as a text: it is
    /// broken in the tree, with its problem beside.
    fn nested(
        &mut self,
        value: &Spanned<DeValue<'_>>,
        names: &mut Names,
        problems: &mut Vec<Diagnostic>,
        depth: usize,
    ) -> Option<Expression> {
        let span = self.place(value.span());
        let kind = match value.get_ref() {
            DeValue::Array(_) | DeValue::Table(_) if depth >= MAX_DEPTH => {
                let headline = format!("more than {MAX_DEPTH} lists and tables inside each other");
                self.wrong(value.span(), headline, "make it flatter");
                return None;
            }
            DeValue::Array(items) => {
                let items = items.iter().map(|item| self.nested(item, names, problems, depth + 1));
                ExpressionKind::List(items.collect::<Option<_>>()?)
            }
            DeValue::Table(fields) => {
                let fields = fields.iter().map(|(key, value)| {
                    let (symbol, span) = (names.intern(key.get_ref()), self.place(key.span()));
                    Some((Name { symbol, span }, self.nested(value, names, problems, depth + 1)?))
                });
                ExpressionKind::Record(fields.collect::<Option<_>>()?)
            }
            _ => {
                let range = self.single("this", value)?;
                let raw = self.text.get(range.clone()).unwrap_or_default();
                let (name, place) = ((String::new(), span), self.place(range));
                let setting = setting(names, Origin::Sheet, name, raw, place);
                problems.extend(setting.problems);
                let kind = setting.value.map_or(ExpressionKind::Broken, |value| value.kind);
                return Some(Expression { kind, span: place });
            }
        };
        Some(Expression { kind, span })
    }
}
