//! Arguments of a call that stand in another order than its parameters, and those that are too many.

use crate::check::Checker;
use crate::check::call::Signature;
use crate::check::generic::{Bindings, Fit};
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, Edit, Help, codes};
use crate::program::types::Type;
use crate::syntax::tree::{Argument, Name};

/// Most arguments of a call whose orders are tried.
const MAX_MOVED: usize = 5;

impl Checker<'_> {
    /// Reports an argument that is one too many; what it is does not matter then.
    pub(super) fn too_many(
        &mut self,
        arguments: &[Argument],
        index: usize,
        headline: String,
        signature: &Signature,
    ) {
        let kinds = self.kinds_of(arguments.get(..index).unwrap_or(&[]));
        let (code, place) = (codes::TOO_MANY_ARGUMENTS, arguments.get(index));
        let place = place.map(|argument| argument.value.span).unwrap_or_default();
        let report = Diagnostic::error(code, headline, place).here("one too many");
        let takes_list =
            matches!(signature.parameters.as_slice(), [only] if matches!(only.kind, Type::List(_)));
        let (first, last) = (arguments.first(), arguments.last());
        let whole = first.zip(last).map(|(first, last)| first.value.span.to(last.value.span));
        let whole = whole.filter(|_| arguments.iter().all(|argument| argument.name.is_none()));
        let is_one = |kind: &Type| !matches!(kind, Type::List(_) | Type::Unknown);
        self.report(match whole {
            Some(whole) if takes_list && kinds.iter().all(is_one) => {
                let list = format!("[{}]", self.offered(whole, &[]));
                report.suggest(format!("it takes a list: `{list}`"), whole, list)
            }
            _ => report,
        });
    }

    /// A report where the arguments fit in another order: in the one that moves fewest of them.
    pub(super) fn moved(
        &self,
        name: Name,
        signature: &Signature,
        arguments: &[Argument],
        values: &[Option<Typed>],
    ) -> Option<Diagnostic> {
        let given: Vec<&Typed> = values.iter().flatten().collect();
        let parameters = || signature.parameters.iter().zip(values).filter(|(_, v)| v.is_some());
        let is_plain = arguments.iter().all(|argument| argument.name.is_none());
        if !is_plain || given.len() != arguments.len() || given.len() > MAX_MOVED {
            return None;
        }
        let mut fitting: Vec<(usize, Vec<usize>)> = Vec::new();
        for order in orders(given.len()) {
            let mut bindings = Bindings::default();
            let kinds = order.iter().filter_map(|at| given.get(*at));
            let mut pairs = parameters().zip(kinds);
            if pairs.all(|((p, _), typed)| bindings.fit(&p.kind, &typed.kind) == Fit::Fits) {
                let moved = order.iter().enumerate().filter(|(at, from)| at != *from).count();
                fitting.push((moved, order));
            }
        }
        let (_, order) = fitting.iter().min_by_key(|(moved, _)| *moved)?;
        let texts: Vec<String> = given.iter().map(|typed| self.offered(typed.span, &[])).collect();
        let changed = order.iter().enumerate().filter(|(at, from)| at != *from);
        let (mut edits, mut labels) = (Vec::new(), Vec::new());
        for (at, from) in changed {
            let (typed, text) = (given.get(at)?, texts.get(*from)?);
            edits.push(Edit { span: typed.span, text: text.clone() });
            labels.push((typed.span, format!("this is {}", self.a_kind(&typed.kind))));
        }
        let callee = self.text(name.symbol);
        let headline = format!("`{callee}` takes these in another order");
        let (first, rest) = labels.split_first()?;
        let report = Diagnostic::error(codes::WRONG_ARGUMENT, headline, first.0).here(&first.1);
        let report = rest.iter().fold(report, |report, (span, is)| report.label(*span, is));
        let names = parameters().map(|(p, _)| format!("`{}`", p.name)).collect::<Vec<_>>();
        let text = format!("the order is {}", names.join(", "));
        Some(report.way_out(Help { text, edits, is_safe: fitting.len() == 1 }))
    }
}

/// All orders of so many things.
fn orders(count: usize) -> Vec<Vec<usize>> {
    (0..count).fold(vec![Vec::new()], |orders, _| {
        let longer = |order: &Vec<usize>| {
            let free = (0..count).filter(|at| !order.contains(at)).collect::<Vec<_>>();
            free.into_iter().map(|at| [order.as_slice(), &[at]].concat()).collect::<Vec<_>>()
        };
        orders.iter().flat_map(longer).collect()
    })
}
