//! Line planning: from facets, speed, lens and resolution to clocks, delays and feasibility.
//!
//! What makes a plan infeasible is worded in `limits.rs`.

use crate::optics::geometry::{line_rate, optical_scan_angle, spot_velocity};
use crate::optics::{Clock, LineScale, StartOfScan};
use crate::units::{Dimension, noise_of, show_quantity};
use core::f64::consts::{PI, TAU};
use thiserror::Error;

/// Dots in one 32-dot word.
pub const DOTS_PER_WORD: u32 = 32;

/// Most dots in a line; more is a mistake in a unit.
pub const MAX_DOTS: u32 = 10_000_000;

/// Which of the two decides; the other follows from v = 2·ω·f = L·line rate/η.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decides {
    /// Focal length of the f-theta lens in m.
    FocalLength(f64),
    /// Share of the line period in which dots are drawn, 0 to 1.
    ActiveFraction(f64),
}

/// What the head's hardware allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hardware {
    /// The dot clock.
    pub clock: Clock,
    /// Shortest time per dot that the laser can make, in s; 0 where it does not say.
    pub dot_least: f64,
    /// Time in which the host serves one 32-dot word, in s.
    pub word_service: f64,
    /// Depth of the word queue.
    pub queue_words: u32,
    /// Largest active fraction that the optics can use.
    pub active_most: f64,
    /// Longest line that lens and medium allow, in m.
    pub line_most: f64,
    /// Lowest polygon speed in rad/s.
    pub speed_least: f64,
    /// Highest polygon speed in rad/s.
    pub speed_most: f64,
    /// Which facets give a start-of-scan pulse.
    pub start_of_scan: StartOfScan,
    /// Largest error in m that the dot clock may leave of a line's length.
    pub length_error_most: f64,
    /// Largest in-scan trim either way, in s.
    pub in_scan_range: f64,
    /// Largest cross-scan trim either way, in rad (mechanical).
    pub cross_scan_range: f64,
    /// How far in m trims must be able to move a line either way; 0 where nothing is asked of them.
    pub min_trim_reach: f64,
    /// Share of its length that trims make a line longer or shorter; 0 without them.
    pub length_trim: f64,
}

/// Largest error in m that the dot clock may leave of a line's length, where nothing else is asked for (our
/// choice).
pub(crate) const MAX_LENGTH_ERROR: f64 = 0.1e-3;

/// What is to be planned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineRequest {
    /// Facets of the polygon.
    pub facets: u32,
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Focal length or active fraction.
    pub decides: Decides,
    /// Length of the line in m.
    pub length: f64,
    /// Dots per metre, both ways.
    pub resolution: f64,
    /// What the hardware allows; without it only the optics judge.
    pub hardware: Option<Hardware>,
}

