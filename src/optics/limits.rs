//! Why a line plan cannot be drawn, in plain words, each with what would make it feasible.
//! Every remedy is computed from the same conditions that the plan failed.

use crate::optics::ClockError;
use crate::optics::line::{Hardware, LinePlan, WORD, queue_needed, speed_of};
use crate::units::{Dimension, UnitText, parse_unit, show};
use core::f64::consts::PI;

fn length(value: f64) -> String {
    show(value, Dimension::LENGTH, None, None)
}

fn time(value: f64) -> String {
    show(value, Dimension::TIME, None, None)
}

fn speed(value: f64) -> String {
    show(value, Dimension::ROTATION, None, None)
}

fn resolution(value: f64) -> String {
    show(value, Dimension::RESOLUTION, None, None)
}

fn share(value: f64) -> String {
    let percent: Option<UnitText> = parse_unit("%").ok();
    show(value, Dimension::NUMBER, percent.as_ref(), Some(1))
}

/// All reasons; none for a plan that can be drawn.
pub(crate) fn reasons(plan: &LinePlan, hardware: Option<&Hardware>) -> Vec<String> {
    let mut reasons = Vec::new();
    let active_most = hardware.map_or(1.0, |h| h.active_most.min(1.0));
    // A share that differs in the last digits only is the same share.
    if plan.active_fraction > active_most * (1.0 + 1e-9) {
        let longest = active_most * 4.0 * PI * plan.focal_length / f64::from(plan.facets);
        let shortest = plan.focal_length * plan.active_fraction / active_most;
        reasons.push(format!(
            "the line takes {} of the line period, but the optics can use {}: draw at most {} \
             with this lens, or use a focal length of at least {}",
            share(plan.active_fraction),
            share(active_most),
            length(longest),
            length(shortest)
        ));
    }
    if plan.line_angle >= PI {
        reasons.push(format!(
            "the line takes {} deg of optical angle, more than any flat field: use a longer \
             focal length or more facets",
            show(plan.line_angle.to_degrees(), Dimension::NUMBER, None, Some(1))
        ));
    }
    let Some(hardware) = hardware else {
        return reasons;
    };
    if plan.length > hardware.line_most * (1.0 + 1e-9) {
        reasons.push(format!(
            "the line is {} long, but lens and medium allow {}: make it no longer than that",
            length(plan.length),
            length(hardware.line_most)
        ));
    }
    let slack = 1e-9 * plan.speed;
    if plan.speed > hardware.speed_most + slack || plan.speed < hardware.speed_least - slack {
        reasons.push(format!(
            "the polygon runs at {} to {}, not at {}",
            speed(hardware.speed_least),
            speed(hardware.speed_most),
            speed(plan.speed)
        ));
    }
    reasons.extend(clock(plan, hardware));
    reasons.extend(average(plan, hardware));
    reasons.extend(queue(plan, hardware));
    reasons
}

fn clock(plan: &LinePlan, hardware: &Hardware) -> Option<String> {
    let error = hardware.clock.nearest(plan.dot_period).err()?;
    Some(match error {
        ClockError::Outside { shortest, .. } if plan.dot_period < shortest => {
            let slower = speed(plan.speed * plan.dot_period / shortest);
            let dots = (plan.active_time / shortest).floor();
            if dots >= 1.0 {
                let coarser = resolution(dots / plan.length);
                format!("{error}: run at most at {slower}, or ask for at most {coarser}")
            } else {
                format!("{error}: run at most at {slower}")
            }
        }
        ClockError::Outside { longest, .. } => format!(
            "{error}: run at least at {}, or ask for at least {}",
            speed(plan.speed * plan.dot_period / longest),
            resolution((plan.active_time / longest).ceil() / plan.length)
        ),
        other => other.to_string(),
    })
}

/// The host must serve a line's words within a line period.
fn average(plan: &LinePlan, hardware: &Hardware) -> Option<String> {
    let takes = f64::from(plan.words) * hardware.word_service;
    if takes <= plan.line_period * (1.0 + 1e-12) {
        return None;
    }
    let slowest = speed_of(1.0 / takes, plan.facets);
    let words = (plan.line_period / hardware.word_service).floor();
    let finest = (words * f64::from(WORD)).min(f64::from(plan.dots)) / plan.length;
    let coarser = if words >= 1.0 {
        format!(", ask for at most {}", resolution(finest))
    } else {
        String::new()
    };
    Some(format!(
        "the host needs {} for the {} words of a line, but a line comes every {}: run at most at \
         {}{coarser}, or serve a word within {}",
        time(takes),
        plan.words,
        time(plan.line_period),
        speed(slowest),
        time(plan.line_period / f64::from(plan.words))
    ))
}

