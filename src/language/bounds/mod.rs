//! The longest time that a script can take on a head: a walk over the checked program with the
//! head's description, which never runs anything. Uses program, builtins, head, units and source.
//!
//! The bound is in head time and no run may exceed it. It counts the waits with their limits,
//! what each call of a built-in may take ([`crate::builtins::TimeBound`]), the light that comes late
//! after arming, every turn of every loop up to its bound, what runs where a limit is reached,
//! body, `catch` and `finally` together, a failure at the worst place, and the making safe at the
//! end. Computing is not counted: where time passes by itself, `--at-most` is held by the clock during the
//! run. Where times and counts are not known before the
//! script runs, there is no bound, and it is said where and why.
//!
//! Numbers are known between two ends (interval arithmetic), lists by their length; routines are
//! walked once for each set of arguments, and a turn of a loop that begins as the last one did not at all.

mod calls;
mod checks;
mod exact;
mod finding;
mod form;
mod holds;
mod judge;
mod known;
mod loops;
mod nodes;
mod presumed;
mod prove;
mod state;
mod trial;
mod turns;
mod value;
mod walk;
mod words;
mod writes;

pub(crate) use finding::{Cause, Finding};
pub use nodes::What;
pub(crate) use nodes::{Contribution, Timed, Unknown};
pub(crate) use prove::{Risk, refused, risky};
pub use words::{longest_text, unknown_bound};

use crate::bounds::form::{Form, Params, set_of};
use crate::bounds::known::{Fact, Interval};
use crate::bounds::nodes::Told;
use crate::bounds::state::Key;
use crate::bounds::walk::Walk;
use crate::program::tree::{Param, Program, Statement};
use crate::station::REST_SLICE;
use spintrue_head::{Description, Dimension, SAFE_CALLS, put_at_safe};
use std::collections::HashMap;

/// Room for the rounding of clocks, relative.
const ROUNDING: f64 = 1e-9;

/// One product of a [`Formula`].
#[derive(Clone, Debug, PartialEq)]
pub struct Term {
    /// Params of the program by their index, each as often as it is a factor.
    pub params: Vec<usize>,
    /// The factor: a plain number where one of the params is a time, else a time in s.
    pub factor: f64,
}

/// The bound as a sum of products of params.
#[derive(Clone, Debug, PartialEq)]
pub struct Formula {
    /// The products.
    pub terms: Vec<Term>,
    /// Params whose present values the formula holds for.
    pub held: Vec<usize>,
}

/// How long a script takes at most.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// In s of head time; none where no bound is known.
    pub most: Option<f64>,
    /// What each place adds, the largest first.
    pub contributions: Vec<Contribution>,
    /// Where no bound is known.
    pub unknown: Vec<Unknown>,
    /// How it depends on params, where it does so simply.
    pub formula: Option<Formula>,
    /// The most that each loop and routine takes in one run of it, in s, where that is known.
    pub(crate) timed: HashMap<Timed, f64>,
}

impl Bound {
    /// What making the head safe at the end may take of it, in s.
    pub fn to_make_safe(&self) -> f64 {
        let end = self.contributions.iter().find(|part| part.span.is_none());
        end.map_or(0.0, |part| part.seconds)
    }
}

/// Time in s to make a head safe at the end: braked from any speed, or silent at every call. A
/// script that may keep its polygon spinning lets it run out where it coasts already.
pub fn finish_most(head: &Description, keeps: bool) -> f64 {
    let times = head.times;
    let outputs = put_at_safe(&head.signals, &head.channels);
    let calls = (SAFE_CALLS + outputs as f64) * times.reply_most.max(times.silence_most);
    let down = if keeps { times.brake_most.max(head.coast_most) } else { times.brake_most };
    calls + head.galvanometer_settling + down + REST_SLICE
}

/// Works the bound out.
pub(crate) fn bound(program: &Program, head: &Description) -> Bound {
    best(program, &program.params, head, true)
}

