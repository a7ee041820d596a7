//! Words that reports offer: near names, names from elsewhere, lists.

use crate::check::Checker;
use crate::diagnostics::Diagnostic;
use crate::syntax::foreign::{Foreign, habit_at, parted};
use spintrue_head::nearest_name;
use std::fmt::Display;

/// How many known names a check compares with misspelt ones, so that a file of nothing but unknown
/// names takes no time that grows with its square.
const MAX_COMPARED: usize = 300_000;

impl Checker<'_> {
    /// A report with a known name that is near to a misspelt one, at its main place.
    pub(super) fn with_near(&self, report: Diagnostic, wrong: &str, near: &str) -> Diagnostic {
        let span = report.span();
        match near.eq_ignore_ascii_case(wrong) {
            true => report.fix(format!("it is written `{near}`"), span, near),
            false => {
                let mut unlike = wrong.chars().zip(near.chars()).filter(|(a, b)| a != b);
                let twins = unlike.next().filter(|(a, b)| !(a.is_ascii() && b.is_ascii()));
                let code = |c: char| format!("`{c}` is U+{:04X}", u32::from(c));
                let looks = twins.map_or(String::new(), |(a, b)| {
                    format!(" here {}, there {}", code(a), code(b))
                });
                report.suggest(format!("did you mean `{near}`?{looks}"), span, near)
            }
        }
    }

    /// A report with what is meant by a habit of another language at its place.
    pub(super) fn with_habit(
        &self,
        place: Foreign,
        report: Diagnostic,
    ) -> Result<Diagnostic, Diagnostic> {
        let span = report.span();
        let text = self.sources.text(span.source);
        match habit_at(place, span.source, text, span.start as usize) {
            // The shell has commands of its own, such as one that leaves it.
            Some(habit)
                if habit.help.is_empty()
                    && habit.place == Foreign::Statement
                    && self.live.is_some() =>
            {
                Err(report)
            }
            Some(habit) if habit.help.is_empty() => Ok(report.help(habit.why)),
            Some(habit) => {
                let report = report.here(parted(habit.why).0);
                Ok(habit.help.into_iter().fold(report, Diagnostic::way_out))
            }
            None => Err(report),
        }
    }

    /// The known name nearest to a misspelt one, as long as the check may go on comparing.
    pub(super) fn near_name<'n>(
        &self,
        wrong: &str,
        known: impl Iterator<Item = &'n str>,
    ) -> Option<&'n str> {
        let compared = &self.compared;
        if compared.get() >= MAX_COMPARED {
            return None;
        }
        nearest_name(wrong, known.inspect(|_| compared.set(compared.get() + 1)))
    }
}

/// "a length", "an angle", "text", "D^2".
pub(super) fn with_article(name: &str) -> String {
    match name.chars().next() {
        _ if name == "nothing" || name == "text" || name == "something unknown" => name.to_string(),
        Some(first) if first.is_uppercase() => name.to_string(),
        Some('a' | 'e' | 'i' | 'o' | 'u') => format!("an {name}"),
        _ => format!("a {name}"),
    }
}

/// `1 argument`, `2 arguments`.
pub(crate) fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A list in words: "`a`, `b` and `c`".
pub(super) fn listed<T: Display>(items: impl IntoIterator<Item = T>) -> String {
    let mut items: Vec<String> = items.into_iter().map(|item| format!("`{item}`")).collect();
    match items.pop() {
        None => "none".to_string(),
        Some(only) if items.is_empty() => only,
        Some(last) => format!("{} and {last}", items.join(", ")),
    }
}
