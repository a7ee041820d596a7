//! How long a call of a built-in may take on a head, and what is known of its result before a
//! script runs. Uses the head's description only.
//!
//! A bound has two parts: what a call takes that comes back with a result, and what one takes
//! beyond that where it fails. A failure ends the script, or a `try` around it, so the second part
//! counts once and not for every turn of a loop.

use crate::images::ImageFact;
use crate::program::value::Datum;
use crate::station::MAX_READ;
use spintrue_head::{Description, MAX_MARKS, find_channel};

/// How often a line is exposed again because the gauge lost its reading, and how many more readings of a
/// facet are taken in place of those that have a wild mark.
pub(super) const MAX_RETRIES: u32 = 3;

/// From the smallest to the largest value that a number can have.
#[derive(Clone, Copy, Debug)]
pub struct Range {
    /// The smallest.
    pub low: f64,
    /// The largest.
    pub high: f64,
}

/// What is no number equals itself here: it is known to be none.
impl PartialEq for Range {
    fn eq(&self, other: &Range) -> bool {
        let same = |a: f64, b: f64| a == b || (a.is_nan() && b.is_nan());
        same(self.low, other.low) && same(self.high, other.high)
    }
}

impl Range {
    /// Nothing is known.
    pub const ANY: Range = Range { low: f64::NEG_INFINITY, high: f64::INFINITY };

    /// One value.
    pub const fn only(value: f64) -> Range {
        Range { low: value, high: value }
    }

    /// A single value is known.
    pub fn is_exact(self) -> bool {
        self.low == self.high && self.low.is_finite()
    }

    /// Both ends are known.
    pub fn is_bounded(self) -> bool {
        self.low.is_finite() && self.high.is_finite()
    }

    /// From the smaller to the larger of both; anything where one of them is no number.
    #[must_use]
    pub fn joined(self, other: Range) -> Range {
        if self != other
            && [self.low, self.high, other.low, other.high].iter().any(|end| end.is_nan())
        {
            return Range::ANY;
        }
        Range { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// What is known of an argument or a result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Extent {
    /// The argument was left out.
    Absent,
    /// A number, or a flag as 0 or 1.
    Number(Range),
    /// A list: how many elements, and between which values all its numbers lie.
    List {
        /// How many elements.
        count: Range,
        /// All numbers in it.
        values: Range,
    },
    /// Nothing.
    Unknown,
}

impl Extent {
    /// The number; anything where it is none.
    pub fn number(&self) -> Range {
        match self {
            Extent::Number(range) => *range,
            _ => Range::ANY,
        }
    }
}

/// What is taken for granted of a head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Presumed {
    /// Between which speeds in rad/s the polygon turns: locked, or at rest.
    Turning(Range),
    /// The laser is not armed.
    Dark,
    /// No lines are drawn steadily.
    Undrawn,
    /// Channels read what they can have.
    Channels,
}

/// What a bound may rest on.
pub struct CallFacts<'a> {
    /// The head.
    pub head: &'a Description,
    /// One per parameter.
    pub arguments: &'a [Extent],
    /// Between which speeds in rad/s the polygon was asked to turn.
    pub speed: Range,
    /// What is taken for granted, while it is looked whether a condition contradicts it.
    pub presumed: Option<Presumed>,
    /// The laser is surely armed; else it surely is not.
    pub lit: bool,
    /// The laser may be armed, which the head is then asked after each call.
    pub armed: bool,
    /// One per parameter: the argument itself where it is known whole, `Nothing` where it was left out.
    pub values: &'a [Option<Datum>],
    /// A list of records of numbers of which not all is known, with these in place of what is not.
    pub filled: &'a dyn Fn(usize, &[f64]) -> Option<Datum>,
    /// What is known of an image.
    pub images: &'a dyn Fn(&str) -> Option<ImageFact>,
    /// Whether a list is surely empty in all records of a kind that an argument holds.
    pub empty: &'a dyn Fn(usize, &str, &str) -> bool,
}

impl CallFacts<'_> {
    /// A whole number that the call itself refuses outside `1..=most`; `otherwise` where it was
    /// left out.
    fn whole(&self, index: usize, otherwise: f64, most: f64) -> f64 {
        match self.arguments.get(index) {
            Some(Extent::Absent) | None => otherwise,
            Some(extent) => extent.number().high.clamp(1.0, most),
        }
    }
}

/// What is wrong with a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Misuse {
    /// A value that the head cannot do, or that has no result.
    Value,
    /// A signal or channel that is not there.
    Unknown,
    /// One that cannot be used so.
    Signal,
}

