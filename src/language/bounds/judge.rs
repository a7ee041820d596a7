//! What statements and operators refuse, as far as the walk knows their values.

use crate::bounds::finding::Cause;
use crate::bounds::known::Interval;
use crate::bounds::walk::Walk;
use crate::builtins::{Range, Trait, table};
use crate::program::failure::{MAX_TURNS, bad_index, bad_power, bad_time, bad_turns};
use crate::program::tree::Flag;
use crate::source::Span;
use spintrue_head::Fault;

/// The end of a range that lies nearer to what is allowed.
fn near(range: Range, low: f64) -> f64 {
    if range.low >= low { range.low } else { range.high }
}

impl Walk<'_> {
    /// A division, or a remainder.
    pub(super) fn judge_divisor(&mut self, divisor: &Interval, span: Span) {
        if divisor.range == Range::only(0.0) {
            self.found(Cause::Division, span, "division by zero", &[divisor]);
        }
    }

    /// An index into so many items.
    pub(super) fn judge_index(&mut self, index: &Interval, count: &Interval, span: Span) {
        let at = index.range;
        let broken = at.is_exact() && at.low.fract() != 0.0;
        let past = at.low.is_finite() && at.low >= count.range.high;
        let before = at.high.is_finite() && at.high < 0.0;
        if broken || past || before {
            let why = bad_index(near(at, 0.0), count.range.high as usize);
            self.found(Cause::Index, span, why, &[index, count]);
        }
    }

    /// A time that is waited.
    pub(super) fn judge_time(&mut self, time: &Interval, most: f64, span: Span) {
        let Range { low, high } = time.range;
        if high < 0.0 && high.is_finite() {
            self.found(Cause::Time, span, bad_time(high), &[time]);
        } else if low > most && low.is_finite() {
            let why = Fault::outside("time to wait", "s", low, 0.0, most);
            self.found(Cause::Time, span, why.to_string(), &[time]);
        }
    }

    /// The bound of a loop.
    pub(super) fn judge_turns(&mut self, times: &Interval, span: Span) {
        let range = times.range;
        let broken = range.is_exact() && range.low.fract() != 0.0;
        let beyond = range.low > MAX_TURNS && range.low.is_finite();
        if broken || beyond || (range.high < 0.0 && range.high.is_finite()) {
            let why = bad_turns(near(range, 0.0));
            self.found(Cause::Turns, span, why, &[times]);
        }
    }

    /// Arming at a share of full power.
    pub(super) fn judge_arming(&mut self, share: &Interval, place: Span, span: Span) {
        let Range { low, high } = share.range;
        if (high <= 0.0 && high.is_finite()) || (low > 1.0 && low.is_finite()) {
            let why = bad_power(near(share.range, 1.0));
            self.found(Cause::Power, place, why, &[share]);
        } else if self.is_at_rest() {
            let why = "the laser cannot be armed: nothing spins, and there is no lock without that";
            self.found(Cause::Rest, span, why, &[]);
        }
    }

    /// No speed is asked for.
    fn is_at_rest(&self) -> bool {
        self.state.get(self.speed).number().range == Range::only(0.0)
    }

    /// No speed was ever asked for, so no pulse can come.
    fn has_never_spun(&self) -> bool {
        self.is_at_rest() && self.state.get(self.speed).number().from.is_none()
    }

    /// Pulses are asked for, or lock is held, where nothing spins.
    pub(super) fn judge_pulses(&mut self, span: Span) {
        if self.has_never_spun() {
            self.found(Cause::Rest, span, "this watches pulses, and nothing spins", &[]);
        }
    }

    pub(super) fn judge_held(&mut self, condition: &Flag, span: Span) {
        if self.seeks_lock_at_rest(condition) && self.has_never_spun() {
            self.found(Cause::Rest, span, "this holds lock, and nothing spins", &[]);
        }
    }

    /// Lock must come about for the condition to hold, and nothing spins.
    pub(super) fn seeks_lock_at_rest(&self, condition: &Flag) -> bool {
        let seeks = match condition {
            Flag::Builtin(call) => {
                table().get(call.builtin).is_some_and(|builtin| builtin.is(Trait::SeeksLock))
            }
            Flag::And(a, b) => return self.seeks_lock_at_rest(a) || self.seeks_lock_at_rest(b),
            _ => false,
        };
        seeks && self.is_at_rest()
    }

    pub(super) fn judge_seeking(&mut self, seeks: bool, span: Span) {
        if seeks {
            let why = "this waits for lock, and nothing spins";
            self.found(Cause::Rest, span, why, &[]);
        }
    }
}
