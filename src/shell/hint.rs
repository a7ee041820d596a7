//! Hints: what comes next, dimly behind what is typed.

use crate::lsp::cursor::at;
use crate::lsp::describe::Callable;
use crate::shell::complete::{callable, wanted_kind};
use crate::shell::known::Known;
use crate::shell::words;
use crate::units::{KINDS, parse_unit};

/// What to show behind a line: the unit that a number still needs, the parameters of a call, the
/// value of a name.
pub fn hint(known: &Known, line: &str) -> Option<String> {
    if let Some((word, rest)) = words::of(line) {
        let bare = rest.is_empty() && !word.takes.is_empty();
        return bare.then(|| {
            let gap = if line.ends_with(' ') { "" } else { " " };
            format!("{gap}{}", word.takes)
        });
    }
    let cursor = at(line, line.len());
    let word = line.get(cursor.word.clone()).unwrap_or("");
    if let Some(call) = &cursor.call {
        let called = callable(known, line.get(call.name.clone())?)?;
        if line.ends_with(|c: char| c.is_ascii_digit())
            && let Some(unit) = wanted_kind(known, line, &cursor).and_then(|kind| usual(&kind))
        {
            return Some(format!(" {unit}"));
        }
        if word.is_empty() && line.ends_with(['(', ',', ' ']) {
            return rest_of(&called, call.commas, line.ends_with(','));
        }
    }
    if word.is_empty() || line.ends_with('.') {
        return None;
    }
    if let Some(value) = known.values.get(word) {
        let text: String = value.text.chars().take(40).collect();
        return Some(format!("  = {text}"));
    }
    let called = callable(known, word)?;
    Some(called.signature().get(word.len()..)?.to_string())
}

/// The parameters that are still to come.
fn rest_of(called: &Callable, given: usize, gap: bool) -> Option<String> {
    let labels: Vec<&str> =
        called.parameters.iter().skip(given).map(|p| p.label.as_str()).collect();
    if labels.is_empty() {
        return None;
    }
    Some(format!("{}{}){}", if gap { " " } else { "" }, labels.join(", "), called.gives))
}

/// The unit that values of a kind are shown in first.
fn usual(kind: &str) -> Option<&'static str> {
    let kind = KINDS.iter().find(|known| known.name == kind)?;
    if kind.dimension.is_number() {
        return None;
    }
    let (unit, _) = kind.shown_in.iter().find(|(unit, _)| parse_unit(unit).is_ok())?;
    Some(unit)
}

#[cfg(test)]
mod tests {
    use super::hint;
    use crate::shell::known::{Known, Name};

    #[test]
    fn tells_what_comes_next() {
        let mut known = Known::default();
        let name = Name { kind: "rotation".into(), text: "4800 rpm".into(), fields: Vec::new() };
        known.values.insert("target".to_string(), name);
        let hinted = |line: &str| hint(&known, line);
        assert_eq!(hinted("target").as_deref(), Some("  = 4800 rpm"));
        assert_eq!(hinted("spin(4800").as_deref(), Some(" rpm"));
        assert!(hinted("plan_line(").is_some_and(|hint| hint.starts_with("speed: rotation")));
        assert_eq!(hinted("read").as_deref(), Some(" [FILE]"));
        assert_eq!(hinted("let fresh = "), None);
    }
}