/// Why a call is refused, whatever happens before it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Refused {
    /// The argument that is wrong.
    pub argument: usize,
    /// Why, in the words of the run.
    pub why: String,
    /// A way out, where there is one that always fits.
    pub help: Option<&'static str>,
    /// What is wrong.
    pub misuse: Misuse,
    /// It is wrong for the speed that the polygon was asked for.
    pub at_speed: bool,
}

impl Refused {
    pub(super) fn new(argument: usize, why: String) -> Refused {
        Refused { argument, why, help: None, misuse: Misuse::Value, at_speed: false }
    }
}

/// Says of a call what is surely wrong with it; nothing where it may go well.
pub(crate) type Judge = fn(&CallFacts<'_>) -> Option<Refused>;

/// Head time in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effort {
    /// Most that a call takes which comes back with a result.
    pub answered: f64,
    /// Most that it takes beyond that where it fails.
    pub failing: f64,
}

/// How long a call may take.
#[derive(Clone, Copy)]
pub enum TimeBound {
    /// It asks nothing of the head, and takes no head time.
    None,
    /// One answer of the head.
    Answer,
    /// One answer of a signal or a channel.
    Station,
    /// One answer; from then on the polygon is asked to turn at the first argument.
    Spin,
    /// One answer; from then on the polygon is asked for no speed.
    Halt,
    /// No head time itself, but at the end a polygon that coasts is left to run out.
    Keep,
    /// More: in words, and worked out.
    Work(&'static str, fn(&CallFacts<'_>) -> Effort),
}

