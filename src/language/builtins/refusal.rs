//! What calls refuse of their arguments, as far as the head's description tells: the same limits before a run and
//! in it.

use crate::builtins::bound::{CallFacts, MAX_LINES, Range, Refused};
use crate::builtins::signature::{Trouble, wrong};
use crate::program::value::Datum;
use spintrue_head::{Description, Dimension, MAX_STEADY, show_number, show_quantity};

/// A limit on a number, in terms of the head.
pub(super) struct Limit {
    range: fn(&Description) -> Range,
    whole: bool,
    words: fn(&Description, f64) -> String,
    help: Option<&'static str>,
}

/// Where the limits of a head are told.
const LIMITS: Option<&str> = Some("`head_limits()` holds what this head can do");

/// A facet of the polygon.
pub(super) const FACET: Limit = Limit {
    range: |head| Range { low: 0.0, high: f64::from(head.facets) - 1.0 },
    whole: true,
    words: |head, facet| {
        let (facet, last) = (show_number(facet, None), head.facets.saturating_sub(1));
        format!("there is no facet {facet}: the polygon has facets 0 to {last}")
    },
    help: Some("`facets()` lists every facet"),
};

/// Most readings in one call.
const MAX_READINGS: f64 = 1000.0;

/// Readings of a line.
pub(super) const READINGS: Limit = Limit {
    range: |_| Range { low: 1.0, high: MAX_READINGS },
    whole: true,
    words: |_, readings| {
        let readings = show_number(readings, None);
        format!("{readings} readings cannot be taken: it takes a whole number from 1 to 1000")
    },
    help: None,
};

/// Most turns watched in one call.
const MAX_TURNS: f64 = 10_000.0;

/// Turns that are watched.
pub(super) const TURNS: Limit = Limit {
    range: |_| Range { low: 1.0, high: MAX_TURNS },
    whole: true,
    words: |_, count| {
        let count = show_number(count, None);
        format!("{count} turns cannot be watched: it takes a whole number from 1 to 10000")
    },
    help: None,
};

/// Most lines that an image may have.
pub(super) const LINES: Limit = Limit {
    range: |_| Range { low: 1.0, high: MAX_LINES },
    whole: true,
    words: |_, most| {
        let most = show_number(most, None);
        format!(
            "an image cannot have {most} lines at most: it takes a whole number from 1 to 100000"
        )
    },
    help: None,
};

/// How long lines are drawn steadily.
pub(super) const STEADY: Limit = Limit {
    range: |_| Range { low: 0.0, high: MAX_STEADY },
    whole: false,
    words: |_, seconds| {
        let text = |time| show_quantity(time, Dimension::TIME, None, None);
        let (asked, most) = (text(seconds), text(MAX_STEADY));
        format!("lines are drawn steadily for 0 s to {most}, not for {asked}")
    },
    help: None,
};

/// How long after the call a fault strikes.
pub(super) const AFTER: Limit = Limit {
    range: |_| Range { low: 0.0, high: 1e6 },
    whole: false,
    words: |_, after| {
        let after = show_quantity(after, Dimension::TIME, None, None);
        format!("a fault strikes 0 s to 1000000 s after it is provoked, not {after}")
    },
    help: None,
};

/// A speed of the polygon; the station checks it in a run.
pub(super) const SPEED: Limit = Limit {
    range: |head| Range { low: head.speed_least, high: head.speed_most },
    whole: false,
    words: |head, speed| head.check_speed(speed).err().map_or(String::new(), |why| why.to_string()),
    help: LIMITS,
};

/// An angle of the galvanometer; the station checks it in a run.
pub(super) const ANGLE: Limit = Limit {
    range: |head| Range { low: -head.galvanometer_range, high: head.galvanometer_range },
    whole: false,
    words: |head, angle| head.check_angle(angle).err().map_or(String::new(), |why| why.to_string()),
    help: LIMITS,
};

impl Limit {
    /// Why none of these values is possible; none where one may be.
    fn refuses(&self, head: &Description, values: Range) -> Option<String> {
        let Range { low, high } = (self.range)(head);
        // A converted unit may be off in its last digit.
        let slack = 1e-12 * low.abs().max(high.abs());
        if values.low.is_nan() && values.high.is_nan() {
            return Some((self.words)(head, values.low));
        }
        let broken = self.whole && values.is_exact() && values.low.fract() != 0.0;
        if values.low.is_finite() && (values.low > high + slack || broken) {
            return Some((self.words)(head, values.low));
        }
        let below = values.high.is_finite() && values.high < low - slack;
        below.then(|| (self.words)(head, values.high))
    }

    /// Fails on a value beyond the limit.
    pub(super) fn check(&self, head: &Description, value: f64) -> Result<(), Trouble> {
        match self.refuses(head, Range::only(value)) {
            Some(why) => wrong(why),
            None if value.is_finite() => Ok(()),
            None => wrong((self.words)(head, value)),
        }
    }

    /// What is surely wrong with an argument.
    pub(super) fn judge(&self, asked: &CallFacts<'_>, argument: usize) -> Option<Refused> {
        let values = asked.arguments.get(argument)?.number();
        let why = self.refuses(asked.head, values)?;
        Some(Refused { help: self.help, ..Refused::new(argument, why) })
    }
}

/// What is wrong with a value that is known whole.
pub(super) fn known(
    asked: &CallFacts<'_>,
    argument: usize,
    judge: impl Fn(&Datum) -> Option<String>,
) -> Option<Refused> {
    let why = judge(asked.values.get(argument)?.as_ref()?)?;
    Some(Refused::new(argument, why))
}
