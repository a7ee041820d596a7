//! Hints: what comes next, dimly behind what is typed.

use crate::shell::commands;
use spintrue_head::{KINDS, parse_unit};
use spintrue_language::{Callable, NameScope, active_call, cursor_at};

/// What to show behind a line: the unit that a number still needs, the parameters of a call, the
/// value of a name.
pub(super) fn hint(scope: &NameScope, line: &str) -> Option<String> {
    if let Some((command, rest)) = commands::of(line) {
        let bare = rest.is_empty() && !command.takes.is_empty();
        return bare.then(|| {
            let gap = if line.ends_with(' ') { "" } else { " " };
            format!("{gap}{}", command.takes)
        });
    }
    let cursor = cursor_at(line, line.len());
    let word = line.get(cursor.word.clone()).unwrap_or("");
    if let Some(call) = &cursor.call {
        let active = active_call(scope, line, &cursor)?;
        if line.ends_with(|c: char| c.is_ascii_digit())
            && let Some(unit) = active.wanted_kind().and_then(usual_unit)
        {
            return Some(format!(" {unit}"));
        }
        if word.is_empty() && line.ends_with(['(', ',', ' ']) {
            return remaining(&active.callable, call.commas, line.ends_with(','));
        }
    }
    if word.is_empty() || line.ends_with('.') {
        return None;
    }
    if let Some(value) = scope.values.get(word) {
        let text: String = value.text.chars().take(40).collect();
        return Some(format!("  = {text}"));
    }
    let callable = scope.callable(word)?;
    Some(callable.signature().get(word.len()..)?.to_string())
}

/// The parameters that are still to come.
fn remaining(called: &Callable, given: usize, gap: bool) -> Option<String> {
    let labels: Vec<&str> =
        called.parameters.iter().skip(given).map(|p| p.label.as_str()).collect();
    if labels.is_empty() {
        return None;
    }
    Some(format!("{}{}){}", if gap { " " } else { "" }, labels.join(", "), called.returns))
}

/// The unit that values of a kind are shown in first.
fn usual_unit(kind: &str) -> Option<&'static str> {
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
    use spintrue_language::{NameScope, NamedValue};

    #[test]
    fn tells_what_comes_next() {
        let mut scope = NameScope::default();
        let value = NamedValue {
            kind: "rotation".into(),
            text: "4800 rpm".into(),
            ..NamedValue::default()
        };
        scope.values.insert("target".to_string(), value);
        let hinted = |line: &str| hint(&scope, line);
        assert_eq!(hinted("target").as_deref(), Some("  = 4800 rpm"));
        assert_eq!(hinted("spin(4800").as_deref(), Some(" rpm"));
        assert!(hinted("plan_line(").is_some_and(|hint| hint.starts_with("speed: rotation")));
        assert_eq!(hinted("read").as_deref(), Some(" [FILE]"));
        assert_eq!(hinted("let fresh = "), None);
    }
}
