//! From text to the syntax tree. Uses source and diagnostics only.

pub mod names;
pub mod tree;
