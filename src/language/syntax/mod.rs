//! From text to the syntax tree. Uses source, diagnostics and units only.
//!
//! `raw` scans, `layout` settles everything that depends on context, `parse` builds the tree.
//! `format` writes a script that parses in the house style.
//! `grammar/spintrue.ebnf` has the language in one page.

pub mod format;
pub mod names;
pub mod tree;
pub mod walk;

mod character;
mod keyword;
mod layout;
mod parse;
mod raw;
mod reports;
#[cfg(test)]
mod tests;
mod token;
mod typing;

pub use keyword::{KEYWORDS, Keyword};
pub use parse::{Parsed, parse, parse_expression, without_comma};
pub(crate) use raw::{Lexeme, Raw, lexemes};
pub use typing::{Mark, marks, unfinished};