/// The bound of what leaves the head as it stands at its end.
pub(crate) fn entry_bound(program: &Program, head: &Description) -> Bound {
    best(program, &[], head, false)
}

/// `params` are those that a formula tells apart.
fn best(program: &Program, params: &[Param], head: &Description, made_safe: bool) -> Bound {
    let worked = |deep| walked(Walk::new(program, head, deep), program, params, head, made_safe);
    let first = worked(false);
    if first.most.is_some() {
        return first;
    }
    let second = worked(true);
    if second.most.is_some() { second } else { first }
}

fn walked(
    mut walk: Walk<'_>,
    program: &Program,
    params: &[Param],
    head: &Description,
    made_safe: bool,
) -> Bound {
    let mut costs = Vec::new();
    let mut values = vec![0.0; params.len()];
    for statement in &program.setup {
        costs.push(walk.block(std::slice::from_ref(statement)).0);
        if let Statement::Set(slot, _) = statement {
            let mut all = params.iter().zip(&mut values).enumerate();
            if let Some((index, (param, value))) = all.find(|(_, (p, _))| p.slot == *slot) {
                name_param(&mut walk, index, param, value);
            }
        }
    }
    costs.push(walk.block(&program.body).0);
    let failing = walk.nodes.longest(costs.iter().map(|cost| cost.failing));
    let safe = if made_safe { finish_most(head, walk.keeps) } else { 0.0 };
    let safe = walk.nodes.leaf(None, safe, Form::default());
    let whole = walk.nodes.sum(costs.iter().map(|cost| cost.ended).chain([failing, safe]));
    let seconds = walk.nodes.seconds(whole);
    let Told { contributions, unknown, timed } = walk.nodes.told(whole);
    let most = seconds.is_finite().then_some(seconds * (1.0 + ROUNDING));
    let formula = most.and_then(|_| {
        let form = walk.nodes.form(whole);
        formula(&form, seconds, walk.deciding, params, &values)
    });
    Bound { most, contributions, unknown, formula, timed }
}

/// From here on a param is told apart.
fn name_param(walk: &mut Walk<'_>, index: usize, param: &Param, value: &mut f64) {
    let key = Key::from(param.slot);
    if let Fact::Number(number) = walk.state.get(key) {
        *value = number.range.low;
        // A bound is told for the present value of a param of any other kind.
        let simple = matches!(param.dimension, Some(Dimension::NUMBER | Dimension::TIME));
        let simple = simple && number.range.is_exact();
        let form = if simple { Form::param(index) } else { Form::held(set_of(index)) };
        walk.state.set(key, Fact::Number(Interval { form, ..number }));
    }
}

/// The sum, with what cannot be told as one taken at the present values.
fn formula(
    form: &Form,
    seconds: f64,
    deciding: Params,
    params: &[Param],
    values: &[f64],
) -> Option<Formula> {
    let held = form.held | deciding;
    let mut terms: Vec<Term> = Vec::new();
    let mut constant = 0.0;
    for (product, factor) in form.terms(seconds) {
        let product: Vec<usize> = product.into_iter().map(usize::from).collect();
        let times = product.iter().filter_map(|p| params.get(*p));
        let times = times.filter(|p| p.dimension == Some(Dimension::TIME)).count();
        let fixed = product.iter().any(|p| held & set_of(*p) != 0) || times > 1;
        if product.is_empty() || fixed {
            let value = |p: &usize| values.get(*p).copied().unwrap_or(0.0);
            constant += factor * product.iter().map(value).product::<f64>();
        } else if factor != 0.0 {
            terms.push(Term { params: product, factor });
        }
    }
    if terms.is_empty() {
        return None;
    }
    terms.push(Term { params: Vec::new(), factor: constant });
    let mut held: Vec<usize> = (0..params.len()).filter(|p| held & set_of(*p) != 0).collect();
    held.retain(|p| !terms.iter().any(|term| term.params.contains(p)));
    Some(Formula { terms, held })
}
