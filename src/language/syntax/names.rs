//! Interned names: each different word of all files once. Uses nothing else.

use std::collections::HashMap;
use std::sync::Arc;

/// An interned name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Symbol(u32);

/// All names of one check, shared by its files.
#[derive(Debug, Default)]
pub struct Names {
    texts: Vec<Arc<str>>,
    known: HashMap<Arc<str>, Symbol>,
}

impl Names {
    /// The symbol for a text.
    pub fn intern(&mut self, text: &str) -> Symbol {
        if let Some(symbol) = self.known.get(text) {
            return *symbol;
        }
        let symbol = Symbol(u32::try_from(self.texts.len()).unwrap_or(u32::MAX));
        let text: Arc<str> = Arc::from(text);
        self.texts.push(text.clone());
        self.known.insert(text, symbol);
        symbol
    }

    /// The symbol for a text, if it was met before.
    pub fn find(&self, text: &str) -> Option<Symbol> {
        self.known.get(text).copied()
    }

    /// The text of a symbol.
    pub fn text(&self, symbol: Symbol) -> &str {
        self.texts.get(symbol.0 as usize).map_or("?", |text| text)
    }

    /// The text of a symbol, shared.
    pub fn shared(&self, symbol: Symbol) -> Arc<str> {
        self.texts.get(symbol.0 as usize).cloned().unwrap_or_else(|| Arc::from("?"))
    }
}
