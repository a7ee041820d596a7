//! Head time as a graph of sums, multiples and choices, so that the largest contributions and
//! the dependence on params can be told afterwards. Uses source.
//!
//! A node comes after those it is made of, so one walk from the last to the first gives each its
//! weight, however often it is shared.

use crate::bounds::form::{Form, Params};
use crate::source::Span;
use std::collections::HashMap;

/// A node by its index.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Id(usize);

/// No time.
pub(super) const NOTHING: Id = Id(0);

#[derive(Debug)]
enum Kind {
    /// Time at a place; none is the end of the script.
    Leaf(Option<Span>),
    /// No bound is known.
    Unknown(Unknown),
    Sum(Vec<Id>),
    /// The longest of several, and the others.
    Longest(Id, Vec<Id>),
    Times(f64, Id),
    Call(Span, Id),
    /// A part of the script, and what it takes beyond the inner node where it fails, in s.
    Timed(Timed, f64, Id),
}

#[derive(Debug)]
struct Node {
    seconds: f64,
    form: Form,
    kind: Kind,
}

/// All nodes.
#[derive(Debug)]
pub(super) struct Nodes {
    nodes: Vec<Node>,
    /// Nothing is asked of them, so that all is [`NOTHING`].
    pub is_unasked: bool,
}

/// How often a node counts in the whole.
#[derive(Clone, Copy, Default)]
struct Share {
    /// The whole is made of it, if only where it could be another way.
    counts: bool,
    weight: f64,
    /// The largest part of it, and the outermost call by which it counts there.
    heaviest: f64,
    call: Option<Span>,
}

/// What one place adds to the whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Contribution {
    /// The place; none is the end of the script, where the head is made safe.
    pub span: Option<Span>,
    /// The outermost call of a routine that leads there.
    pub call: Option<Span>,
    /// In s, all its turns together.
    pub seconds: f64,
}

/// A part of a script that takes time each time it runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Timed {
    /// A loop: its statement where it is a `for`, else the expression of its bound.
    Loop(Span),
    /// A routine by its index in the program.
    Routine(usize),
}

/// What was read from the graph.
#[derive(Default)]
pub(super) struct Told {
    /// What each place adds to the whole, the largest first.
    pub contributions: Vec<Contribution>,
    /// Where no bound is known.
    pub unknown: Vec<Unknown>,
    /// The most that each part takes in one run of it, in s; those without a bound are left out.
    pub timed: HashMap<Timed, f64>,
}

/// What can be without a bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// A wait.
    Wait,
    /// A loop.
    Loop,
    /// Calls and blocks that nest too deep to be followed.
    Depth,
}

/// Why no bound is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unknown {
    /// Where.
    pub span: Span,
    /// What is not known there.
    pub what: What,
    /// The call whose result it depends on.
    pub from: Option<Span>,
}

impl Nodes {
    /// Only [`NOTHING`].
    pub(super) fn new() -> Nodes {
        let nothing = Node { seconds: 0.0, form: Form::default(), kind: Kind::Sum(Vec::new()) };
        Nodes { nodes: vec![nothing], is_unasked: false }
    }

    fn push(&mut self, seconds: f64, form: Form, kind: Kind) -> Id {
        if self.is_unasked {
            return NOTHING;
        }
        self.nodes.push(Node { seconds, form, kind });
        Id(self.nodes.len() - 1)
    }

    /// How long, in s.
    pub(super) fn seconds(&self, id: Id) -> f64 {
        self.nodes.get(id.0).map_or(f64::INFINITY, |node| node.seconds)
    }

    /// How it depends on params.
    pub(super) fn form(&self, id: Id) -> Form {
        self.nodes.get(id.0).map(|node| node.form.clone()).unwrap_or_default()
    }

    /// Time at a place.
    pub(super) fn leaf(&mut self, span: Option<Span>, seconds: f64, form: Form) -> Id {
        if seconds == 0.0 && form.is_fixed() {
            return NOTHING;
        }
        self.push(seconds, form, Kind::Leaf(span))
    }

    /// Time without a bound.
    pub(super) fn unknown(&mut self, span: Span, what: What, from: Option<Span>) -> Id {
        let unknown = Unknown { span, what, from };
        self.push(f64::INFINITY, Form::default(), Kind::Unknown(unknown))
    }

    /// One behind the other.
    pub(super) fn sum(&mut self, parts: impl IntoIterator<Item = Id>) -> Id {
        let parts: Vec<Id> = parts.into_iter().filter(|id| *id != NOTHING).collect();
        if let [] | [_] = parts.as_slice() {
            return parts.first().copied().unwrap_or(NOTHING);
        }
        let (mut seconds, mut form) = (0.0, Form::default());
        for part in &parts {
            let next = self.seconds(*part);
            form = form.plus(seconds, &self.form(*part), next, 1.0);
            seconds += next;
        }
        self.push(seconds, form, Kind::Sum(parts))
    }

