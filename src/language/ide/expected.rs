//! Which kind of quantity a number must be, as far as what stands before it tells. Judged from the words of
//! the statement, since unfinished text has no tree.

use crate::builtins;
use crate::builtins::Effect;
use crate::ide::cursor::Cursor;
use crate::ide::describe::Parameter;
use crate::ide::scope::Scope;
use crate::ide::signature::active_call;
use crate::program::types::Type;
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
        _ => reader.wanted(before),
    }
}

/// The kind of a field of a record, from the words for the record.
fn field_of(record: &str, name: &str) -> Option<String> {
    if let Some(record) = builtins::record(record) {
        let field = record.page().fields.iter().find(|field| field.name == name)?;
        return Some(builtins::kind(field.kind).name(&[]));
    }
    let mut rest = record.strip_prefix('{')?.strip_suffix('}')?;
    while !rest.is_empty() {
        let mut depth = 0_usize;
        let end = rest.find(|c| {
            depth += usize::from(c == '{');
            depth -= usize::from(c == '}' && depth > 0);
            c == ',' && depth == 0
        });
        let (field, more) = rest.split_at(end.unwrap_or(rest.len()));
        let (field, kind) = field.split_once(':')?;
        if field.trim() == name {
            return Some(kind.trim().to_string());
        }
        rest = more.strip_prefix(',').unwrap_or(more);
    }
    None
}

fn is_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit())
}

fn is_name(word: &str) -> bool {
    word.starts_with(|c: char| c.is_alphabetic() || c == '_')
}

/// The words of a kind.
fn joined(kind: &[&str]) -> String {
    kind.iter().fold(String::new(), |mut all, word| {
        if is_name(word) && all.ends_with(|c: char| c.is_alphanumeric()) {
            all.push(' ');
        }
        all + word
    })
}

struct Reader<'a> {
    scope: &'a Scope,
    words: &'a [&'a str],
}

impl Reader<'_> {
    fn word(&self, at: usize) -> Option<&str> {
        self.words.get(at).copied()
    }

    /// The kind of what is to stand behind the word at a place.
    fn wanted(&self, at: usize) -> Option<String> {
        match self.word(at)? {
            "=" => self.assigned(at),
            "return" => self.scope.returns.clone(),
            "(" | "[" | "{" | "," | ":" => self.inside(at),
            operator if LIKE_ON_BOTH_SIDES.contains(&operator) => self.kind_before(at),
            _ => None,
        }
    }

    /// The kind of the item, argument or field that follows the bracket, comma or colon at a place.
    fn inside(&self, at: usize) -> Option<String> {
        let mut depth = 0_usize;
        let open = self.words.get(..=at)?.iter().rposition(|word| {
            let opens = matches!(*word, "(" | "[" | "{");
            depth += usize::from(matches!(*word, ")" | "]" | "}"));
            depth -= usize::from(opens && depth > 0);
            opens && depth == 0
        })?;
        let before = open.checked_sub(1)?;
        let name = match self.word(at)? {
            ":" => at.checked_sub(1).and_then(|name| self.word(name)),
            _ => None,
        };
        match self.word(open)? {
            "[" => Some(self.wanted(before)?.strip_prefix("list of ")?.to_string()),
            "(" => {
                let parameters = self.scope.callable(self.word(before)?)?.parameters;
                let place = match name {
                    Some(name) => parameters.iter().position(|p| p.name == name)?,
                    None => self.commas(open + 1, at),
                };
                parameters.get(place).and_then(Parameter::kind).map(str::to_string)
            }
            _ => {
                let record = self.wanted(before);
                record.and_then(|of| field_of(&of, name?)).or_else(|| self.like_field(open, name?))
            }
        }
    }

    /// Commas from one place to another that stand in no further bracket.
    fn commas(&self, from: usize, to: usize) -> usize {
        let mut depth = 0_usize;
        let words = self.words.get(from..=to).unwrap_or_default();
        let counted = words.iter().filter(|word| {
            depth += usize::from(matches!(**word, "(" | "[" | "{"));
            depth -= usize::from(matches!(**word, ")" | "]" | "}") && depth > 0);
            **word == "," && depth == 0
        });
        counted.count()
    }

    /// The kind of the same field in a record that is written before a place.
    fn like_field(&self, end: usize, name: &str) -> Option<String> {
        let is_field = |at: &usize| self.word(*at) == Some(name) && self.word(at + 1) == Some(":");
        let at = (0..end).rev().find(is_field)?;
        let number = (at + 2..end).take(2).find(|at| self.word(*at).is_some_and(is_number))?;
        Some(self.named(number + 1, self.word(number + 1)?)?.1)
    }

    /// The kind of what a value is given to, with `=` at a place.
    fn assigned(&self, at: usize) -> Option<String> {
        let left = self.words.get(..at)?;
        match left {
            ["let" | "var" | "param", _, ":", kind @ ..] => Some(joined(kind)),
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
                Some((last - 1, Type::in_unit(&parse_unit(word).ok()?).name(&[])))
            }
            _ => Some((last, self.scope.values.get(word)?.kind.clone())),
        }
    }

    /// The kind of a field of what stands from `start` to before `end`.
    fn field(&self, start: usize, end: usize, kind: &str, name: &str) -> Option<String> {
        field_of(kind, name).or_else(|| {
            let value = self.scope.values.get(self.word(start)?).filter(|_| end == start + 1)?;
            value.fields.iter().find(|(field, _)| field == name).map(|(_, kind)| kind.clone())
        })
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

/// The word of the page of a built-in for what an argument at a cursor is, such as `fault`, and whether the
/// call switches or sets it.
pub(super) fn argument_word(
    scope: &Scope,
    text: &str,
    cursor: &Cursor,
) -> Option<(&'static str, bool)> {
    let call = active_call(scope, text, cursor)?;
    let callable = Some(&call.callable).filter(|callable| callable.declared.is_none())?;
    let builtin = builtins::named(&callable.name)?;
    let word = builtin.page().parameters.get(call.parameter?)?.kind;
    Some((word, builtin.has(Effect::Switches)))
}
