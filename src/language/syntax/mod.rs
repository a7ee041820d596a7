//! From text to the syntax tree. Uses source, diagnostics and units only.
//!
//! `raw` scans, `layout` settles everything that depends on context, `parse` builds the tree.
//! `format` writes a script that parses in the standard style.
//! `grammar/spintrue.ebnf` has the language in one page.

pub(crate) mod foreign;
pub(crate) mod format;
pub(crate) mod names;
pub(crate) mod tree;
pub(crate) mod walk;

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
pub(crate) use parse::{decimal_commas, with_points, without_comma};
pub use parse::{parse, parse_expression};
pub(crate) use raw::{Lexeme, Raw, lexemes};
pub use typing::{Mark, marks, unfinished};
