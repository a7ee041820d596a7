//! What is taken for granted while it is looked whether a condition contradicts it, and conditions that do.

use crate::bounds::finding::Cause;
use crate::bounds::known::{Fact, Interval};
use crate::bounds::walk::{Cost, Flow, Walk};
use crate::builtins::{Presumed, Range, Trait, table};
use crate::program::tree::{Expectation, Flag, Held, Statement};
use crate::source::Span;
use spintrue_head::{Dimension, show_quantity};

/// What is known of the place around.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Around {
    /// Inside `arm`: the laser is armed where this is reached, and nowhere else.
    pub lit: bool,
    /// The speed that was asked for where lock began to be held.
    pub held_speed: Option<Range>,
    /// What is taken for granted.
    pub presumed: Option<Presumed>,
}

/// How far a polygon is taken to leave the speed that it is locked to, in halves of its lock window.
const MAX_EXCURSION: f64 = 10.0;

impl Walk<'_> {
    /// No speed is asked for.
    pub(super) fn is_at_rest(&self) -> bool {
        self.state.get(self.speed).number().range == Range::only(0.0)
    }

    /// No speed was asked for since it was at rest, so no pulse can come.
    pub(super) fn surely_rests(&self) -> bool {
        self.is_at_rest() && self.state.get(self.speed).number().from.is_none()
    }

    /// What may be taken for granted here, each with its reason in words.
    fn presumptions(&self) -> Vec<(Presumed, String)> {
        let mut all =
            vec![(Presumed::Channels, "no channel leaves its described range".to_string())];
        if !self.around.lit {
            all.push((Presumed::Dark, "the laser is armed inside `arm` only".to_string()));
        }
        if self.proof.as_ref().is_some_and(|proof| proof.at_rest) && !self.draws {
            all.push((Presumed::Undrawn, "no `draw_steadily` stands in this script".to_string()));
        }
        let speed = self.state.get(self.speed).number();
        let Range { low, high } = speed.range;
        if self.surely_rests() {
            all.push((Presumed::Turning(Range::only(0.0)), "nothing spins".to_string()));
        } else if speed.locked {
            let room = 1.0 + MAX_EXCURSION * self.head.lock_window;
            let turning = Range { low: low / room, high: high * room };
            let shown = show_quantity(low, Dimension::ROTATION, None, None);
            let shown = if low == high { shown } else { format!("{shown} or more") };
            all.push((Presumed::Turning(turning), format!("the polygon is locked to {shown}")));
        }
        all
    }

    /// Tells what a condition contradicts that surely does not hold: nothing more where it never holds, else what is
    /// taken for granted here.
    pub(super) fn contradicted(&mut self, broken: impl Fn(&mut Self) -> bool) -> Option<String> {
        if !self.is_proving() {
            return None;
        }
        let is_broken = |walk: &mut Self, presumed| {
            walk.around.presumed = presumed;
            let (broken, _) = walk.collecting(|walk| walk.costing(&broken).1);
            walk.around.presumed = None;
            broken
        };
        if is_broken(self, None) {
            return Some(String::new());
        }
        let mut all = self.presumptions().into_iter();
        all.find(|(presumed, _)| is_broken(self, Some(*presumed)))
            .map(|(_, why)| format!(": {why}"))
    }

    /// A block inside `arm`.
    pub(super) fn lit(&mut self, body: &[Statement]) -> (Cost, Flow) {
        let around = std::mem::replace(&mut self.around.lit, true);
        self.passes();
        let walked = self.block(body);
        self.around.lit = around;
        walked
    }

    /// Lock to a speed must hold from here on.
    pub(super) fn hold_speed(&mut self, held: &[Held]) {
        let holds_lock = |held: &Held| match &held.condition {
            Expectation::Holds(flag) => seeks_lock(flag),
            Expectation::Limits { .. } => false,
        };
        let speed = self.state.get(self.speed).number();
        if held.iter().any(holds_lock) && speed.range.is_bounded() && speed.range.low > 0.0 {
            self.around.held_speed = Some(speed.range);
        }
    }

    /// A condition that was waited for holds.
    pub(super) fn came_about(&mut self, condition: &Flag) {
        let speed = self.state.get(self.speed).number();
        if seeks_lock(condition) {
            self.state.set(self.speed, Fact::Number(Interval { locked: true, ..speed }));
        } else if needs(condition, Trait::SeeksRest) && self.is_at_rest() {
            self.state.set(self.speed, Fact::Number(Interval { from: None, ..speed }));
        }
    }

    /// Time passes, in which a speed that was asked for may be reached.
    pub(super) fn passes(&mut self) {
        let speed = self.state.get(self.speed).number();
        if speed.fresh {
            self.state.set(self.speed, Fact::Number(Interval { fresh: false, ..speed }));
        }
    }

    /// The speed may change from now on without being asked to.
    pub(super) fn unlock(&mut self) {
        let speed = self.state.get(self.speed).number();
        if speed.locked {
            self.state.set(self.speed, Fact::Number(Interval { locked: false, ..speed }));
        }
    }

    /// Lock is held where no time has passed since another speed was asked for.
    pub(super) fn judge_held_at_once(&mut self, held: &Held, flag: &Flag) -> bool {
        let speed = self.state.get(self.speed).number();
        let at_once = speed.fresh && needs(flag, Trait::SeeksLock);
        if at_once {
            let why = "this holds lock, which does not come at once: wait until it has come";
            self.found(Cause::Vain, held.span, why, &[&speed]);
        }
        at_once
    }

    /// Lock is waited for in less time than it takes, or while lock to another speed must hold.
    pub(super) fn judge_lock(
        &mut self,
        condition: &Flag,
        (within, at_once): (Range, bool),
        span: Span,
    ) -> bool {
        let speed = self.state.get(self.speed).number();
        let Range { low, high } = speed.range;
        let seeks_lock = needs(condition, Trait::SeeksLock);
        let least = std::f64::consts::TAU * f64::from(self.head.lock_turns) / high;
        if at_once && seeks_lock && high > 0.0 && within.high < least {
            let least = show_quantity(least, Dimension::TIME, None, None);
            let turns = self.head.lock_turns;
            let why = format!("this waits in vain: lock takes {turns} turns at least, {least}");
            self.found(Cause::Vain, span, why, &[&speed]);
            return true;
        }
        let leaves = |held: Range| high < held.low || low > held.high;
        let is_left = self.around.held_speed.is_some_and(leaves);
        if is_left && (seeks_lock || needs(condition, Trait::SeeksRest)) {
            let why =
                "this waits for another speed while lock must hold, and it is lost on the way";
            self.found(Cause::Vain, span, why, &[&speed]);
            return true;
        }
        false
    }
}

/// One that a built-in of this trait tells must come about for the condition to hold.
pub(super) fn needs(condition: &Flag, what: Trait) -> bool {
    match condition {
        Flag::Builtin(call) => table().get(call.builtin).is_some_and(|builtin| builtin.is(what)),
        Flag::And(a, b) => needs(a, what) || needs(b, what),
        _ => false,
    }
}

/// Lock must come about for the condition to hold.
pub(super) fn seeks_lock(condition: &Flag) -> bool {
    needs(condition, Trait::SeeksLock)
}
