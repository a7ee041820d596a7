//! The one table of built-ins: name, signature, effects, documentation, example, function.
//! Uses units, program (types and values) and head. The checker, the interpreter, `builtins`
//! and the reference pages all read this table.

pub mod signature;

pub use signature::{
    Builtin, Context, Default, Effect, Function, Parameter, RecordSpec, Spec, Trouble,
};

/// Every built-in, by topic.
pub fn table() -> &'static [Builtin] {
    &[]
}