/// How a line is drawn, and whether it can be.
///
/// `…_whole` averages over the whole line period, the others hold inside the active time.
#[derive(Clone, Debug, PartialEq)]
pub struct LinePlan {
    /// Facets of the polygon.
    pub facets: u32,
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Length of the line in m, as asked.
    pub length: f64,
    /// Dots per metre, as asked.
    pub resolution: f64,
    /// Lines per second in Hz: N·ω/2π (derived).
    pub line_rate: f64,
    /// Time from one line to the next in s: its inverse.
    pub line_period: f64,
    /// Dots in the line: length · resolution, rounded to whole dots.
    pub dots: u32,
    /// 32-dot words in the line, the last one padded.
    pub words: u32,
    /// Zero bits that pad the last word.
    pub padding_bits: u32,
    /// Speed of the spot in m/s: v = 2·ω·f (f-theta law x = f·θ).
    pub spot_velocity: f64,
    /// Share of the line period in which dots are drawn: η = L·line rate/v (derived).
    pub active_fraction: f64,
    /// Time in which dots are drawn in s: η·period.
    pub active_time: f64,
    /// Focal length in m: f = L·line rate/(η·2·ω) (derived).
    pub focal_length: f64,
    /// Optical angle that one facet sweeps in rad: 4π/N (derived).
    pub scan_angle: f64,
    /// Optical angle that the line takes of it in rad: L/f.
    pub line_angle: f64,
    /// Time per dot in s: active time/dots, so that the dots fill the length exactly.
    pub dot_period: f64,
    /// Dot clock in Hz: its inverse.
    pub dot_clock: f64,
    /// Time per dot over the whole line period in s: the budget that dots have on average.
    pub dot_period_whole: f64,
    /// Dots per second over the whole line period, in Hz.
    pub dot_clock_whole: f64,
    /// Time per 32-dot word in s.
    pub word_period: f64,
    /// Words per second in Hz.
    pub word_rate: f64,
    /// Time per 32-dot word over the whole line period in s.
    pub word_period_whole: f64,
    /// Words per second over the whole line period, in Hz.
    pub word_rate_whole: f64,
    /// From start of scan to the first dot in s: half of what the line leaves of the period,
    /// the other half follows the line, so that the line lies in the middle of the sweep
    /// (our choice). Zero where nothing is left.
    pub pre_scan_delay: f64,
    /// From dot to dot along the line in m: length/dots.
    pub in_scan_pitch: f64,
    /// From line to line in m: 1/resolution.
    pub cross_scan_pitch: f64,
    /// Time per dot that the clock makes in s; as `dot_period` without hardware or where the
    /// clock cannot make it.
    pub made_dot_period: f64,
    /// Dot clock as made, in Hz.
    pub made_dot_clock: f64,
    /// Made length less asked length in m: dots · (made − asked dot period) · v (derived).
    pub length_error: f64,
    /// The same over the length.
    pub length_error_relative: f64,
    /// Words that must stand in the queue when the line starts, so that it never runs dry
    /// while the host goes on serving one word each service time; 0 without hardware.
    pub queue_needed: u32,
    /// How far in-scan trims move the line either way in m: v·range. No number without hardware.
    pub in_scan_reach: f64,
    /// How far cross-scan trims move it either way in m: 2·f·range, since a mirror turns the beam by
    /// twice its own angle. No number without hardware.
    pub cross_scan_reach: f64,
    /// Shift along the line in m per rad of a facet's division error: 2·f where only the
    /// index starts lines, 0 to first order with a start-of-scan pulse on every facet, the
    /// default (Beiser, *Unified Optical Scanning Technology* 4.3; factor derived).
    pub division_shift: f64,
    /// The line can be drawn, and trims reach as far as they must.
    pub feasible: bool,
    /// Why not, one sentence each, with what would make it feasible.
    pub reasons: Vec<String>,
}

impl LinePlan {
    /// What turns a shift of this line into a trim.
    pub fn scale(&self) -> LineScale {
        LineScale {
            spot_velocity: self.spot_velocity,
            focal_length: self.focal_length,
            length: self.length,
        }
    }
}

/// Why no plan can be made at all.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("{0}")]
pub struct PlanError(String);

fn positive(what: &str, value: f64, dimension: Dimension) -> Result<f64, PlanError> {
    if value.is_finite() && value > 0.0 {
        return Ok(value);
    }
    let value = show_quantity(value, dimension, None, None);
    Err(PlanError(format!("the {what} must be a finite value greater than zero, not {value}")))
}

