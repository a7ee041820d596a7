//! What statements and operators refuse, as far as the walk knows their values.

use crate::bounds::finding::Cause;
use crate::bounds::known::Interval;
use crate::bounds::presumed::seeks_lock;
use crate::bounds::walk::Walk;
use crate::builtins::Range;
use crate::program::failure::{
    MAX_TURNS, bad_index, bad_power, bad_time, bad_turns, long_list, long_range, long_text,
    long_value,
};
use crate::program::tree::{Expectation, Flag, Held, Number};
use crate::program::types::Layout;
use crate::program::value::{MAX_LIST, MAX_SHOWN, MAX_TEXT, REF_COST};
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
        if broken || past || before || index.is_no_number() {
            let why = bad_index(near(at, 0.0), count.range.high as usize);
            self.found(Cause::Index, span, why, &[index, count]);
        }
    }

    /// A time that is waited.
    pub(super) fn judge_time(&mut self, time: &Interval, most: f64, span: Span) {
        let Range { low, high } = time.range;
        if (high < 0.0 && high.is_finite()) || time.is_no_number() {
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
        if broken || beyond || times.is_no_number() || (range.high < 0.0 && range.high.is_finite())
        {
            let why = bad_turns(near(range, 0.0));
            self.found(Cause::Turns, span, why, &[times]);
        }
    }

    /// Arming at a share of full power.
    pub(super) fn judge_arming(&mut self, share: &Interval, place: Span, span: Span) {
        let Range { low, high } = share.range;
        let beyond = (high <= 0.0 && high.is_finite()) || (low > 1.0 && low.is_finite());
        if beyond || share.is_no_number() {
            let why = bad_power(near(share.range, 1.0));
            self.found(Cause::Power, place, why, &[share]);
        } else if self.is_at_rest() {
            let why = "the laser cannot be armed: nothing spins, and there is no lock without that";
            self.found(Cause::Rest, span, why, &[]);
        }
    }

    /// A list, by how many items it has at least.
    pub(super) fn judge_list(&mut self, count: &Interval, item: Layout, span: Span) {
        let doubles = count.range.low * item.words.max(REF_COST * item.refs) as f64;
        if doubles > MAX_LIST as f64 {
            self.found(Cause::Refused, span, long_list(), &[count]);
        }
    }

    /// A range that is made into a list.
    pub(super) fn judge_range(&mut self, count: &Interval, span: Span) {
        if count.range.low > MAX_LIST as f64 {
            self.found(Cause::Refused, span, long_range(count.range.low), &[count]);
        }
    }

    /// A text, by how long it is at least.
    pub(super) fn judge_text(&mut self, length: &Interval, span: Span) {
        if length.range.low > MAX_TEXT as f64 {
            self.found(Cause::Refused, span, long_text(), &[length]);
        }
    }

    /// A list that is shown.
    pub(super) fn judge_shown(&mut self, count: &Interval, span: Span) {
        if count.range.low > MAX_SHOWN as f64 {
            self.found(Cause::Refused, span, long_value(), &[count]);
        }
    }

    /// Pulses are asked for, or lock is held, where nothing spins.
    pub(super) fn judge_pulses(&mut self, span: Span) {
        if self.surely_rests() {
            self.found(Cause::Rest, span, "this watches pulses, and nothing spins", &[]);
        }
    }

    /// A condition that must hold from now on.
    pub(super) fn judge_held(&mut self, held: &Held) {
        if let Expectation::Holds(flag) = &held.condition
            && seeks_lock(flag)
            && self.surely_rests()
        {
            self.found(Cause::Rest, held.span, "this holds lock, and nothing spins", &[]);
        } else if let Expectation::Holds(flag) = &held.condition
            && self.judge_held_at_once(held, flag)
        {
        } else if let Some(against) = self.contradicted(|walk| walk.is_broken(&held.condition)) {
            let why = format!("`{}` cannot hold{against}", held.text);
            let speed = self.state.get(self.speed).number();
            self.found(Cause::Vain, held.span, why, &[&speed]);
        }
    }

    fn is_broken(&mut self, condition: &Expectation) -> bool {
        match condition {
            Expectation::Holds(flag) => self.flag(flag).as_flag() == Some(false),
            Expectation::Limits { value, low, high, .. } => {
                let value = self.number(value).range;
                let mut end = |limit: &Option<(Number, bool)>| {
                    limit.as_ref().map(|(limit, _)| self.number(limit).range)
                };
                let (low, high) = (end(low), end(high));
                let is_empty = low.zip(high).is_some_and(|(low, high)| low.low > high.high);
                is_empty
                    || low.is_some_and(|low| value.high < low.low)
                    || high.is_some_and(|high| value.low > high.high)
            }
        }
    }

    /// A wait for a condition, so long and perhaps `at_once` behind another speed; it `fails` where that does not come about.
    pub(super) fn judge_wait(
        &mut self,
        condition: &Flag,
        within: (Range, bool),
        fails: bool,
        span: Span,
    ) {
        if !fails || self.judge_lock(condition, within, span) {
            return;
        }
        if self.is_at_rest() && seeks_lock(condition) {
            self.found(Cause::Rest, span, "this waits for lock, and nothing spins", &[]);
        } else if let Some(against) =
            self.contradicted(|walk| walk.flag(condition).as_flag() == Some(false))
        {
            let speed = self.state.get(self.speed).number();
            self.found(Cause::Vain, span, format!("this waits in vain{against}"), &[&speed]);
        }
    }
}
