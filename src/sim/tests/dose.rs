//! Light: steady drawing as a power meter sees it, how strong the laser is, and what it leaves on the
//! medium.

use crate::tests::{clean, locked, order};
use crate::{Picture, Showing, SimHead, draw_picture};
use core::ops::Range;
use spintrue_head::{
    Bitmap, Fault, FaultInjector, Gauge, Halt, Head, LinePlan, MAX_STEADY, PageOrder, SteadyOrder,
    Trim,
};
use std::sync::Arc;

/// A meter behind the head, as a station has it.
const METER: &str = "
[[channel]]
name = 'meter'
direction = 'input'
unit = 'mW'
least = '-1 mW'
most = '60 mW'
follows = 'beam'
time_constant = '0.2 s'
[laser]
power = '50 mW'
";

/// One facet of ten reflects 60 %.
const DIM: &str = "reflectivities = [1, 1, 1, 0.6, 1, 1, 1, 1, 1, 1]";

fn steady(plan: &LinePlan, facet: Option<u32>, seconds: f64) -> SteadyOrder {
    let LinePlan { dots, dot_period, pre_scan_delay: delay, .. } = *plan;
    SteadyOrder { facet, dots, dot_period, delay, seconds }
}

/// What the meter reads in mW.
fn milliwatts(head: &mut SimHead) -> f64 {
    head.channel("meter").unwrap() * 1e3
}

#[track_caller]
fn near(read: f64, should: f64) {
    assert!((read - should).abs() < 1e-3, "{read} instead of {should}");
}

/// By hand: 304.8 mm at 2 · 502.65 rad/s · 404.2536 mm = 406.40 m/s take 0.75 ms of a line period of 1.25 ms,
/// a share of 60 %. 50 mW armed at 40 % with a mean reflectivity of 96 % give 50 · 0.4 · 0.96 · 0.6 = 11.52 mW;
/// the dim facet alone, one line of ten, 50 · 0.4 · 0.6 · 0.6 / 10 = 0.72 mW, a bright one 1.2 mW.
#[test]
fn a_power_meter_reads_what_is_worked_out_by_hand() {
    let text = clean(&[("facets", DIM)]) + METER;
    let (mut head, _, plan) = locked(&text, 1);
    head.arm(0.4).unwrap();
    head.draw_steadily(&steady(&plan, None, 10.0)).unwrap();
    // Light comes half a second after arming; one time constant later there is 1 − 1/e of it.
    head.sleep(0.5);
    near(milliwatts(&mut head), 0.0);
    head.sleep(0.2);
    near(milliwatts(&mut head), 11.52 * (1.0 - libm::exp(-1.0)));
    head.sleep(5.0);
    near(milliwatts(&mut head), 11.52);
    for (facet, power) in [(3, 0.72), (7, 1.2)] {
        head.draw_steadily(&steady(&plan, Some(facet), 10.0)).unwrap();
        head.sleep(5.0);
        near(milliwatts(&mut head), power);
    }
    // Without any further question the light is out at its end, and one time constant later 1/e is left.
    head.sleep(5.2);
    near(milliwatts(&mut head), 1.2 * libm::exp(-1.0));
    assert!(!head.drawing_steadily().unwrap());
}