/// Plans a line without a word on whether it is feasible.
pub(crate) fn calculated(request: &LineRequest) -> Result<LinePlan, PlanError> {
    let LineRequest { facets, decides, hardware, .. } = *request;
    if !(1..=1000).contains(&facets) {
        return Err(PlanError(format!("a polygon has 1 to 1000 facets, not {facets}")));
    }
    let speed = positive("polygon speed", request.speed, Dimension::ROTATION)?;
    let length = positive("line length", request.length, Dimension::LENGTH)?;
    let resolution = positive("resolution", request.resolution, Dimension::RESOLUTION)?;
    let dots = dots_in(length, resolution)?;
    let line_rate = line_rate(facets, speed);
    let line_period = 1.0 / line_rate;
    // η = L·N/(4π·f): the speed cancels.
    let share = length * f64::from(facets) / (4.0 * PI);
    let (active_fraction, focal_length) = match decides {
        Decides::FocalLength(f) => {
            let f = positive("focal length", f, Dimension::LENGTH)?;
            (share / f, f)
        }
        Decides::ActiveFraction(eta) => {
            let eta = positive("active fraction", eta, Dimension::NUMBER)?;
            if eta > 1.0 {
                let why = format!("the active fraction must be above 0 and at most 1, not {eta}");
                return Err(PlanError(why));
            }
            (eta, share / eta)
        }
    };
    let spot_velocity = spot_velocity(speed, focal_length);
    let active_time = active_fraction * line_period;
    let count = f64::from(dots);
    let dot_period = active_time / count;
    let dot_period_whole = line_period / count;
    let words = dots.div_ceil(DOTS_PER_WORD);
    let per_word = f64::from(DOTS_PER_WORD);
    let mut plan = LinePlan {
        facets,
        speed,
        length,
        resolution,
        line_rate,
        line_period,
        dots,
        words,
        padding_bits: words * DOTS_PER_WORD - dots,
        spot_velocity,
        active_fraction,
        active_time,
        focal_length,
        scan_angle: optical_scan_angle(facets),
        line_angle: length / focal_length,
        dot_period,
        dot_clock: 1.0 / dot_period,
        dot_period_whole,
        dot_clock_whole: 1.0 / dot_period_whole,
        word_period: per_word * dot_period,
        word_rate: 1.0 / (per_word * dot_period),
        word_period_whole: per_word * dot_period_whole,
        word_rate_whole: 1.0 / (per_word * dot_period_whole),
        pre_scan_delay: ((1.0 - active_fraction) * line_period / 2.0).max(0.0),
        in_scan_pitch: length / count,
        cross_scan_pitch: 1.0 / resolution,
        made_dot_period: dot_period,
        made_dot_clock: 1.0 / dot_period,
        length_error: 0.0,
        length_error_relative: 0.0,
        queue_needed: 0,
        in_scan_reach: f64::NAN,
        cross_scan_reach: f64::NAN,
        division_shift: 0.0,
        feasible: true,
        reasons: Vec::new(),
    };
    usable(&plan)?;
    if let Some(hardware) = hardware {
        check_hardware(&hardware)?;
        if let Ok(made) = hardware.clock.nearest(dot_period) {
            plan.made_dot_period = made.period;
            plan.made_dot_clock = 1.0 / made.period;
            // Less comes of rounding here: the clock makes this period.
            let is_exact = made.error.abs() <= noise_of(dot_period);
            let error = if is_exact { 0.0 } else { made.error };
            plan.length_error = count * error * spot_velocity;
            plan.length_error_relative = plan.length_error / length;
        }
        plan.queue_needed =
            queue_needed(words, per_word * plan.made_dot_period, hardware.word_service);
        plan.in_scan_reach = spot_velocity * hardware.in_scan_range;
        plan.cross_scan_reach = 2.0 * focal_length * hardware.cross_scan_range;
        if hardware.start_of_scan == StartOfScan::IndexOnly {
            plan.division_shift = 2.0 * focal_length;
        }
    }
    Ok(plan)
}

fn dots_in(length: f64, resolution: f64) -> Result<u32, PlanError> {
    let dots = (length * resolution).round();
    if dots < 1.0 {
        let why = "the line is shorter than one dot: make it longer or the resolution finer";
        Err(PlanError(why.to_string()))
    } else if dots > f64::from(MAX_DOTS) {
        Err(PlanError(format!(
            "the line would have {dots:.0} dots, more than {MAX_DOTS}: check the units of its length and \
             resolution"
        )))
    } else {
        Ok(dots as u32)
    }
}

fn usable(plan: &LinePlan) -> Result<(), PlanError> {
    let good = |v: f64| v.is_finite() && v > 0.0;
    let all = [
        ("line rate", plan.line_rate),
        ("line period", plan.line_period),
        ("focal length", plan.focal_length),
        ("spot velocity", plan.spot_velocity),
        ("active fraction", plan.active_fraction),
        ("dot period", plan.dot_period),
        ("dot clock", plan.dot_clock),
        ("cross-scan pitch", plan.cross_scan_pitch),
    ];
    match all.into_iter().find(|(_, v)| !good(*v)) {
        Some((what, _)) => {
            Err(PlanError(format!("these values give no usable {what}: check their units")))
        }
        None => Ok(()),
    }
}