    /// The same, `count` times.
    pub(super) fn times(&mut self, count: f64, count_form: &Form, part: Id) -> Id {
        if part == NOTHING {
            return NOTHING;
        }
        let seconds = self.seconds(part);
        let form = count_form.times(count, &self.form(part), seconds);
        if count == 0.0 && form.is_fixed() {
            return NOTHING;
        }
        let all = if count == 0.0 { 0.0 } else { count * seconds };
        self.push(all, form, Kind::Times(count, part))
    }

    /// The longest of several.
    pub(super) fn longest(&mut self, parts: impl IntoIterator<Item = Id>) -> Id {
        let parts: Vec<Id> = parts.into_iter().collect();
        let longer = |a: Id, b: Id| if self.seconds(b) > self.seconds(a) { b } else { a };
        let Some(best) = parts.iter().copied().reduce(longer) else { return NOTHING };
        let form = self.form(best);
        let alike = |id: &Id| {
            let other = self.form(*id);
            (other.is_fixed() && form.is_fixed()) || (other == form && !form.is_fixed())
        };
        let is_other = |id: &&Id| **id != best && **id != NOTHING;
        let others: Vec<Id> = parts.iter().filter(is_other).copied().collect();
        if parts.iter().all(|id| *id == best || alike(id)) {
            return match others.as_slice() {
                [] => best,
                _ => self.push(self.seconds(best), form, Kind::Longest(best, others)),
            };
        }
        // Which one is the longest may be another with other params.
        let all: Params = parts.iter().fold(0, |all, id| all | self.form(*id).params());
        self.push(self.seconds(best), Form::held(all), Kind::Longest(best, others))
    }

    /// Inside a call.
    pub(super) fn call(&mut self, span: Span, part: Id) -> Id {
        if part == NOTHING {
            return NOTHING;
        }
        self.push(self.seconds(part), self.form(part), Kind::Call(span, part))
    }

    /// A part of the script, which takes `failing` more where it fails.
    pub(super) fn timed(&mut self, of: Timed, ended: Id, failing: Id) -> Id {
        if ended == NOTHING {
            return NOTHING;
        }
        let more = self.seconds(failing);
        self.push(self.seconds(ended), self.form(ended), Kind::Timed(of, more, ended))
    }

    /// What `whole` is made of.
    pub(super) fn told(&self, whole: Id) -> Told {
        let mut shares = vec![Share::default(); whole.0 + 1];
        if let Some(share) = shares.last_mut() {
            (share.counts, share.weight) = (true, 1.0);
        }
        let mut places: HashMap<Option<Span>, Contribution> = HashMap::new();
        let mut unknown: Vec<Unknown> = Vec::new();
        let mut timed: HashMap<Timed, f64> = HashMap::new();
        for index in (0..=whole.0).rev() {
            let (Some(node), Some(Share { counts: true, weight, call, .. })) =
                (self.nodes.get(index), shares.get(index).copied())
            else {
                continue;
            };
            let mut give = |part: Id, factor: f64, call: Option<Span>| {
                let Some(share) = shares.get_mut(part.0) else { return };
                share.counts = true;
                let more = weight * factor;
                share.weight += more;
                if more > share.heaviest {
                    (share.heaviest, share.call) = (more, call);
                }
            };
            match &node.kind {
                Kind::Leaf(_) | Kind::Unknown(_) if weight == 0.0 => {}
                Kind::Leaf(span) => {
                    let seconds = weight * node.seconds;
                    let fresh = Contribution { span: *span, call, seconds: 0.0 };
                    places.entry(*span).or_insert(fresh).seconds += seconds;
                }
                Kind::Unknown(found) => {
                    if !unknown.contains(found) {
                        unknown.push(*found);
                    }
                }
                Kind::Sum(parts) => parts.iter().for_each(|part| give(*part, 1.0, call)),
                Kind::Longest(best, others) => {
                    give(*best, 1.0, call);
                    others.iter().for_each(|part| give(*part, 0.0, call));
                }
                Kind::Times(count, part) => give(*part, *count, call),
                Kind::Call(span, part) => give(*part, 1.0, call.or(Some(*span))),
                Kind::Timed(of, more, part) => {
                    give(*part, 1.0, call);
                    let most = timed.entry(*of).or_default();
                    *most = most.max(node.seconds + more);
                }
            }
        }
        let mut places: Vec<Contribution> = places.into_values().collect();
        places.sort_by(|a, b| b.seconds.total_cmp(&a.seconds).then_with(|| a.span.cmp(&b.span)));
        unknown.sort_by_key(|unknown| unknown.span);
        timed.retain(|_, seconds| seconds.is_finite());
        Told { contributions: places, unknown, timed }
    }
}