/// What is known of a result before the script runs.
#[derive(Clone, Copy)]
pub enum ResultBound {
    /// Nothing.
    Unknown,
    /// It never falls where an argument rises: known between the results at both ends.
    Monotonic,
    /// Worked out.
    Computed(fn(&CallFacts<'_>) -> Extent),
    /// A record, of which some fields are worked out.
    Fields(fn(&CallFacts<'_>) -> Vec<(&'static str, Range)>),
    /// So many items of the first list.
    Items(fn(&CallFacts<'_>) -> Range),
    /// So many records, of which these lists stay empty.
    Records(fn(&CallFacts<'_>) -> (Range, &'static [&'static str])),
}

/// The effort of one answer. While armed a look follows, and disarming where that is lost.
pub(crate) fn answer(head: &Description, armed: bool) -> Effort {
    let times = head.times;
    let (calls, silent) = if armed { (2.0, 3.0) } else { (1.0, 1.0) };
    Effort { answered: calls * times.reply_most, failing: silent * times.silence_most }
}

/// The same of a signal or a channel, which may be behind a device of its own.
pub(crate) fn station(head: &Description, armed: bool) -> Effort {
    let Effort { answered, failing } = answer(head, armed);
    let more = head.times.station_reply_most() - head.times.reply_most;
    Effort { answered: answered + more, failing }
}

impl TimeBound {
    /// The effort of a call.
    pub fn effort(self, asked: &CallFacts<'_>) -> Effort {
        match self {
            TimeBound::None | TimeBound::Keep => Effort { answered: 0.0, failing: 0.0 },
            TimeBound::Answer | TimeBound::Spin | TimeBound::Halt => {
                answer(asked.head, asked.armed)
            }
            TimeBound::Station => station(asked.head, asked.armed),
            TimeBound::Work(_, effort) => effort(asked),
        }
    }

    /// In words.
    pub fn text(self) -> &'static str {
        match self {
            TimeBound::None => "no head time",
            TimeBound::Keep => {
                "no head time; at the end of the script, as long as the polygon coasts where it is not kept"
            }
            TimeBound::Answer | TimeBound::Station | TimeBound::Spin | TimeBound::Halt => {
                "one answer of the head, which is given up where it is silent"
            }
            TimeBound::Work(text, _) => text,
        }
    }
}

/// The slowest speed that the polygon may have been asked for.
fn slowest(asked: &CallFacts<'_>) -> f64 {
    asked.speed.low.max(asked.head.speed_least)
}

fn watched(asked: &CallFacts<'_>, otherwise: f64) -> Effort {
    let count = asked.whole(0, otherwise, 10_000.0);
    let answer = answer(asked.head, asked.armed);
    Effort {
        answered: answer.answered + asked.head.turns_most(count, slowest(asked)),
        failing: answer.failing,
    }
}

/// `turns(count)`.
pub(super) fn turns(asked: &CallFacts<'_>) -> Effort {
    watched(asked, 1.0)
}

/// `counted_facets(over)`.
pub(super) fn counted(asked: &CallFacts<'_>) -> Effort {
    watched(asked, 3.0)
}

/// `test_line(facet, plan, readings)`
pub(super) fn test_line(asked: &CallFacts<'_>) -> Effort {
    lines(asked, asked.whole(2, 1.0, 1000.0), 1.0)
}

/// `test_lines(plan, readings)`
pub(super) fn test_lines(asked: &CallFacts<'_>) -> Effort {
    lines(asked, asked.whole(1, 1.0, 1000.0), f64::from(asked.head.facets))
}

/// `line_map(facet, plan, places, readings)`
pub(super) fn line_map(asked: &CallFacts<'_>) -> Effort {
    lines(asked, asked.whole(3, 1.0, 1000.0), 1.0)
}

/// Of some facets: each reading may be lost three times in a row, and three more may be taken for those
/// that have a wild mark, which shows where there are several.
fn lines(asked: &CallFacts<'_>, readings: f64, facets: f64) -> Effort {
    let head = asked.head;
    let answer = answer(head, asked.armed);
    if head.times.sheet_most > 0.0 {
        // At most one sheet, a look at the head before and around each step of it.
        let answered = 9.0 * answer.answered + head.times.sheet_most;
        return Effort { answered, failing: 9.0 * head.times.silence_most };
    }
    let retries = f64::from(MAX_RETRIES);
    let readings = if readings > 1.0 { readings + retries } else { readings };
    let lines = facets * readings * (1.0 + retries);
    let line = head.expose_most(slowest(asked)) + head.times.reading_most + 2.0 * answer.answered;
    // The last call may end without a pulse or without a reading, and a look and disarming follow.
    let times = head.times;
    let silent = times.silence_most.max(times.pulse_silence_most).max(times.gauge_silence_most);
    // One look at the head and one at its trims come before all.
    let answered = 2.0 * answer.answered + lines * line;
    Effort { answered, failing: silent + 2.0 * times.silence_most }
}

/// Most lines of an image, where `expose` is not told how many.
pub(super) const LINES_USUAL: f64 = 5000.0;

/// Most lines that `expose` can be told.
pub(super) const MAX_LINES: f64 = 100_000.0;

/// `expose(image, plan, lines)`: one look at the head and, for a chart, one at its trims, then the page; a head that
/// does not get there, or falls silent, is given up.
pub(super) fn expose(asked: &CallFacts<'_>) -> Effort {
    let head = asked.head;
    let answer = answer(head, asked.armed);
    let lines = asked.whole(2, LINES_USUAL, MAX_LINES);
    let page = head.times.arming_most + head.page_most(lines, slowest(asked));
    let times = head.times;
    let silent = times.silence_most.max(times.pulse_silence_most);
    Effort { answered: 3.0 * answer.answered + page, failing: silent + 2.0 * times.silence_most }
}

/// `read_chart(chart, plan, scan, trims)`
pub(super) fn read_chart(_: &CallFacts<'_>) -> Effort {
    Effort { answered: MAX_READ, failing: 0.0 }
}

/// `draw_steadily(plan, lasting, facet)`: one look at the head comes before; the call itself returns at once.
pub(super) fn draw_steadily(asked: &CallFacts<'_>) -> Effort {
    let Effort { answered, failing } = answer(asked.head, asked.armed);
    Effort { answered: 2.0 * answered, failing }
}

/// A number that the description states.
pub(super) fn facet_count(asked: &CallFacts<'_>) -> Extent {
    Extent::Number(Range::only(f64::from(asked.head.facets)))
}

/// The numbers of the facets.
pub(super) fn facets(asked: &CallFacts<'_>) -> Extent {
    let count = f64::from(asked.head.facets);
    Extent::List { count: Range::only(count), values: Range { low: 0.0, high: count - 1.0 } }
}

/// One record per facet.
pub(super) fn per_facet(asked: &CallFacts<'_>) -> Extent {
    let count = Range::only(f64::from(asked.head.facets));
    Extent::List { count, values: Range::ANY }
}

/// One record per place of a map.
pub(super) fn per_place(asked: &CallFacts<'_>) -> Extent {
    let count = match asked.arguments.get(2) {
        Some(Extent::List { count, .. }) => *count,
        _ => Range { low: 1.0, high: MAX_MARKS as f64 },
    };
    Extent::List { count, values: Range::ANY }
}

/// One record per rail.
pub(super) fn per_rail(asked: &CallFacts<'_>) -> Extent {
    let count = Range::only(asked.head.rails.len() as f64);
    Extent::List { count, values: Range::ANY }
}

/// One record per turn.
pub(super) fn per_turn(asked: &CallFacts<'_>) -> (Range, &'static [&'static str]) {
    let count = Range { low: 1.0, high: asked.whole(0, 1.0, 10_000.0) };
    (count, if asked.head.detector.end_of_scan { &[] } else { &["ends"] })
}

/// A flag, where it is known.
fn flag(known: Option<bool>) -> Range {
    known.map_or(Range { low: 0.0, high: 1.0 }, |flag| Range::only(f64::from(flag)))
}

/// The speed that is measured.
fn measured(asked: &CallFacts<'_>) -> Range {
    match asked.presumed {
        Some(Presumed::Turning(range)) => range,
        _ => Range::ANY,
    }
}

fn is_turning(asked: &CallFacts<'_>) -> Option<bool> {
    matches!(asked.presumed, Some(Presumed::Turning(_))).then(|| measured(asked).low > 0.0)
}

/// `measured_speed()`
pub(super) fn turning(asked: &CallFacts<'_>) -> Extent {
    Extent::Number(measured(asked))
}

/// `locked()`
pub(super) fn locked(asked: &CallFacts<'_>) -> Extent {
    Extent::Number(flag(is_turning(asked)))
}

/// `at_rest()`
pub(super) fn at_rest(asked: &CallFacts<'_>) -> Extent {
    Extent::Number(flag(is_turning(asked).map(|turns| !turns)))
}

/// `status()`
pub(super) fn status(asked: &CallFacts<'_>) -> Vec<(&'static str, Range)> {
    let turns = is_turning(asked);
    let dark = matches!(asked.presumed, Some(Presumed::Dark));
    vec![
        ("armed", flag(dark.then_some(false))),
        ("at_rest", flag(turns.map(|turns| !turns))),
        ("interlock_closed", flag(None)),
        ("locked", flag(turns)),
        ("parked", flag(None)),
        ("speed", measured(asked)),
    ]
}

/// `drawing_steadily()`
pub(super) fn drawing(asked: &CallFacts<'_>) -> Extent {
    let idle = matches!(asked.presumed, Some(Presumed::Undrawn));
    Extent::Number(flag(idle.then_some(false)))
}

/// `channel(name)`
pub(super) fn reading(asked: &CallFacts<'_>) -> Extent {
    let name = asked.values.first().and_then(Option::as_ref).map(Datum::text);
    let channel = name.and_then(|name| find_channel(&asked.head.channels, name).ok());
    match (asked.presumed, channel) {
        (Some(Presumed::Channels), Some(channel)) => {
            Extent::Number(Range { low: channel.least, high: channel.most })
        }
        _ => Extent::Number(Range::ANY),
    }
}

/// How many elements.
pub(super) fn count(asked: &CallFacts<'_>) -> Extent {
    match asked.arguments.first() {
        Some(Extent::List { count, .. }) => Extent::Number(*count),
        _ => Extent::Unknown,
    }
}

/// An element of the list, or between its elements.
pub(super) fn among(asked: &CallFacts<'_>) -> Extent {
    match asked.arguments.first() {
        Some(Extent::List { values, .. }) => Extent::Number(*values),
        _ => Extent::Unknown,
    }
}

/// As many elements as in the first list.
pub(super) fn as_many(asked: &CallFacts<'_>) -> Range {
    match asked.arguments.first() {
        Some(Extent::List { count, .. }) => *count,
        _ => Range { low: 0.0, high: f64::INFINITY },
    }
}

/// `slice(list, first, end)`
pub(super) fn sliced(asked: &CallFacts<'_>) -> Range {
    let all = as_many(asked);
    let first = asked.arguments.get(1).map_or(Range::ANY, Extent::number);
    let end = match asked.arguments.get(2) {
        Some(Extent::Absent) | None => all,
        Some(end) => end.number(),
    };
    let low = (end.low - first.high).max(0.0);
    Range {
        low: if low.is_finite() { low } else { 0.0 },
        high: (end.high - first.low).min(all.high).max(0.0),
    }
}

/// The same elements.
pub(super) fn same(asked: &CallFacts<'_>) -> Extent {
    asked.arguments.first().copied().unwrap_or(Extent::Unknown)
}

/// The magnitude.
pub(super) fn magnitude(asked: &CallFacts<'_>) -> Extent {
    let Range { low, high } = asked.arguments.first().map_or(Range::ANY, Extent::number);
    let least = if low > 0.0 { low } else { (-high).max(0.0) };
    Extent::Number(Range { low: least, high: high.max(-low) })
}