fn check_hardware(hardware: &Hardware) -> Result<(), PlanError> {
    positive("word service time", hardware.word_service, Dimension::TIME)?;
    positive("largest active fraction", hardware.active_most, Dimension::NUMBER)?;
    positive("longest line", hardware.line_most, Dimension::LENGTH)?;
    positive("highest polygon speed", hardware.speed_most, Dimension::ROTATION)?;
    positive("lowest polygon speed", hardware.speed_least, Dimension::ROTATION)?;
    positive("largest length error", hardware.length_error_most, Dimension::LENGTH)?;
    // Zero asks nothing of trims.
    let reach = hardware.min_trim_reach;
    if !(reach.is_finite() && reach >= 0.0) {
        let reach = show_quantity(reach, Dimension::LENGTH, None, None);
        return Err(PlanError(format!("the reach of trims must be zero or more, not {reach}")));
    }
    positive("master clock", hardware.clock.master, Dimension::FREQUENCY)?;
    Ok(())
}

/// Words that must be queued when a line of `words` starts, so that the queue never runs dry
/// while the line takes one word each `word_period` and the host adds one each `service`.
///
/// Word k (from 0) is taken at k·word_period; by then the host has added
/// ⌊k·word_period/service⌋, the first of them a full service time after the start, the worst
/// phase. The largest k + 1 − ⌊k·word_period/service⌋ is needed. Where the host is slower than
/// the line it grows with k, so the last word decides; else the first (derived).
pub fn queue_needed(words: u32, word_period: f64, service: f64) -> u32 {
    let last = words.saturating_sub(1);
    let ratio = f64::from(last) * word_period / service;
    // A word that comes in the very moment it is taken counts, whatever the last bit says.
    let added = (ratio * (1.0 + 1e-12)).floor().min(f64::from(last));
    words.saturating_sub(added as u32).max(1)
}

/// Turns a line rate in Hz into a polygon speed in rad/s.
pub(crate) fn speed_of(line_rate: f64, facets: u32) -> f64 {
    line_rate * TAU / f64::from(facets)
}

#[cfg(test)]
mod tests {
    use super::{Decides, Hardware, LineRequest, MAX_LENGTH_ERROR, queue_needed};
    use crate::optics::{Clock, ClockKind, StartOfScan, plan_line};
    use core::f64::consts::TAU;

    fn hardware() -> Hardware {
        Hardware {
            clock: Clock { master: 480e6, kind: ClockKind::Divider { least: 16, most: 4095 } },
            dot_least: 0.0,
            word_service: 10e-6,
            queue_words: 64,
            active_most: 0.7,
            line_most: 0.33,
            speed_least: 20.0,
            speed_most: 640.0,
            start_of_scan: StartOfScan::EveryFacet,
            length_error_most: MAX_LENGTH_ERROR,
            in_scan_range: 1e-6,
            cross_scan_range: 500e-6,
            min_trim_reach: 0.0,
            length_trim: 0.0,
        }
    }

    fn request() -> LineRequest {
        on(hardware())
    }

    fn on(hardware: Hardware) -> LineRequest {
        LineRequest {
            facets: 10,
            speed: 80.0 * TAU,
            decides: Decides::FocalLength(0.4042536),
            length: 0.3048,
            resolution: 300.0 / 0.0254,
            hardware: Some(hardware),
        }
    }

    /// Serves and takes word by word.
    fn runs_dry(queued: u32, words: u32, word_period: f64, service: f64) -> bool {
        (0..words).any(|k| {
            let added = (f64::from(k) * word_period / service * (1.0 + 1e-12)).floor();
            f64::from(queued) + added < f64::from(k) + 1.0
        })
    }

    #[test]
    fn the_queue_is_just_deep_enough() {
        for words in [1, 2, 3, 31, 113, 450] {
            for (period, service) in
                [(6.6, 10.0), (1.0, 1.0), (3.0, 1.0), (1.0, 700.0), (9.9, 10.0)]
            {
                let needed = queue_needed(words, period, service);
                assert!(!runs_dry(needed, words, period, service), "{words} {period}");
                assert!(runs_dry(needed - 1, words, period, service), "{words} {period}");
            }
        }
    }