#[test]
fn steady_drawing_ends_on_every_way_out() {
    type End = fn(&mut SimHead);
    let ends: [(&str, End); 9] = [
        ("its time", |head| head.sleep(3.0)),
        ("disarming", |head| head.disarm().unwrap()),
        ("making safe", |head| drop(head.make_safe(true))),
        ("a moved mirror", |head| head.steer(Some(1e-3)).unwrap()),
        ("other trims", |head| head.load_trims(&[Trim::default(); 10]).unwrap()),
        ("a refused command", |head| drop(head.halt(Halt::Brake))),
        ("an open interlock", |head| {
            head.injector().inject("interlock_opened", 0.1).unwrap();
            head.sleep(0.2);
        }),
        ("a lost lock", |head| {
            head.injector().inject("lock_lost", 0.1).unwrap();
            head.sleep(1.0);
        }),
        ("a silent link", |head| {
            head.injector().inject("link_silent", 0.1).unwrap();
            head.sleep(0.2);
            head.injector().clear();
        }),
    ];
    for (what, end) in ends {
        let (mut head, _, plan) = locked(&(clean(&[]) + METER), 1);
        head.arm(0.4).unwrap();
        head.draw_steadily(&steady(&plan, None, 3.0)).unwrap();
        head.sleep(1.5);
        assert!(head.drawing_steadily().unwrap() && milliwatts(&mut head) > 10.0, "{what}");
        assert!(head.status().unwrap().locked, "{what}");
        end(&mut head);
        assert!(!head.drawing_steadily().unwrap(), "{what}");
        head.sleep(2.0);
        near(milliwatts(&mut head), 0.0);
    }
    let (mut head, _, plan) = locked(&(clean(&[]) + METER), 1);
    assert_eq!(head.draw_steadily(&steady(&plan, None, 1.0)), Err(Fault::NotArmed));
    head.arm(0.4).unwrap();
    for (order, why) in [
        (
            steady(&plan, None, MAX_STEADY + 1.0),
            "time of steady drawing 61 s is outside 0 s to 60 s",
        ),
        (steady(&plan, None, f64::NAN), "time of steady drawing"),
        (steady(&plan, Some(10), 1.0), "facet 10 is outside 0 to 9"),
        (SteadyOrder { delay: 1e-3, ..steady(&plan, None, 1.0) }, "end of the line"),
    ] {
        let refused = head.draw_steadily(&order).unwrap_err().to_string();
        assert!(refused.contains(why), "{refused}");
        assert!(!head.drawing_steadily().unwrap());
    }
    // A laser that ignores the command to disarm ignores it while it draws, too.
    head.injector().inject("laser_stays_armed", 0.0).unwrap();
    head.draw_steadily(&steady(&plan, None, 5.0)).unwrap();
    assert!(head.disarm().is_err());
}

/// The light that a gauge reads is that of the line against a nominal head armed at the same share.
#[test]
fn the_dose_of_a_line_does_not_rest_on_the_armed_share() {
    let weak = [
        ("laser", "strength = 0.8"),
        ("gauge", "dose_noise = 1e-9\ndose_resolution = 1e-9"),
        ("facets", DIM),
    ];
    let (mut head, mut gauge, plan) = locked(&clean(&weak), 1);
    for power in [0.1, 0.35, 1.0] {
        head.arm(power).unwrap();
        for (facet, should) in [(2, 0.8), (3, 0.48)] {
            head.expose(&order(facet, &plan)).unwrap();
            let reading = gauge.measure().unwrap();
            for mark in reading.marks {
                assert!((mark.dose - should).abs() < 1e-6, "{mark:?}");
            }
        }
        head.disarm().unwrap();
    }
}

/// First order in temperature: 10 K at full speed, 10 · 0.8³ = 5.12 K at 80 % of it, of which −2 %/K takes
/// 10.24 %.
#[test]
fn a_laser_loses_power_as_it_warms_up() {
    let ramp = [
        ("laser", "power_drift = '-2 %/K'"),
        ("gauge", "dose_noise = 1e-9\ndose_resolution = 1e-9"),
        ("thermal", "rise = '10 K'\ntime_constant = '100 s'"),
    ];
    let (mut head, mut gauge, plan) = locked(&clean(&ramp), 1);
    let mut dose = || {
        head.arm(0.3).unwrap();
        head.expose(&order(0, &plan)).unwrap();
        let warmer = head.status().unwrap().temperature - 295.15;
        head.disarm().unwrap();
        head.sleep(2000.0);
        (warmer, gauge.measure().unwrap().marks[2].dose)
    };
    let (warmer, first) = dose();
    assert!(warmer < 1.0 && (first - (1.0 - 0.02 * warmer)).abs() < 1e-3, "{warmer} {first}");
    let (_, last) = dose();
    assert!((last - (1.0 - 0.1024)).abs() < 1e-4, "{last}");
}

/// What a page of these lines of 32 dots shows, all on or all off, that is exposed at `power`.
///
/// A spot of three pitches makes even ground even: lines with the standard deviation s leave a ripple of
/// 2·exp(−2π²·s²/pitch²), 3e-5 with 3/4 of a pitch and 12 % with 3/8 (derived).
fn page(lines: &[bool], power: f64, changes: &[(&str, &str)]) -> (Picture, f64) {
    shown(lines, power, changes, (4, 3.0))
}

