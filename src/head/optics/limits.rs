//! Why a line plan is not feasible, in plain words, each with what would make it feasible.
//! What is advised has been tried: `advice.rs` plans anew with the very value that is printed.

use crate::optics::ClockError;
use crate::optics::advice::{Advice, Knob};
use crate::optics::line::{
    DOTS_PER_WORD, Decides, Hardware, LinePlan, LineRequest, queue_needed, speed_of,
};
use crate::units::{Dimension, UnitText, parse_unit, show_quantity};
use core::f64::consts::PI;

/// A share that differs in the last digits only is the same share.
const SAME: f64 = 1.0 + 1e-9;

/// What can make a plan infeasible.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Limit {
    /// The line takes more of its period than the optics can use.
    ActiveFraction,
    /// It takes a wider angle than a flat field has.
    FlatField,
    /// It is longer than lens and medium allow.
    Length,
    /// The polygon does not run at this speed.
    Speed,
    /// The dot clock cannot be made.
    Clock,
    /// A dot is shorter than the laser can make.
    Dot,
    /// The host does not serve a line's words within a line period.
    Average,
    /// The queue does not hold what the host cannot add while the line is drawn.
    Queue,
    /// In-scan trims do not move a line as far as they must.
    InScanReach,
    /// Cross-scan trims do not.
    CrossScanReach,
}

/// A value to be tried: what is turned, whether the values up to it are good or those from it on.
pub(crate) type Start = (Knob, Toward, f64);

/// Which side of a value is the good one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Toward {
    /// At most the value.
    Less,
    /// At least the value.
    More,
}

const ALL: [Limit; 10] = [
    Limit::ActiveFraction,
    Limit::FlatField,
    Limit::Length,
    Limit::Speed,
    Limit::Clock,
    Limit::Dot,
    Limit::Average,
    Limit::Queue,
    Limit::InScanReach,
    Limit::CrossScanReach,
];

fn active_most(hardware: Option<&Hardware>) -> f64 {
    hardware.map_or(1.0, |h| h.active_most.min(1.0))
}

/// The limits that a plan breaks.
pub(crate) fn broken(plan: &LinePlan, hardware: Option<&Hardware>) -> Vec<Limit> {
    ALL.into_iter().filter(|limit| breaks(*limit, plan, hardware)).collect()
}

/// Whether a plan breaks a limit.
pub(crate) fn breaks(limit: Limit, plan: &LinePlan, hardware: Option<&Hardware>) -> bool {
    match (limit, hardware) {
        (Limit::ActiveFraction, _) => plan.active_fraction > active_most(hardware) * SAME,
        (Limit::FlatField, _) => plan.line_angle >= PI,
        (_, None) => false,
        (Limit::Length, Some(h)) => plan.length > h.line_most * SAME,
        (Limit::Speed, Some(h)) => {
            plan.speed > h.speed_most * SAME || plan.speed * SAME < h.speed_least
        }
        (Limit::Clock, Some(h)) => h.clock.nearest(plan.dot_period).is_err(),
        (Limit::Dot, Some(h)) => plan.dot_period * SAME < h.dot_least,
        (Limit::Average, Some(h)) => words_take(plan, h) > plan.line_period * (1.0 + 1e-12),
        (Limit::Queue, Some(h)) => plan.queue_needed > h.queue_words,
        (Limit::InScanReach, Some(h)) => plan.in_scan_reach * SAME < h.min_trim_reach,
        (Limit::CrossScanReach, Some(h)) => plan.cross_scan_reach * SAME < h.min_trim_reach,
    }
}

/// Time in which the host serves a line's words, in s.
fn words_take(plan: &LinePlan, hardware: &Hardware) -> f64 {
    f64::from(plan.words) * hardware.word_service
}

/// All reasons; none for a feasible plan.
pub(crate) fn reasons(plan: &LinePlan, request: &LineRequest) -> Vec<String> {
    let limits = broken(plan, request.hardware.as_ref());
    if limits.is_empty() {
        return Vec::new();
    }
    let advice = Advice { request, plan, limits: &limits };
    let mut reasons: Vec<String> =
        limits.iter().map(|limit| advice.reason(*limit, &fact(*limit, plan, request))).collect();
    reasons.extend(advice.everything());
    reasons
}