    #[test]
    fn the_usual_line_is_feasible() {
        let plan = plan_line(&request()).unwrap();
        assert_eq!(plan.reasons, Vec::<String>::new());
        assert!(plan.feasible);
        assert!(plan.length_error.abs() < 1e-7, "{}", plan.length_error);
        // 113 words at 6.667 us, the host adds one each 10 us.
        assert_eq!(plan.queue_needed, 39);
    }

    #[test]
    fn a_coarse_clock_shows_in_the_length() {
        let clock = Clock { master: 100e6, ..hardware().clock };
        let coarse = Hardware { clock, ..hardware() };
        let plan = plan_line(&on(coarse)).unwrap();
        // 208.333 ns becomes 210 ns.
        assert!((plan.length_error_relative - 0.008).abs() < 1e-6);
        assert!((plan.length_error - 0.3048 * 0.008).abs() < 1e-6);
        assert!(!plan.feasible);
        // Length trims of 1 % take that.
        let trimmed = Hardware { length_trim: 0.01, ..coarse };
        assert!(plan_line(&on(trimmed)).unwrap().feasible);
    }

    #[test]
    fn bad_values_are_named() {
        let with = |f: fn(&mut LineRequest)| {
            let mut r = request();
            f(&mut r);
            plan_line(&r).unwrap_err().to_string()
        };
        assert!(with(|r| r.facets = 0).contains("not 0"));
        assert!(with(|r| r.speed = f64::NAN).contains("polygon speed"));
        assert!(with(|r| r.speed = -1.0).contains("polygon speed"));
        assert!(with(|r| r.length = 0.0).contains("line length"));
        assert!(with(|r| r.length = 1e-9).contains("shorter than one dot"));
        assert!(with(|r| r.length = 1e6).contains("check the units"));
        assert!(with(|r| r.resolution = f64::INFINITY).contains("resolution"));
        assert!(with(|r| r.decides = Decides::ActiveFraction(1.5)).contains("1.5"));
        assert!(with(|r| r.decides = Decides::FocalLength(-0.3)).contains("focal length"));
        assert!(with(|r| r.speed = 1e-320).contains("no usable"));
        let slow = Hardware { word_service: 0.0, ..hardware() };
        let why = plan_line(&on(slow)).unwrap_err().to_string();
        assert!(why.starts_with("the word service time must be"), "{why}");
        for min_trim_reach in [-60e-6, f64::NAN, f64::INFINITY] {
            let asked = Hardware { min_trim_reach, ..hardware() };
            let why = plan_line(&on(asked)).unwrap_err().to_string();
            assert!(why.starts_with("the reach of trims must be"), "{why}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_values_give_a_plan_in_finite_numbers_or_an_error(
            facets in 0_u32..1200,
            speed in proptest::num::f64::ANY,
            length in -1e3_f64..1e3,
            share in proptest::num::f64::ANY,
            lens in proptest::bool::ANY,
            resolution in proptest::num::f64::ANY,
            service in 1e-12_f64..1.0,
        ) {
            let request = LineRequest {
                facets,
                speed,
                decides: if lens {
                    Decides::FocalLength(share)
                } else {
                    Decides::ActiveFraction(share)
                },
                length,
                resolution,
                hardware: Some(Hardware { word_service: service, ..hardware() }),
            };
            if let Ok(plan) = plan_line(&request) {
                let all = [
                    plan.line_rate, plan.line_period, plan.spot_velocity, plan.active_fraction,
                    plan.focal_length, plan.dot_clock, plan.word_rate, plan.pre_scan_delay,
                    plan.made_dot_period, plan.length_error, plan.in_scan_pitch,
                ];
                proptest::prop_assert!(all.iter().all(|v| v.is_finite()), "{plan:?}");
                proptest::prop_assert_eq!(plan.feasible, plan.reasons.is_empty());
                proptest::prop_assert!(plan.queue_needed >= 1 && plan.queue_needed <= plan.words);
            }
        }
    }
}
