//! The call that is being typed, and which of its parameters.

use crate::ide::cursor::Cursor;
use crate::ide::describe::{Callable, Parameter};
use crate::ide::scope::Scope;

/// The call around a cursor.
pub struct ActiveCall {
    /// What is called.
    pub callable: Callable,
    /// The index of the parameter that is being typed, where there is one.
    pub parameter: Option<usize>,
    given: Vec<String>,
    /// Arguments so far without a name.
    positional: usize,
}

/// The call around a cursor of `text`.
pub fn active_call(scope: &Scope, text: &str, cursor: &Cursor) -> Option<ActiveCall> {
    let call = cursor.call.as_ref()?;
    let callable = scope.callable(text.get(call.name.clone())?)?;
    let parameter = match call.current.clone().and_then(|range| text.get(range)) {
        Some(current) => callable.parameters.iter().position(|p| p.name == current),
        None => (call.commas < callable.parameters.len()).then_some(call.commas),
    };
    let given = call.named.iter().filter_map(|range| text.get(range.clone()).map(str::to_string));
    let positional = call.commas.saturating_sub(call.named.len());
    Some(ActiveCall { callable, parameter, given: given.collect(), positional })
}

impl ActiveCall {
    /// Parameters whose arguments may still be given by name.
    pub fn open_parameters(&self) -> impl Iterator<Item = &Parameter> {
        let open = self.callable.parameters.iter().skip(self.positional);
        open.filter(|parameter| !self.given.contains(&parameter.name))
    }
    /// The type that the argument at the cursor must have, in words.
    pub fn wanted_kind(&self) -> Option<&str> {
        self.callable.parameters.get(self.parameter?)?.kind()
    }
}
