//! The length that the dot clock leaves off, and the nearest speeds and resolutions at which it makes a line
//! as long as it should be. Each has been planned anew as it is printed.

use crate::optics::advice::{DIGITS, Knob, joined, printed, turned};
use crate::optics::limits::broken;
use crate::optics::line::{Hardware, LinePlan, LineRequest, calculated};
use crate::units::{Dimension, show_quantity};

/// Most digits of a value that is advised.
const MAX_DIGITS: i32 = 7;

/// Share of what is allowed that an advised value may use, as long as more digits help.
const SMALL: f64 = 0.1;

/// What the clock and the trims of length may leave together, in m.
fn allowed(hardware: &Hardware, length: f64) -> f64 {
    hardware.length_error_most + hardware.length_trim * length
}

/// Whether the dot clock leaves more of the length off than is allowed.
pub(crate) fn is_too_far(plan: &LinePlan, hardware: &Hardware) -> bool {
    plan.length_error.abs() > allowed(hardware, plan.length) * (1.0 + 1e-9)
}

/// Why the dot clock makes the line too long or too short, and what helps; none where it does not, or
/// cannot make it at all.
pub(crate) fn reason(plan: &LinePlan, request: &LineRequest) -> Option<String> {
    let hardware = request.hardware.as_ref()?;
    let made = hardware.clock.nearest(plan.dot_period).ok()?;
    let most = allowed(hardware, plan.length);
    if !is_too_far(plan, hardware) {
        return None;
    }
    let length = |value| show_quantity(value, Dimension::LENGTH, None, None);
    let time = |value| show_quantity(value, Dimension::TIME, None, None);
    let way = if plan.length_error > 0.0 { "long" } else { "short" };
    let fact = format!(
        "the dot clock makes {} per dot and not {}, so the line comes out {} too {way}, and {} is allowed",
        time(made.period),
        time(plan.dot_period),
        length(plan.length_error.abs()),
        length(most)
    );
    let periods = hardware.clock.around(plan.dot_period);
    let speeds = periods
        .iter()
        .map(|period| exact(plan, request, Knob::Speed, plan.speed * plan.dot_period / period));
    let resolutions = periods.iter().map(|period| {
        exact(plan, request, Knob::Resolution, (plan.active_time / period).round() / plan.length)
    });
    let speeds = speeds.flatten().map(|text| format!("run at {text}"));
    let resolutions = resolutions.flatten().map(|text| format!("ask for {text}"));
    let ways: Vec<String> = speeds.chain(resolutions).collect();
    Some(if ways.is_empty() { fact } else { format!("{fact}: {}", joined(&ways)) })
}

/// The value as it is printed with as few digits as leave little of the length off; none where none does, or
/// where it breaks what the plan keeps.
fn exact(plan: &LinePlan, request: &LineRequest, knob: Knob, value: f64) -> Option<String> {
    let hardware = request.hardware.as_ref();
    let kept = broken(plan, hardware);
    (DIGITS..=MAX_DIGITS).find_map(|digits| {
        let (text, value) = printed(value, knob, None, digits)?;
        let tried = calculated(&turned(request, knob, value)).ok()?;
        let most = allowed(hardware?, tried.length) * if digits < MAX_DIGITS { SMALL } else { 1.0 };
        let holds = tried.length_error.abs() <= most
            && broken(&tried, hardware).iter().all(|limit| kept.contains(limit));
        holds.then_some(text)
    })
}

#[cfg(test)]
mod tests {
    use crate::optics::{Clock, ClockKind, Decides, LinePlan, LineRequest, StartOfScan, plan_line};
    use crate::tests::description;
    use crate::units::parse_quantity;
    use core::f64::consts::TAU;

    fn request(speed: f64, dpi: f64, kind: ClockKind) -> LineRequest {
        let mut hardware = description().hardware();
        hardware.clock = Clock { master: 480e6, kind };
        hardware.start_of_scan = StartOfScan::EveryFacet;
        hardware.queue_words = 1000;
        LineRequest {
            facets: 10,
            speed: speed / 60.0 * TAU,
            decides: Decides::FocalLength(0.404_253_6),
            length: 0.3048,
            resolution: dpi / 0.0254,
            hardware: Some(hardware),
        }
    }

    const DIVIDER: ClockKind = ClockKind::Divider { least: 16, most: 4095 };

    /// The reason about length, with each piece of its advice followed.
    fn followed(request: &LineRequest) -> (LinePlan, usize) {
        let plan = plan_line(request).unwrap();
        let reasons: Vec<&String> =
            plan.reasons.iter().filter(|reason| reason.contains("comes out")).collect();
        let mut count = 0;
        for reason in reasons {
            for (way, speed) in [("run at ", true), ("ask for ", false)] {
                for text in reason.split(way).skip(1) {
                    let text = text.split(',').next().unwrap();
                    let value = parse_quantity(text).unwrap().0;
                    let mut turned = *request;
                    if speed {
                        turned.speed = value;
                    } else {
                        turned.resolution = value;
                    }
                    let better = plan_line(&turned).unwrap();
                    assert!(!better.reasons.iter().any(|r| r.contains("comes out")), "{reason}");
                    assert!(better.length_error.abs() <= 0.1e-3, "{reason}");
                    count += 1;
                }
            }
        }
        (plan, count)
    }

    #[test]
    fn a_clock_that_misses_the_length_names_the_nearest_that_does_not() {
        // 4500 rpm: 222.22 ns are 106.67 of 480 MHz, so 107 are 0.3125 % too many: 952.5 um, and the focal length is rounded. By hand, 106 are exact
        // at 4500 * 106.667 / 106 and 107 at 4500 * 106.667 / 107.
        let (plan, count) = followed(&request(4500.0, 300.0, DIVIDER));
        assert!(!plan.feasible);
        let [reason] = plan.reasons.as_slice() else { panic!("{:?}", plan.reasons) };
        assert!(reason.contains("952.53 um too long, and 100 um is allowed"), "{reason}");
        assert!(reason.contains("run at 4528"), "{reason}");
        assert!(reason.contains("run at 4486"), "{reason}");
        assert_eq!(count, 4, "{reason}");
        assert!(plan_line(&request(4800.0, 300.0, DIVIDER)).unwrap().feasible);
        let fine = ClockKind::Accumulator { bits: 48 };
        assert!(plan_line(&request(4500.0, 300.0, fine)).unwrap().feasible);
    }

    #[test]
    fn all_that_is_advised_holds() {
        let coarse = ClockKind::Accumulator { bits: 12 };
        let mut count = 0;
        for kind in [DIVIDER, coarse] {
            for k in 0..200 {
                let speed = 1000.0 + 24.7 * f64::from(k);
                count += followed(&request(speed, 100.0 + f64::from(k % 7) * 60.0, kind)).1;
            }
        }
        assert!(count > 400, "{count}");
    }
}
