//! Which kind of quantity a number must be, as far as what stands before it tells. Judged from the words of
//! the statement, since unfinished text has no tree.

use crate::builtins;
use crate::ide::cursor::Cursor;
use crate::ide::scope::Scope;
use crate::ide::signature::active_call;
use spintrue_head::parse_unit;

/// Operators that take the same kind on both sides, and what else asks for the kind on its left.
const LIKE_ON_BOTH_SIDES: [&str; 12] =
    ["+", "-", "<", "<=", ">", ">=", "==", "!=", "+-", "±", "..", "within"];

/// The kind of the number, or of what is shown, before a cursor at which a unit is typed.
pub(super) fn expected(scope: &Scope, text: &str, cursor: &Cursor) -> Option<String> {
    let words = cursor.before.iter().map(|range| text.get(range.clone()));
    let words: Vec<&str> = words.collect::<Option<_>>()?;
    let reader = Reader { scope, words: &words };
    let at = words.iter().rposition(|word| *word == "in" || is_number(word))?;
    if words.get(at) == Some(&"in") {
        return reader.kind_before(at);
    }
    let word = |at: usize| words.get(at).copied();
    let signed = |at: usize| {
        let behind = at.checked_sub(2).and_then(word).unwrap_or("=");
        !is_name(behind) && !is_number(behind) && !matches!(behind, ")" | "]" | "%")
    };
    let is_signed = at > 0 && word(at - 1) == Some("-") && signed(at);
    let before = at.checked_sub(1 + usize::from(is_signed))?;
    let named = |kind: &str| Some(kind.to_string());
    let waits = matches!(word(0), Some("wait" | "ask")) || words.contains(&"ask");
    match word(before)? {
        "wait" | "every" => named("time"),
        "within" if waits && !words.get(..before)?.contains(&":") => named("time"),
        "at" if word(0) == Some("arm") => named("number"),
        "=" => reader.assigned(before),
        operator if LIKE_ON_BOTH_SIDES.contains(&operator) => reader.kind_before(before),
        "(" | "," | ":" => {
            let call = active_call(scope, text, cursor);
            call.as_ref().and_then(|call| call.wanted_kind()).map(str::to_string)
        }
        _ => None,
    }
}

fn is_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit())
}

fn is_name(word: &str) -> bool {
    word.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

struct Reader<'a> {
    scope: &'a Scope,
    words: &'a [&'a str],
}

impl Reader<'_> {
    fn word(&self, at: usize) -> Option<&str> {
        self.words.get(at).copied()
    }

    /// The kind of what a value is given to, with `=` at a place.
    fn assigned(&self, at: usize) -> Option<String> {
        let left = self.words.get(..at)?;
        match left {
            ["let" | "var" | "param", _, ":", kind @ ..] => Some(kind.concat()),
            ["let" | "var" | "param", ..] => None,
            _ => self.kind_before(at),
        }
    }

    /// The kind of the operand that ends before a place; none where it is a factor of a larger one.
    fn kind_before(&self, end: usize) -> Option<String> {
        let (start, kind) = self.operand(end)?;
        let around = start.checked_sub(1).and_then(|before| self.word(before));
        (!matches!(around, Some("*" | "/" | "^" | "mod"))).then_some(kind)
    }

    /// Where the operand that ends before a place begins, and its kind.
    fn operand(&self, end: usize) -> Option<(usize, String)> {
        let last = end.checked_sub(1)?;
        match self.word(last)? {
            "%" => Some((last.checked_sub(1)?, "number".to_string())),
            ")" => {
                let name = self.opening(last, "(", ")")?.checked_sub(1)?;
                let callable = self.scope.callable(self.word(name)?)?;
                Some((name, callable.returns.strip_prefix(" -> ")?.to_string()))
            }
            "]" => {
                let (start, kind) = self.operand(self.opening(last, "[", "]")?)?;
                Some((start, kind.strip_prefix("list of ")?.to_string()))
            }
            word if is_name(word) => self.named(last, word),
            _ => None,
        }
    }

    fn named(&self, last: usize, word: &str) -> Option<(usize, String)> {
        match last.checked_sub(1).and_then(|before| self.word(before)) {
            Some(".") => {
                let (start, kind) = self.operand(last - 1)?;
                Some((start, self.field(start, last - 1, &kind, word)?))
            }
            Some(before) if is_number(before) => {
                let unit = parse_unit(word).ok()?;
                let kind = if unit.is_absolute() {
                    "temperature".to_string()
                } else {
                    unit.dimension.name(&[])
                };
                Some((last - 1, kind))
            }
            _ => Some((last, self.scope.values.get(word)?.kind.clone())),
        }
    }

    /// The kind of a field of what stands from `start` to before `end`.
    fn field(&self, start: usize, end: usize, kind: &str, name: &str) -> Option<String> {
        if let Some(record) = builtins::record(kind) {
            let field = record.page().fields.iter().find(|field| field.name == name)?;
            return Some(builtins::kind(field.kind).name(&[]));
        }
        let value = self.scope.values.get(self.word(start)?).filter(|_| end == start + 1)?;
        value.fields.iter().find(|(field, _)| field == name).map(|(_, kind)| kind.clone())
    }

    /// Where the bracket begins that ends at a place.
    fn opening(&self, end: usize, open: &str, close: &str) -> Option<usize> {
        let mut depth = 0_usize;
        self.words.get(..=end)?.iter().rposition(|word| {
            depth += usize::from(*word == close);
            depth -= usize::from(*word == open && depth > 0);
            depth == 0
        })
    }
}

/// The word of the page of a built-in for what an argument at a cursor is, such as `fault`.
pub(super) fn argument_word(scope: &Scope, text: &str, cursor: &Cursor) -> Option<&'static str> {
    let call = active_call(scope, text, cursor)?;
    let is_builtin = call.callable.declared.is_none();
    let builtin = builtins::table().iter().find(|b| is_builtin && b.name == call.callable.name)?;
    Some(builtin.page().parameters.get(call.parameter?)?.kind)
}
