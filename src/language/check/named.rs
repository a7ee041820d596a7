//! What a script names by plain text: images, faults, signals and channels. What knows the files and the head
//! looks at them before anything moves.

use crate::builtins::Effect;
use crate::check::Checker;
use crate::check::advice::with_article;
use crate::check::flow::{Callee, Graph};
use crate::check::typed::Typed;
use crate::diagnostics::codes;
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::Argument;

/// What is done with a signal or a channel.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Use {
    /// A signal is read.
    Signal,
    /// A signal is switched.
    Switch,
    /// A channel is read.
    Channel(Like),
    /// A channel is set; the value, where it is known.
    Set(Like, Option<f64>),
}

/// The kind of what is asked of a channel, and where that is said.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Like {
    /// The kind.
    pub kind: Type,
    /// The place.
    pub span: Span,
}

/// A signal or a channel that is named by plain text.
#[derive(Clone, Debug)]
pub(crate) struct Used {
    /// Its name.
    pub name: String,
    /// Where it is named.
    pub span: Span,
    /// What is done with it.
    pub what: Use,
    /// The `arm` under which this may happen.
    pub armed: Option<Span>,
    /// The routine that it stands in.
    routine: Option<usize>,
}

impl Used {
    /// Where its name stands, and what is to be of its kind.
    pub(crate) fn places(&self) -> impl Iterator<Item = Span> {
        let like = match &self.what {
            Use::Channel(like) | Use::Set(like, _) => Some(like.span),
            Use::Signal | Use::Switch => None,
        };
        [self.span].into_iter().chain(like)
    }
}

/// An image that is named by plain text.
#[derive(Clone, Debug)]
pub(crate) struct NamedImage {
    /// Its name.
    pub name: String,
    /// Where it is named.
    pub span: Span,
    /// It must be a chart, since scans of it are read.
    pub is_chart: bool,
}

/// All that is named by plain text, with the places.
#[derive(Default)]
pub(crate) struct Named {
    /// Images.
    pub images: Vec<NamedImage>,
    /// Scans of charts are read, of whatever name.
    pub reads_charts: bool,
    /// Faults.
    pub faults: Vec<(String, Span)>,
    /// Signals and channels.
    pub signals: Vec<Used>,
}

impl Checker<'_> {
    /// Remembers what a call names.
    pub(super) fn named(
        &mut self,
        callee: Callee,
        arguments: &[Argument],
        slots: &[Option<usize>],
        values: &[Option<Typed>],
    ) {
        let Some(builtin) = callee.builtin() else { return };
        let page = builtin.page();
        for (parameter, slot) in page.parameters.iter().zip(slots) {
            self.named.reads_charts |= parameter.kind == "chart";
            let Some(argument) = slot.and_then(|slot| arguments.get(slot)) else { continue };
            let Some(name) = argument.value.plain_text() else { continue };
            let (name, span) = (name.to_string(), argument.value.span);
            let commands = builtin.has(Effect::Switches);
            let like = values.get(1).and_then(Option::as_ref);
            let known = || like.and_then(Typed::constant);
            let like = || Like {
                kind: like.map_or(Type::Unknown, |typed| typed.kind.clone()),
                span: like.map_or(span, |typed| typed.span),
            };
            let what = match parameter.kind {
                "image" | "chart" => {
                    let is_chart = parameter.kind == "chart";
                    self.named.images.push(NamedImage { name, span, is_chart });
                    continue;
                }
                "fault" => {
                    self.named.faults.push((name, span));
                    continue;
                }
                "signal" if commands => Use::Switch,
                "signal" => Use::Signal,
                "channel" if commands => Use::Set(like(), known()),
                "channel" => Use::Channel(like()),
                _ => continue,
            };
            let (armed, routine) = (self.inside.armed, self.inside.routine);
            self.named.signals.push(Used { name, span, what, armed, routine });
        }
    }

    /// What says the kind of a channel must be a number of a kind that is known here; gives that
    /// kind, nothing of a call that has none, and none after a report.
    pub(super) fn like(&mut self, callee: Callee, values: &[Option<Typed>]) -> Option<Type> {
        let Some(builtin) = callee.builtin() else { return Some(Type::Nothing) };
        let all = builtin.page().parameters.iter().zip(values);
        let mut likes = all.filter(|(parameter, _)| parameter.kind == "like");
        let Some((parameter, Some(typed))) = likes.next() else { return Some(Type::Nothing) };
        let kind = self.kind_name(&typed.kind);
        let (name, like) = (builtin.name, parameter.name);
        match &typed.kind {
            Type::Quantity(dimension) if dimension.is_open() => {
                let headline = format!("nothing tells here which kind `{kind}` is");
                self.error(codes::UNTOLD_KIND, headline, typed.span)
                    .help(format!("call `{name}` where the kind is known, and hand the value on"));
            }
            Type::Quantity(_) | Type::Temperature => return Some(typed.kind.clone()),
            _ => {
                let kind = with_article(&kind);
                let headline = format!("`{name}` takes a quantity as `{like}`, not {kind}");
                self.error(codes::WRONG_ARGUMENT, headline, typed.span)
                    .help("a channel reads a number with a unit, such as `1 kPa`");
            }
        }
        None
    }

    /// Finds what is switched under light by way of routines.
    pub(super) fn used_under_light(&mut self, graph: &Graph) {
        let mut lit: Vec<Option<Span>> = self.routines.iter().map(|r| r.armed).collect();
        // Callers come first here.
        for caller in std::iter::once(None).chain(graph.order.iter().rev().map(|r| Some(*r))) {
            let around = caller.and_then(|caller| lit.get(caller).copied().flatten());
            for site in graph.calls_of(caller) {
                let Callee::Routine(callee) = site.callee else { continue };
                if let (Some(arm), Some(slot)) = (site.armed.or(around), lit.get_mut(callee)) {
                    slot.get_or_insert(arm);
                }
            }
        }
        for used in &mut self.named.signals {
            let around = used.routine.and_then(|routine| lit.get(routine).copied().flatten());
            used.armed = used.armed.or(around);
        }
    }
}
