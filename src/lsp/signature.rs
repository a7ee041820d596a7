//! Signature help: what the call being typed takes.

use crate::builtins;
use crate::lsp::Workspace;
use crate::lsp::analysis::Analysis;
use crate::lsp::cursor::at;
use crate::lsp::describe::Callable;
use crate::lsp::place::Place;
use crate::lsp::scope::{Visible, visible};
use lsp_types::{
    Documentation, MarkupContent, MarkupKind, ParameterInformation, ParameterLabel, SignatureHelp,
    SignatureInformation,
};

/// What the name of a call stands for.
pub fn callable(analysis: &Analysis, seen: &Visible, name: Option<&str>) -> Option<Callable> {
    let name = name?;
    if let Some(span) = seen.routines.get(name) {
        return Callable::routine(analysis, *span);
    }
    builtins::table().iter().find(|b| b.name == name).map(|b| Callable::builtin(b))
}

/// The call around a place.
pub fn help(place: Place<'_>, workspace: &dyn Workspace) -> Option<SignatureHelp> {
    let text = place.analysis.text(place.source);
    let call = at(text, place.offset).call?;
    let seen = visible(place, workspace);
    let callable = callable(place.analysis, &seen, text.get(call.name.clone()))?;
    let active = match call.now.and_then(|range| text.get(range)) {
        Some(now) => callable.parameters.iter().position(|p| p.name == now),
        None => (call.commas < callable.parameters.len()).then_some(call.commas),
    };
    let active = active.and_then(|active| u32::try_from(active).ok());
    let words = |text: &str| {
        let value = text.to_string();
        let content = MarkupContent { kind: MarkupKind::Markdown, value };
        (!text.is_empty()).then_some(Documentation::MarkupContent(content))
    };
    let parameters = callable.parameters.iter().map(|parameter| ParameterInformation {
        label: ParameterLabel::Simple(parameter.label.clone()),
        documentation: words(&parameter.meaning),
    });
    let signature = SignatureInformation {
        label: callable.signature(),
        documentation: words(&callable.meaning),
        parameters: Some(parameters.collect()),
        active_parameter: active,
    };
    Some(SignatureHelp {
        signatures: vec![signature],
        active_signature: Some(0),
        active_parameter: active,
    })
}
