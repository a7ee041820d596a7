//! Values that make a line feasible: rounded so that they hold, tried as they are printed, and
//! dropped where they are out of the head's reach or break what held before.

use crate::optics::exact::is_too_far;
use crate::optics::limits::{Limit, Toward, breaks, broken, starts};
use crate::optics::line::{Decides, LinePlan, LineRequest, calculated};
use crate::units::{Dimension, UnitText, parse_quantity, parse_unit, show_quantity, suited_unit};

/// Digits of a value that is advised.
pub(crate) const DIGITS: i32 = 4;

/// How far from where a limit was reckoned to hold it is looked for: in steps that double from
/// the first, as shares.
const FIRST: f64 = 1e-4;
const LOOKS: i32 = 12;

/// Halvings between a value that fails and one that holds.
const HALVINGS: u32 = 14;

/// What can be turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Knob {
    /// Polygon speed.
    Speed,
    /// Dots per length.
    Resolution,
    /// Length of the line.
    Length,
    /// Share of the line period, where that was asked for.
    ActiveFraction,
    /// Another lens.
    FocalLength,
    /// A faster host.
    WordService,
}

/// What a script can ask of the head that it has.
const REACH: [Knob; 4] = [Knob::Speed, Knob::Resolution, Knob::Length, Knob::ActiveFraction];

/// A value that was tried.
#[derive(Clone, Debug)]
struct Tried {
    knob: Knob,
    toward: Toward,
    text: String,
    /// The dot clock makes the line as long as it should be there.
    is_exact: bool,
}

/// Finds what would make a plan feasible.
pub(crate) struct Advice<'a> {
    pub(crate) request: &'a LineRequest,
    pub(crate) plan: &'a LinePlan,
    /// What the plan breaks.
    pub(crate) limits: &'a [Limit],
}

impl Advice<'_> {
    /// One reason: what is wrong, and what makes it right.
    pub(crate) fn reason(&self, limit: Limit, fact: &str) -> String {
        let starts = starts(limit, self.plan, self.request);
        if starts.is_empty() {
            return fact.to_string();
        }
        let tried = starts
            .into_iter()
            .filter_map(|(knob, toward, start)| self.tried(&[limit], knob, toward, start));
        let (reach, beyond): (Vec<Tried>, Vec<Tried>) =
            tried.partition(|tried| REACH.contains(&tried.knob));
        let none = reach.is_empty();
        let ways: Vec<String> = reach.iter().chain(&beyond).map(Tried::way).collect();
        match (none, ways.is_empty()) {
            (false, _) => format!("{fact}: {}", joined(&ways)),
            (true, false) => format!("{fact}: {NOTHING}; {}", joined(&ways)),
            (true, true) => format!("{fact}: {NOTHING}"),
        }
    }

    /// Where several limits are broken: the one value at which everything holds, if there is one.
    pub(crate) fn everything(&self) -> Option<String> {
        if self.limits.len() < 2 {
            return None;
        }
        let found = || REACH.iter().filter_map(|knob| self.combined(*knob));
        let exact: Vec<String> = found().filter(|t| t.is_exact).map(|t| t.state()).collect();
        if !exact.is_empty() {
            return Some(format!("everything holds {}", joined(&exact)));
        }
        let found: Vec<String> = found().map(|t| t.state()).collect();
        if found.is_empty() {
            return Some(
                "no other speed, resolution or length alone makes all of this possible".to_string(),
            );
        }
        Some(format!(
            "all this holds {}, but not the length that the dot clock makes",
            joined(&found)
        ))
    }

    fn combined(&self, knob: Knob) -> Option<Tried> {
        let mut least: Option<f64> = None;
        let mut most: Option<f64> = None;
        for limit in self.limits {
            let all = starts(*limit, self.plan, self.request);
            let (_, toward, value) = all.into_iter().find(|(k, ..)| *k == knob)?;
            match toward {
                Toward::Less => most = Some(most.map_or(value, |m: f64| m.min(value))),
                Toward::More => least = Some(least.map_or(value, |l: f64| l.max(value))),
            }
        }
        // Where both sides are wanted there is nothing between, or `tried` finds it.
        match (most, least) {
            (Some(most), _) => self.tried(self.limits, knob, Toward::Less, most),
            (None, Some(least)) => self.tried(self.limits, knob, Toward::More, least),
            (None, None) => None,
        }
    }

    /// The value nearest to `start` on its good side that, as it is printed, keeps `limits` and
    /// breaks nothing that the plan keeps.
    fn tried(&self, limits: &[Limit], knob: Knob, toward: Toward, start: f64) -> Option<Tried> {
        let start = self.reached(knob, toward, start)?;
        let printed_and_tried = |value: f64, toward_good: Option<Toward>| {
            let (text, value) = printed(value, knob, toward_good, DIGITS)?;
            let is_exact = self.holds(limits, knob, value)?;
            Some(Tried { knob, toward, text, is_exact })
        };
        let tried = |value: f64| printed_and_tried(value, Some(toward));
        // The nearest value is good where the conditions leave room.
        if let Some(found) = printed_and_tried(start, None).or_else(|| tried(start)) {
            return Some(found);
        }
        let away = |share: f64| match toward {
            Toward::Less => start * (1.0 - share),
            Toward::More => start * (1.0 + share),
        };
        let mut bad = start;
        for look in 0..LOOKS {
            let value = away(FIRST * f64::from(1_u32 << look));
            if let Some(mut found) = tried(value) {
                let mut good = value;
                for _ in 0..HALVINGS {
                    let middle = bad + (good - bad) / 2.0;
                    match tried(middle) {
                        Some(closer) => (good, found) = (middle, closer),
                        None => bad = middle,
                    }
                }
                return Some(found);
            }
            bad = value;
        }
        None
    }

    /// What the head itself allows of a value; none where that leaves nothing.
    fn reached(&self, knob: Knob, toward: Toward, value: f64) -> Option<f64> {
        let (low, high) = match (knob, &self.request.hardware) {
            (Knob::Speed, Some(h)) => (h.speed_least, h.speed_most),
            (Knob::Length, Some(h)) => (0.0, h.line_most),
            _ => (0.0, f64::INFINITY),
        };
        let value = match toward {
            Toward::Less => value.min(high),
            Toward::More => value.max(low),
        };
        (value.is_finite() && value > 0.0 && value >= low && value <= high).then_some(value)
    }

    /// Whether the dot clock makes the line as long as it should be at a value, where that keeps the limits.
    fn holds(&self, limits: &[Limit], knob: Knob, value: f64) -> Option<bool> {
        let request = turned(self.request, knob, value);
        let hardware = request.hardware.as_ref();
        let plan = calculated(&request).ok()?;
        let holds = limits.iter().all(|limit| !breaks(*limit, &plan, hardware))
            && broken(&plan, hardware).iter().all(|limit| self.limits.contains(limit))
            && (knob != Knob::Speed || !breaks(Limit::Speed, &plan, hardware));
        let too_far = |hardware| is_too_far(&plan, hardware);
        holds.then(|| !hardware.is_some_and(too_far))
    }
}

