//! What editors and the shell ask about a script: hover, completion, signatures, symbols,
//! definitions, references and renaming. Pure functions over source text and the checked program;
//! positions are byte offsets and spans.
//!
//! `cursor` judges unfinished text by itself; `project` holds the checks of all open documents, and
//! a [`Place`] in one of them is what most functions take.

mod analysis;
mod complete;
mod cursor;
mod describe;
mod hover;
mod navigate;
mod place;
mod project;
mod rename;
mod scope;
mod signature;
mod symbols;
mod workspace;

pub use analysis::Analysis;
pub use complete::{Item, ItemKind, builtin_documentation, candidates, complete};
pub use cursor::{Wanted, cursor};
pub use describe::{Callable, Parameter, effects, kind, one_line, record_fields, unit};
pub use hover::hover;
pub use navigate::{FileUses, Uses, definition, highlights, references};
pub use place::Place;
pub use project::{MAX_CHECKED, Project};
pub use rename::{prepare_rename, rename};
pub use scope::{Scope, Value};
pub use signature::{ActiveCall, active_call};
pub use symbols::{Symbol, SymbolKind, symbols};
pub use workspace::Workspace;
