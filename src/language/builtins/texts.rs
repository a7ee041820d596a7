//! Texts: search, parts, joining.

use crate::builtins::records::datum;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::value::{Datum, MAX_TEXT, Object, Value};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("contains", |_, arguments| {
            Ok(Datum::Flag(arguments.text(0).contains(arguments.text(1))))
        }),
        pure("split", |_, arguments| {
            let (text, by) = (arguments.text(0), arguments.text(1));
            if by.is_empty() {
                return wrong("an empty separator parts nothing");
            }
            let refs = text.split(by).map(Value::text).collect();
            Ok(datum(Object { words: Vec::new(), refs }))
        }),
        pure("joined", joined),
    ]
}

fn joined(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let texts = match arguments.get(0) {
        Some(Datum::Value(value)) => value.as_refs(),
        _ => &[],
    };
    let by = arguments.text(1);
    let between = by.len().saturating_mul(texts.len().saturating_sub(1));
    let length: usize = texts.iter().map(|text| text.as_text().len()).sum();
    if length.saturating_add(between) > MAX_TEXT {
        return Err(Trouble::Limit(format!("a text has at most {MAX_TEXT} bytes")));
    }
    let texts: Vec<&str> = texts.iter().map(Value::as_text).collect();
    Ok(Datum::Value(Value::text(&texts.join(by))))
}
