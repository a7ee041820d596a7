//! The checked program: what the checker makes and the interpreter runs. Types and layouts,
//! values, the checked tree, and how values are shown. Uses source and units only.
//!
//! Names and units end here: variables are slots, quantities are doubles in SI, and whatever
//! must be shown carries its own [`show::Shower`].

pub(crate) mod checks;
pub(crate) mod failure;
pub(crate) mod plot;
pub(crate) mod show;
pub(crate) mod table;
pub(crate) mod tree;
pub(crate) mod types;
pub(crate) mod value;
pub(crate) mod visit;
