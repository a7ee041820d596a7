//! The pages of built-ins and records: what `pages/*.md` say of them, read where it is asked for.
//!
//! The heading of a built-in is its signature, with the effects that it may have. A word for a kind
//! is one that scripts write, or one of these: `image`, `chart`, `table`, `fault`, `signal` and `channel` are
//! texts that name one, which is looked up before the script runs where it is a plain text; `like` is a
//! quantity or a temperature of the kind that a channel has; `anything` is any one type, the same
//! wherever it stands in one signature; `D` and `E` are open dimensions; `A` is a quantity of `D` or a temperature, whose
//! differences are then of `D`.

use crate::builtins::records::record;
use crate::builtins::signature::Effect;
use crate::program::types::Type;
use spintrue_head::{Dimension, KINDS};
use std::iter::from_fn;
use std::rc::Rc;

/// What a page says of a built-in.
#[derive(Default)]
pub struct Page {
    /// What it takes, in order.
    pub parameters: Vec<Parameter>,
    /// The word for what it gives.
    pub returns: &'static str,
    /// What it may do to the head.
    pub effects: Vec<Effect>,
    meaning: &'static str,
    /// A script that shows it and passes.
    pub example: &'static str,
}

/// A parameter of a built-in.
pub struct Parameter {
    /// Its name, for named arguments.
    pub name: &'static str,
    /// The word for its kind.
    pub kind: &'static str,
    /// Whether it may be left out.
    pub is_optional: bool,
    meaning: &'static str,
}

impl Parameter {
    /// What it is, with its range, and what holds where it is left out.
    pub fn meaning(&self) -> String {
        one_line(self.meaning)
    }
}

impl Page {
    /// The page of a built-in among those of its topic; empty where there is none, which no test
    /// lets pass.
    pub(super) fn of(name: &str, topic: &'static str) -> Page {
        let is_its = |text: &&str| text.strip_prefix(name).is_some_and(|it| it.starts_with('('));
        parts(topic, "## ").find(is_its).and_then(Page::read).unwrap_or_default()
    }

    /// Meaning, units, ranges, errors; for a formula its source.
    pub fn meaning(&self) -> String {
        one_line(self.meaning)
    }

    fn read(text: &'static str) -> Option<Page> {
        let (heading, text) = text.split_once("\n\n")?;
        let (text, example) = text.split_once("\n```\n")?;
        let (signature, effects) = heading.split_once(" may ").unwrap_or((heading, ""));
        let (call, returns) = signature.split_once(" -> ").unwrap_or((signature, "nothing"));
        let (_, parameters) = call.strip_suffix(')')?.split_once('(')?;
        let (meaning, items) = items(text);
        let parameters = parameters.split(", ").zip(items).filter_map(|(label, (_, meaning))| {
            let bare = label.trim_matches(['[', ']']);
            let (name, kind) = bare.split_once(": ")?;
            Some(Parameter { name, kind, is_optional: bare != label, meaning })
        });
        Some(Page {
            parameters: parameters.collect(),
            returns,
            effects: effects.split(", ").filter_map(Effect::named).collect(),
            meaning,
            example: example.split_once("\n```").map_or(example, |(example, _)| example),
        })
    }
}

/// A meaning, and the items that are listed below it with theirs; each may stand on several lines.
pub(super) fn items(
    text: &'static str,
) -> (&'static str, impl Iterator<Item = (&'static str, &'static str)>) {
    let mut parts = parts(text, "- `");
    let meaning = parts.next().unwrap_or_default();
    (meaning, parts.filter_map(|item| item.split_once("` ")))
}

/// The parts of a text between lines that begin with `mark`: ends of lines are found sooner than a
/// longer mark, of which every start of the program would feel the search.
pub(super) fn parts(text: &'static str, mark: &'static str) -> impl Iterator<Item = &'static str> {
    let mut rest = Some(text);
    from_fn(move || {
        let text = rest?;
        let mut lines =
            text.match_indices('\n').filter_map(|(at, _)| text.split_at_checked(at + 1));
        let found = lines.find_map(|(part, tail)| Some((part, tail.strip_prefix(mark)?)));
        rest = found.map(|(_, tail)| tail);
        Some(found.map_or(text, |(part, _)| part.strip_suffix('\n').unwrap_or(part)))
    })
}

pub(super) fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The type that a page means by its word for it.
pub(crate) fn kind(word: &str) -> Type {
    let open = |first, second| Type::Quantity(Dimension::open_powers(first, second));
    match word {
        "nothing" => Type::Nothing,
        "flag" => Type::Flag,
        "temperature" => Type::Temperature,
        "text" | "image" | "chart" | "table" | "fault" | "signal" | "channel" => Type::Text,
        "anything" | "like" => Type::Any,
        "A" => Type::Point(Dimension::open_powers(1, 0)),
        "D" => open(1, 0),
        "D^2" => open(2, 0),
        "E" => open(0, 1),
        "D/E" => open(1, -1),
        "1/E" => open(0, -1),
        _ => {
            if let Some(item) = word.strip_prefix("list of ") {
                return kind(item).list();
            }
            if let Some(kind) = KINDS.iter().find(|kind| kind.name == word) {
                return Type::Quantity(kind.dimension);
            }
            record(word).map_or(Type::Unknown, |it| Type::Record(Rc::new(it.to_type())))
        }
    }
}