/// The queue must hold what the host cannot add while the line is drawn.
fn queue(plan: &LinePlan, hardware: &Hardware) -> Option<String> {
    let depth = hardware.queue_words;
    if plan.queue_needed <= depth {
        return None;
    }
    if depth == 0 {
        return Some("the head has no word queue: no line can start without a first word".into());
    }
    // While the host adds words − depth of them, words − 1 are taken.
    let least = hardware.word_service * f64::from(plan.words - depth)
        / f64::from(plan.words.saturating_sub(1).max(1));
    let slower = plan.speed * WORD as f64 * plan.made_dot_period / least;
    let fits = |dots: u32| {
        let words = dots.div_ceil(WORD);
        let period = f64::from(WORD) * plan.active_time / f64::from(dots.max(1));
        queue_needed(words, period, hardware.word_service) <= depth
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
    Some(format!(
        "{} words must be queued when the line starts, but the queue holds {depth}: run at most \
         at {}, ask for at most {}, or serve a word within {}",
        plan.queue_needed,
        speed(slower),
        resolution(f64::from(low) / plan.length),
        time(
            f64::from(WORD) * plan.made_dot_period * f64::from(plan.words.saturating_sub(1))
                / f64::from(plan.words - depth)
        )
    ))
}

#[cfg(test)]
mod tests {
    use crate::optics::{Clock, ClockKind, Decides, Hardware, LineRequest, StartOfScan, plan_line};
    use core::f64::consts::TAU;

    fn request() -> LineRequest {
        LineRequest {
            facets: 10,
            speed: 80.0 * TAU,
            decides: Decides::FocalLength(0.4042536),
            length: 0.3048,
            resolution: 300.0 / 0.0254,
            hardware: Some(Hardware {
                clock: Clock { master: 480e6, kind: ClockKind::Divider { least: 16, most: 4095 } },
                word_service: 10e-6,
                queue_words: 64,
                active_most: 0.7,
                line_most: 0.33,
                speed_least: 20.0,
                speed_most: 640.0,
                start_of_scan: StartOfScan::EveryFacet,
            }),
        }
    }

    /// The first quantity behind `after` in the only reason, as SI.
    fn remedy(reasons: &[String], after: &str) -> f64 {
        let text = reasons
            .iter()
            .find_map(|r| r.split_once(after).map(|(_, t)| t))
            .unwrap_or_else(|| panic!("no `{after}` in {reasons:?}"));
        let words: Vec<&str> = text.split([' ', ',']).filter(|w| !w.is_empty()).collect();
        let text = format!("{} {}", words[0], words[1]);
        crate::units::parse_quantity(&text).unwrap().0
    }

    /// Six digits are shown, so a remedy is good to a few parts in a million.
    const SHOWN: f64 = 1e-5;

    #[test]
    fn the_remedies_work_and_are_not_timid() {
        // Each row: what is changed, the words before the remedy, how it is applied.
        type Change = fn(&mut LineRequest);
        type Apply = fn(&mut LineRequest, f64);
        let speed: Apply = |r, v| r.speed = v;
        let dpi: Apply = |r, v| r.resolution = v;
        let length: Apply = |r, v| r.length = v;
        let rows: &[(Change, &str, Apply)] = &[
            (|r| r.resolution *= 4.0, "run at most at ", speed),
            (|r| r.resolution *= 4.0, "ask for at most ", dpi),
            (|r| r.hardware.as_mut().unwrap().queue_words = 20, "run at most at ", speed),
            (|r| r.hardware.as_mut().unwrap().queue_words = 20, "ask for at most ", dpi),
            (|r| r.hardware.as_mut().unwrap().active_most = 0.5, "draw at most ", length),
            (
                |r| {
                    r.hardware.as_mut().unwrap().clock.kind =
                        ClockKind::Divider { least: 120, most: 4095 }
                },
                "run at most at ",
                speed,
            ),
            (
                |r| {
                    r.hardware.as_mut().unwrap().clock.kind =
                        ClockKind::Divider { least: 2, most: 80 }
                },
                "ask for at least ",
                dpi,
            ),
        ];
        for (change, after, apply) in rows {
            let mut bad = request();
            change(&mut bad);
            let plan = plan_line(&bad).unwrap();
            assert!(!plan.feasible);
            let value = remedy(&plan.reasons, after);
            let upwards = after.contains("least");
            let (easier, harder) = if upwards {
                (value * (1.0 + SHOWN), value * 0.98)
            } else {
                (value * (1.0 - SHOWN), value * 1.02)
            };
            let count = |v: f64| {
                let mut r = bad;
                apply(&mut r, v);
                let plan = plan_line(&r).unwrap();
                plan.reasons.iter().filter(|r| r.contains(after)).count()
            };
            let before = plan.reasons.iter().filter(|r| r.contains(after)).count();
            assert!(count(easier) < before, "{after}{value}: {:?}", plan.reasons);
            assert!(count(harder) > 0, "{after}{value} is timid: {:?}", plan.reasons);
        }
    }

    #[test]
    fn a_line_past_the_sweep_is_refused_without_hardware_too() {
        let mut long = request();
        long.hardware = None;
        long.length = 0.6;
        let plan = plan_line(&long).unwrap();
        assert!(!plan.feasible);
        assert_eq!(plan.pre_scan_delay, 0.0);
        assert!(plan.reasons[0].contains("draw at most 508"), "{:?}", plan.reasons);
    }

    #[test]
    fn speed_and_length_limits_are_told() {
        let mut fast = request();
        fast.speed = 1000.0;
        let plan = plan_line(&fast).unwrap();
        assert!(plan.reasons[0].contains("6111.5 rpm"), "{:?}", plan.reasons);
        let mut long = request();
        long.length = 0.34;
        let plan = plan_line(&long).unwrap();
        assert!(plan.reasons[0].contains("allow 330 mm"), "{:?}", plan.reasons);
    }
}
