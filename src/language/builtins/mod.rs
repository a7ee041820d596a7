//! The one table of built-ins: name, time, result and function of each; its signature, effects,
//! meaning and example are in `pages/*.md`. Uses units, program (types and values), optics, head and
//! statistics. The checker, the interpreter, `spintrue builtins` and the reference pages all read
//! this table.

pub(crate) mod bound;
mod capability;
mod exposure;
mod failures;
mod fits;
mod limits;
mod lines;
mod lists;
mod motion;
mod numbers;
mod page;
mod pattern;
mod pulses;
mod records;
mod refusal;
mod rehearsal;
mod response;
mod signals;
pub(crate) mod signature;
mod statistics;
mod supply;
mod tables;
mod testing;
mod texts;
mod trims;
mod uncertainty;

pub(crate) use bound::{
    CallFacts, Extent, Misuse, Presumed, Range, Refused, ResultBound, TimeBound,
};
pub(crate) use numbers::constant;
pub(crate) use page::kind;
pub(crate) use records::Field;
pub use records::{RecordSpec, records};
pub(crate) use records::{component, place, record, record_layout, reference_place};
pub(crate) use signals::unlike;
pub(crate) use signature::{Arguments, Context, Function, Trait, Trouble, Work};
pub use signature::{Builtin, Effect};
use std::sync::LazyLock;
pub(crate) use uncertainty::{Budget, Component, budget};

/// What the open dimensions of a built-in are called in reports.
pub const OPEN_NAMES: [&str; 2] = ["D", "E"];

/// A group of built-ins.
pub struct Topic {
    /// Its heading.
    pub title: &'static str,
    /// What belongs to it.
    pub builtins: Vec<Builtin>,
}

/// Every topic, in the order they are listed.
pub fn topics() -> &'static [Topic] {
    static TOPICS: LazyLock<Vec<Topic>> = LazyLock::new(|| {
        vec![
            topic(include_str!("pages/supply.md"), supply::builtins()),
            topic(include_str!("pages/limits.md"), limits::builtins()),
            topic(include_str!("pages/motion.md"), motion::builtins()),
            topic(include_str!("pages/pulses.md"), pulses::builtins()),
            topic(include_str!("pages/pattern.md"), pattern::builtins()),
            topic(include_str!("pages/testing.md"), testing::builtins()),
            topic(include_str!("pages/exposure.md"), exposure::builtins()),
            topic(include_str!("pages/trims.md"), trims::builtins()),
            topic(include_str!("pages/signals.md"), signals::builtins()),
            topic(include_str!("pages/rehearsal.md"), rehearsal::builtins()),
            topic(include_str!("pages/failures.md"), failures::builtins()),
            topic(include_str!("pages/lists.md"), lists::builtins()),
            topic(include_str!("pages/texts.md"), texts::builtins()),
            topic(include_str!("pages/tables.md"), tables::builtins()),
            topic(include_str!("pages/statistics.md"), statistics::builtins()),
            topic(include_str!("pages/fits.md"), fits::builtins()),
            topic(include_str!("pages/uncertainty.md"), uncertainty::builtins()),
            topic(include_str!("pages/capability.md"), capability::builtins()),
            topic(include_str!("pages/numbers.md"), numbers::builtins()),
        ]
    });
    &TOPICS
}

fn topic(pages: &'static str, mut builtins: Vec<Builtin>) -> Topic {
    for builtin in &mut builtins {
        builtin.topic = pages;
    }
    let title = pages.lines().next().and_then(|line| line.strip_prefix("# ")).unwrap_or_default();
    Topic { title, builtins }
}

/// Every built-in, by topic.
pub fn table() -> &'static [&'static Builtin] {
    static TABLE: LazyLock<Vec<&'static Builtin>> =
        LazyLock::new(|| topics().iter().flat_map(|topic| &topic.builtins).collect());
    &TABLE
}

/// The built-in of a name.
pub fn named(name: &str) -> Option<&'static Builtin> {
    table().iter().copied().find(|builtin| builtin.name == name)
}

#[cfg(test)]
mod tests {
    use super::{kind, record, topics};
    use crate::program::types::Type;

    /// Each heading is one of a built-in in the order of the table, and nothing of a page is lost
    /// where it is read.
    #[test]
    fn every_built_in_has_its_page() {
        for topic in topics() {
            let pages = topic.builtins.first().unwrap().topic;
            assert_eq!(pages.lines().next().unwrap(), format!("# {}", topic.title));
            let headings: Vec<&str> =
                pages.lines().filter_map(|line| line.strip_prefix("## ")).collect();
            assert_eq!(headings.len(), topic.builtins.len(), "{}", topic.title);
            for (builtin, heading) in topic.builtins.iter().zip(headings) {
                let page = builtin.page();
                let parameters = page.parameters.iter().map(|p| {
                    let label = format!("{}: {}", p.name, p.kind);
                    if p.is_optional { format!("[{label}]") } else { label }
                });
                let parameters = parameters.collect::<Vec<_>>().join(", ");
                let mut read = format!("{}({parameters})", builtin.name);
                if page.returns != "nothing" {
                    read.push_str(&format!(" -> {}", page.returns));
                }
                if !page.effects.is_empty() {
                    let effects: Vec<&str> = page.effects.iter().map(|e| e.text()).collect();
                    read.push_str(&format!(" may {}", effects.join(", ")));
                }
                assert_eq!(read, heading);
                let kinds = page.parameters.iter().map(|p| p.kind).chain([page.returns]);
                for word in kinds {
                    assert!(is_known(&kind(word)), "{heading}: {word}");
                }
                let (_, text) = pages.split_once(heading).unwrap();
                let listed = text.lines().take_while(|line| !line.starts_with("```"));
                let listed = listed.filter_map(|line| line.strip_prefix("- `")?.split_once("` "));
                let names: Vec<&str> = page.parameters.iter().map(|p| p.name).collect();
                assert_eq!(listed.map(|(name, _)| name).collect::<Vec<_>>(), names, "{heading}");
            }
        }
    }

    #[test]
    fn every_record_has_its_page() {
        let names: Vec<&str> = super::records().iter().map(|record| record.name).collect();
        let pages = include_str!("pages/records.md");
        let headings = pages.lines().filter_map(|line| line.strip_prefix("## "));
        assert_eq!(names, headings.collect::<Vec<_>>());
        let fields = super::records().iter().flat_map(|record| &record.page().fields);
        let listed = pages.lines().filter(|line| line.starts_with("- `")).count();
        assert_eq!(fields.clone().count(), listed);
        for field in fields {
            assert!(is_known(&kind(field.kind)), "{}: {}", field.name, field.kind);
        }
        assert!(record("plan").is_some() && record("plane").is_none());
    }

    fn is_known(kind: &Type) -> bool {
        match kind {
            Type::List(item) => is_known(item),
            kind => *kind != Type::Unknown,
        }
    }
}