/// What is wrong, in plain words.
fn fact(limit: Limit, plan: &LinePlan, request: &LineRequest) -> String {
    let quantity = |value, dimension| show_quantity(value, dimension, None, None);
    let length = |value| quantity(value, Dimension::LENGTH);
    let time = |value| quantity(value, Dimension::TIME);
    let speed = |value| quantity(value, Dimension::ROTATION);
    let reach = |axis, reach, least| {
        let (reach, least) = (length(reach), length(least));
        format!("{axis} trims move a line by {reach} at most, but {least} is needed")
    };
    let percent: Option<UnitText> = parse_unit("%").ok();
    let share = |value| show_quantity(value, Dimension::NUMBER, percent.as_ref(), Some(1));
    match (limit, &request.hardware) {
        (Limit::ActiveFraction, hardware) => format!(
            "the line takes {} of the line period, but the optics can use {}",
            share(plan.active_fraction),
            share(active_most(hardware.as_ref()))
        ),
        (Limit::FlatField, _) => format!(
            "the line takes {} deg of optical angle, more than any flat field",
            show_quantity(plan.line_angle.to_degrees(), Dimension::NUMBER, None, Some(1))
        ),
        (Limit::Length, Some(h)) => format!(
            "the line is {} long, but lens and medium allow {}",
            length(plan.length),
            length(h.line_most)
        ),
        (Limit::Speed, Some(h)) => format!(
            "the polygon runs at {} to {}, not at {}",
            speed(h.speed_least),
            speed(h.speed_most),
            speed(plan.speed)
        ),
        (Limit::Clock, Some(h)) => {
            h.clock.nearest(plan.dot_period).err().map(|e| e.to_string()).unwrap_or_default()
        }
        (Limit::Dot, Some(h)) => format!(
            "a dot takes {}, but the laser needs {}",
            time(plan.dot_period),
            time(h.dot_least)
        ),
        (Limit::Average, Some(h)) => format!(
            "the host needs {} for the {} words of a line, but a line comes every {}",
            time(words_take(plan, h)),
            plan.words,
            time(plan.line_period)
        ),
        (Limit::Queue, Some(h)) if h.queue_words == 0 => {
            "the head has no word queue: no line can start without a first word".to_string()
        }
        (Limit::Queue, Some(h)) => format!(
            "{} words must be queued when the line starts, but the queue holds {}",
            plan.queue_needed, h.queue_words
        ),
        (Limit::InScanReach, Some(h)) => reach("in-scan", plan.in_scan_reach, h.min_trim_reach),
        (Limit::CrossScanReach, Some(h)) => {
            reach("cross-scan", plan.cross_scan_reach, h.min_trim_reach)
        }
        (_, None) => String::new(),
    }
}