/// The same with so many pixels a dot, and a spot of so many pitches.
fn shown(
    lines: &[bool],
    power: f64,
    changes: &[(&str, &str)],
    (scale, spot): (u32, f64),
) -> (Picture, f64) {
    let (mut head, _, full) = locked(&clean(changes), 1);
    head.medium().keep();
    head.arm(power).unwrap();
    let mut image = format!("P4\n32 {}\n", lines.len()).into_bytes();
    image.extend(lines.iter().flat_map(|on| [if *on { 0xff } else { 0 }; 4]));
    let delay = full.pre_scan_delay + f64::from((full.dots - 32) / 2) * full.dot_period;
    let order = PageOrder {
        dot_period: full.dot_period,
        delay,
        pitch: full.cross_scan_pitch,
        image: Arc::new(Bitmap::read(&image).unwrap()),
        correction: None,
    };
    head.expose_page(&order).unwrap();
    let sheet = head.medium().take().remove(0);
    let showing = Showing { scale, spot: Some(spot * full.cross_scan_pitch) };
    (draw_picture(&sheet, &showing, |work| work()).unwrap(), sheet.light().unwrap())
}

/// Mean blackness from 0 to 1 of some rows, the ends of the lines left out.
fn blackness(picture: &Picture, rows: Range<usize>) -> f64 {
    let width = picture.width as usize;
    let lines = picture.gray.chunks(width).take(rows.end).skip(rows.start);
    let gray: Vec<f64> =
        lines.flat_map(|row| row[width / 4..width * 3 / 4].iter().map(|g| f64::from(*g))).collect();
    1.0 - gray.iter().sum::<f64>() / gray.len() as f64 / 255.0
}

/// The blackness of evenly exposed ground by the law of the medium: 1 − exp(−3·(E − T)/(1 − T)).
#[test]
fn a_page_is_as_dark_as_its_dose_makes_it() {
    let none: &[(&str, &str)] = &[];
    let thick: &[(&str, &str)] = &[("medium", "threshold = 0.5")];
    let weak: &[(&str, &str)] = &[("laser", "strength = 0.5")];
    for (power, changes, light, should) in [
        (0.01, none, 0.01 / 0.35, 0.0),
        // (1 / 3.5 − 0.05) / 0.95 = 0.248120; 1 − exp(−0.744361) = 0.524956
        (0.1, none, 0.1 / 0.35, 0.524956),
        // 1 − exp(−3)
        (0.35, none, 1.0, 0.950213),
        // (1 / 0.35 − 0.05) / 0.95 = 2.954887; 1 − exp(−8.864662)
        (1.0, none, 1.0 / 0.35, 0.999859),
        (0.35, thick, 1.0, 0.950213),
        (0.15, thick, 0.15 / 0.35, 0.0),
        // (0.5 − 0.05) / 0.95 = 0.473684; 1 − exp(−1.421053)
        (0.35, weak, 0.5, 0.758540),
    ] {
        let (picture, mean) = page(&[true; 40], power, changes);
        assert!((mean - light).abs() < 1e-9, "{mean} {light}");
        let seen = blackness(&picture, 64..96);
        assert!((seen - should).abs() < 5e-3, "armed at {power}: {seen} instead of {should}");
    }
}

/// A single line grows broader with the dose, and is not there at 1 %.
#[test]
fn a_line_is_broader_at_full_power() {
    let lines: Vec<bool> = (0..21).map(|line| line == 10).collect();
    let dark = |power: f64| {
        let (picture, _) = page(&lines, power, &[]);
        (0..84).filter(|row| blackness(&picture, *row..row + 1) > 0.3).count()
    };
    let (faint, nominal, over) = (dark(0.01), dark(0.35), dark(1.0));
    assert_eq!(faint, 0);
    assert!(nominal > 2 && over >= nominal + 2, "{nominal} {over}");
}

/// A pixel is as black as what it shows is on average, as a scanner sees it, and not as its average light makes it.
#[test]
fn a_coarse_pixel_averages_the_blackness_of_fine_ones() {
    let lines: Vec<bool> = (0..21).map(|line| line == 10).collect();
    let [(coarse, _), (fine, _)] = [2, 16].map(|scale| shown(&lines, 0.35, &[], (scale, 1.0)));
    for row in 0..42 {
        let (seen, should) =
            (blackness(&coarse, row..row + 1), blackness(&fine, 8 * row..8 * row + 8));
        assert!((seen - should).abs() < 0.01, "row {row}: {seen} instead of {should}");
    }
    assert!(blackness(&coarse, 20..22) > 0.5);
}
