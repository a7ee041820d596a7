//! From text to the syntax tree. Uses source, diagnostics and units only.
//!
//! `raw` scans, `layout` settles everything that depends on context, `parse` builds the tree.
//! `format` writes a script that parses in the house style.
//! `grammar/spintrue.ebnf` has the language in one page.

pub mod codes;
pub mod format;
pub mod names;
pub mod tree;
pub mod walk;

mod character;
mod layout;
mod parse;
mod raw;
mod reports;
mod token;
mod typing;

pub use parse::{Parsed, parse, parse_expression, without_comma};
pub(crate) use raw::{Lexeme, Raw, lexemes};
pub use token::KEYWORDS;
pub use typing::{Mark, marks, unfinished};