/// Where the conditions, turned round, say that a limit begins to hold.
pub(crate) fn starts(limit: Limit, plan: &LinePlan, request: &LineRequest) -> Vec<Start> {
    use Knob::{ActiveFraction, FocalLength, Length, Resolution, Speed, WordService};
    use Toward::{Less, More};
    let hardware = request.hardware.as_ref();
    let per_facet = 4.0 * PI / f64::from(plan.facets);
    let wide = |longest: f64, shortest: f64, share: f64| match request.decides {
        Decides::FocalLength(_) => {
            let longest = longest.min(hardware.map_or(f64::INFINITY, |h| h.line_most));
            vec![(Length, Less, longest), (FocalLength, More, shortest)]
        }
        Decides::ActiveFraction(_) => vec![(ActiveFraction, Less, share)],
    };
    match (limit, hardware) {
        (Limit::ActiveFraction, _) => {
            let most = active_most(hardware);
            let longest = most * per_facet * plan.focal_length;
            wide(longest, plan.focal_length * plan.active_fraction / most, most)
        }
        (Limit::FlatField, _) => {
            let widest = PI * (1.0 - 1e-9);
            wide(widest * plan.focal_length, plan.length / widest, widest / per_facet)
        }
        (_, None) => Vec::new(),
        (Limit::Length, Some(h)) => vec![(Length, Less, h.line_most)],
        (Limit::Speed, Some(h)) if plan.speed > h.speed_most => vec![(Speed, Less, h.speed_most)],
        (Limit::Speed, Some(h)) => vec![(Speed, More, h.speed_least)],
        (Limit::Clock, Some(h)) => match h.clock.nearest(plan.dot_period) {
            Err(ClockError::Outside { shortest, .. }) if plan.dot_period < shortest => {
                longer_dots(plan, shortest)
            }
            Err(ClockError::Outside { longest, .. }) => vec![
                (Speed, More, plan.speed * plan.dot_period / longest),
                (Resolution, More, (plan.active_time / longest).ceil() / plan.length),
            ],
            _ => Vec::new(),
        },
        (Limit::Dot, Some(h)) => longer_dots(plan, h.dot_least),
        (Limit::Average, Some(h)) => {
            let words = (plan.line_period / h.word_service).floor();
            vec![
                (Speed, Less, speed_of(1.0 / words_take(plan, h), plan.facets)),
                (Resolution, Less, words * f64::from(DOTS_PER_WORD) / plan.length),
                (WordService, Less, plan.line_period / f64::from(plan.words)),
            ]
        }
        (Limit::Queue, Some(h)) => queue(plan, h),
        (Limit::InScanReach, Some(h)) => {
            let times = h.min_trim_reach / plan.in_scan_reach;
            vec![(Speed, More, plan.speed * times), longer_lens(plan, request, times)]
        }
        (Limit::CrossScanReach, Some(h)) => {
            vec![longer_lens(plan, request, h.min_trim_reach / plan.cross_scan_reach)]
        }
    }
}

/// Where the focal length is so many times as long.
fn longer_lens(plan: &LinePlan, request: &LineRequest, times: f64) -> Start {
    match request.decides {
        Decides::FocalLength(f) => (Knob::FocalLength, Toward::More, f * times),
        Decides::ActiveFraction(_) => {
            (Knob::ActiveFraction, Toward::Less, plan.active_fraction / times)
        }
    }
}

/// Where dots begin to take as long as the shortest that can be made, in s.
fn longer_dots(plan: &LinePlan, shortest: f64) -> Vec<Start> {
    vec![
        (Knob::Speed, Toward::Less, plan.speed * plan.dot_period / shortest),
        (Knob::Resolution, Toward::Less, (plan.active_time / shortest).floor() / plan.length),
    ]
}

/// Where the queue begins to hold what is needed.
fn queue(plan: &LinePlan, hardware: &Hardware) -> Vec<Start> {
    let depth = hardware.queue_words;
    if depth == 0 {
        return Vec::new();
    }
    // While the host adds words − depth of them, words − 1 are taken.
    let (added, taken) = (
        f64::from(plan.words.saturating_sub(depth).max(1)),
        f64::from(plan.words.saturating_sub(1).max(1)),
    );
    let word_period = f64::from(DOTS_PER_WORD) * plan.made_dot_period;
    let fits = |dots: u32| {
        let period = f64::from(DOTS_PER_WORD) * plan.active_time / f64::from(dots.max(1));
        queue_needed(dots.div_ceil(DOTS_PER_WORD), period, hardware.word_service) <= depth
    };
    let (mut low, mut high) = (1, plan.dots);
    while low < high {
        let middle = low + (high - low).div_ceil(2);
        if fits(middle) {
            low = middle;
        } else {
            high = middle - 1;
        }
    }
    vec![
        (
            Knob::Speed,
            Toward::Less,
            plan.speed * word_period * taken / hardware.word_service / added,
        ),
        (Knob::Resolution, Toward::Less, f64::from(low) / plan.length),
        (Knob::WordService, Toward::Less, word_period * taken / added),
    ]
}
