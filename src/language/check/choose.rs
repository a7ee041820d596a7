//! `choose`: a branch inside an expression, of which only the value that it gives is worked out.

use crate::check::typed::Typed;
use crate::program::tree as program;
use crate::program::tree::{Flag, Number, Ref};
use crate::program::types::Type;
use crate::source::Span;

/// One of two values of a type.
pub(super) fn chosen(values: Vec<Option<Typed>>, kind: Type, span: Span) -> Typed {
    let mut values = values.into_iter().flatten();
    let (Some(condition), Some(yes), Some(no)) = (values.next(), values.next(), values.next())
    else {
        return Typed::unknown(span);
    };
    let (unit, fields) = (yes.unit.clone().or(no.unit.clone()), yes.fields.clone());
    let condition = condition.flag();
    let code: program::Expression = match kind {
        Type::Flag => Flag::Choice(Box::new((condition, yes.flag(), no.flag()))).into(),
        Type::Text | Type::List(_) | Type::Record(_) => {
            Ref::Choice(Box::new((condition, yes.reference(), no.reference()))).into()
        }
        _ => Number::Choice(Box::new((condition, yes.number(), no.number()))).into(),
    };
    Typed::new(kind, code, span).with_unit(unit).with_fields(fields)
}