const NOTHING: &str = "nothing that can be asked of this head helps";

impl Tried {
    /// As something to do.
    fn way(&self) -> String {
        let verb = match (self.knob, self.toward) {
            (Knob::Speed, Toward::Less) => "run at most at",
            (Knob::Speed, Toward::More) => "run at least at",
            (Knob::Resolution, Toward::Less) => "ask for at most",
            (Knob::Resolution, Toward::More) => "ask for at least",
            (Knob::Length, _) => "draw at most",
            (Knob::ActiveFraction, _) => "use an active fraction of at most",
            (Knob::FocalLength, _) => "use a focal length of at least",
            (Knob::WordService, _) => "serve a word within",
        };
        format!("{verb} {}", self.text)
    }

    /// As a state in which all is well.
    fn state(&self) -> String {
        match self.knob {
            Knob::Length => format!("with a line of {}", self.text),
            Knob::ActiveFraction => format!("with an active fraction of {}", self.text),
            _ => format!("at {}", self.text),
        }
    }
}

pub(crate) fn joined(ways: &[String]) -> String {
    match ways {
        [] => String::new(),
        [one] => one.clone(),
        [first, second] => format!("{first}, or {second}"),
        [first, rest @ ..] => format!("{first}, {}", joined(rest)),
    }
}

/// The request with one value changed.
pub(crate) fn turned(request: &LineRequest, knob: Knob, value: f64) -> LineRequest {
    let mut turned = *request;
    match knob {
        Knob::Speed => turned.speed = value,
        Knob::Resolution => turned.resolution = value,
        Knob::Length => turned.length = value,
        Knob::ActiveFraction => turned.decides = Decides::ActiveFraction(value),
        Knob::FocalLength => turned.decides = Decides::FocalLength(value),
        Knob::WordService => {
            if let Some(hardware) = &mut turned.hardware {
                hardware.word_service = value;
            }
        }
    }
    turned
}

/// A value with so many digits, rounded towards the good side or else to the nearest, and what the text
/// stands for.
pub(crate) fn printed(
    value: f64,
    knob: Knob,
    toward_good: Option<Toward>,
    digits: i32,
) -> Option<(String, f64)> {
    let dimension = match knob {
        Knob::Speed => Dimension::ROTATION,
        Knob::Resolution => Dimension::RESOLUTION,
        Knob::Length | Knob::FocalLength => Dimension::LENGTH,
        Knob::ActiveFraction => Dimension::NUMBER,
        Knob::WordService => Dimension::TIME,
    };
    let unit: UnitText = match knob {
        Knob::ActiveFraction => parse_unit("%").ok()?,
        _ => suited_unit(value, dimension)?,
    };
    let number = unit.from_si(value);
    if !(number.is_finite() && number > 0.0) {
        return None;
    }
    let digits = digits - 1 - libm::log10(number).floor() as i32;
    // Powers of ten are exact as long as they are whole.
    let (up, down) = match digits {
        0.. => (libm::pow(10.0, f64::from(digits)), 1.0),
        _ => (1.0, libm::pow(10.0, f64::from(-digits))),
    };
    // What a unit's factor leaves in the last bits does not cost a digit.
    let scaled = number * up / down;
    let scaled = match toward_good {
        None => scaled.round(),
        Some(Toward::Less) => (scaled * (1.0 + 1e-12)).floor(),
        Some(Toward::More) => (scaled * (1.0 - 1e-12)).ceil(),
    };
    let text = show_quantity(unit.to_si(scaled * down / up), dimension, Some(&unit), None);
    let value = parse_quantity(&text).ok()?.0;
    Some((text, value))
}
