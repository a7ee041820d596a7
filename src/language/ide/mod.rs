//! What editors and the shell ask about a script: hover, completion, signatures, symbols,
//! definitions, references, renaming, hints, tokens, folds and layout. Pure functions over source text and the checked program;
//! positions are byte offsets and spans.
//!
//! `cursor` judges unfinished text by itself; `project` holds the checks of all open documents, and
//! a [`Place`] in one of them is what most functions take.

mod analysis;
mod complete;
mod cursor;
mod describe;
mod expected;
mod folding;
mod head;
mod hints;
mod hover;
mod layout;
mod lens;
mod links;
mod navigate;
mod place;
mod project;
mod rename;
mod scope;
mod search;
mod selection;
mod signature;
mod symbols;
mod tokens;
mod words;
mod workspace;

pub use analysis::Analysis;
pub use complete::{Item, ItemKind, builtin_documentation, candidates, complete};
pub use cursor::{Wanted, cursor};
pub use describe::{Callable, Parameter, effects, kind, record_fields, unit};
pub use folding::{Fold, FoldKind, folds};
pub use head::{HeadAsked, KnownHead};
pub use hints::{Hint, HintKind, hints};
pub use hover::hover;
pub use layout::format_part;
pub use lens::{Lens, lenses};
pub use links::{Link, links};
pub use navigate::{FileUses, Uses, definition, highlights, references};
pub use place::Place;
pub use project::{MAX_CHECKED, Project};
pub use rename::{prepare_rename, rename};
pub use scope::{Scope, Value};
pub use search::{Declaration, search};
pub use selection::selections;
pub use signature::{ActiveCall, active_call};
pub use symbols::{Symbol, SymbolKind, symbols};
pub use tokens::{TOKEN_KINDS, TOKEN_MODIFIERS, Token, tokens};
pub use workspace::Workspace;
