//! What lens, beam, galvanometer, trims, gauge and medium do to lines and pages, against values worked out
//! independently.

use crate::config::Config;
use crate::medium::Sheet;
use crate::tests::{SPEED, clean, locked, order, plan, sim, trace};
use core::f64::consts::{PI, TAU};
use spintrue_head::{Bitmap, Gauge, Head, PageOrder, Reading, Trim};
use std::sync::Arc;

const FOCAL: f64 = 0.404_253_6;

fn config(text: &str) -> Config {
    Config::read(Some(text), 1).unwrap()
}

/// The line of one facet on a head without errors but these.
fn line(changes: &[(&str, &str)], facet: u32, angle: f64) -> Reading {
    let (mut head, mut gauge, plan) = locked(&clean(changes), 1);
    head.steer(Some(angle)).unwrap();
    head.sleep(0.1);
    head.arm(0.3).unwrap();
    head.expose(&order(facet, &plan)).unwrap();
    gauge.measure().unwrap()
}

/// A black page of so many lines on the same head.
fn page(changes: &[(&str, &str)], lines: u32, angle: f64) -> Sheet {
    let (mut head, _, plan) = locked(&clean(changes), 1);
    let medium = head.medium();
    medium.keep();
    head.steer(Some(angle)).unwrap();
    head.sleep(0.1);
    head.arm(0.3).unwrap();
    let mut file = format!("P4 {} {lines}\n", plan.dots).into_bytes();
    file.extend(vec![0xff; (plan.dots.div_ceil(8) * lines) as usize]);
    let image = Arc::new(Bitmap::read(&file).unwrap());
    let (dot_period, delay, pitch) = (plan.dot_period, plan.pre_scan_delay, plan.cross_scan_pitch);
    head.expose_page(&PageOrder { dot_period, delay, pitch, image, correction: None }).unwrap();
    medium.take().pop().unwrap()
}

#[test]
fn the_spot_is_as_wide_as_diffraction_makes_it() {
    // 633 nm, f = 300 mm, D = 5 mm: 48.358 µm (Smith, Modern Optical Engineering, eq. 9.27).
    let text = "[lens]\nfocal_length = '300 mm'\n[laser]\nbeam_diameter = '5 mm'\n";
    let spot = config(text).optics.spot_diameter();
    assert!((spot - 48.358e-6).abs() < 1e-9, "{spot}");
    assert!((page(&[("laser", "beam_diameter = '5 mm'")], 1, 0.0).spot - 65.163e-6).abs() < 1e-9);
}

#[test]
fn facets_cut_a_wide_beam_off_towards_the_ends() {
    // Of a Gaussian beam with the 1/e² diameter 10 mm, the part between the edges of a facet that has
    // moved by r·θ: summed up strip by strip.
    let changes = [("laser", "beam_diameter = '10 mm'")];
    let caught = |at: f64| {
        let half_angle = at * 0.3048 / FOCAL / 2.0;
        let (width, centre) = (0.08 * (PI / 10.0).sin(), 0.04 * (PI / 10.0).cos() * half_angle);
        let strip = 1e-6;
        let light = |u: f64| (-8.0 * u * u / 1e-4).exp() * strip;
        let total: f64 = (-30_000..30_000).map(|i| light((f64::from(i) + 0.5) * strip)).sum();
        let strips = (width / strip) as i32;
        let from = centre - width / 2.0;
        let part: f64 = (0..strips).map(|i| light(from + (f64::from(i) + 0.5) * strip)).sum();
        part / total
    };
    assert!((0.97..0.99).contains(&caught(0.5)), "{}", caught(0.5));
    let (wide, plain) = (line(&changes, 0, 0.0), line(&[], 0, 0.0));
    for (mark, plain) in wide.marks.iter().zip(&plain.marks) {
        // Read with the same noise of dose, which is half a per cent.
        let share = mark.dose / plain.dose;
        assert!((share / caught(mark.at) - 1.0).abs() < 2e-3, "{} {share}", mark.at);
    }
    let sheet = page(&changes, 1, 0.0);
    for (part, falloff) in sheet.falloff.iter().enumerate() {
        let want = caught((part as f64 + 0.5) / sheet.falloff.len() as f64 - 0.5);
        assert!((f64::from(*falloff) / want - 1.0).abs() < 1e-3, "{part}: {falloff} {want}");
    }
    // A beam as narrow as the built-in one loses nothing.
    assert!(page(&[], 1, 0.0).falloff.iter().all(|share| *share == 1.0));
}

/// The focus of a Gaussian beam between the edges of a facet that has moved by r·θ: Simpson sums in lengths,
/// out to where the light has fallen to 1/e², in Python apart from this code.
#[test]
fn marks_are_wider_where_the_facet_cuts_the_beam_off() {
    let rows = [
        (2.5, [130.325, 130.325, 130.325]),
        (10.0, [36.614, 32.578, 36.614]),
        (20.0, [22.572, 18.581, 22.572]),
        (40.0, [15.868, 15.402, 15.868]),
    ];
    for (beam, wanted) in rows {
        let laser = format!("beam_diameter = '{beam} mm'");
        let gauge = [("gauge", "width_noise = '1e-6 um'"), ("gauge", "marks = 3")];
        let read = line(&[("laser", laser.as_str()), gauge[0], gauge[1]], 0, 0.0);
        assert_eq!(read.width_u, Some(1e-12));
        for (mark, wanted) in read.marks.iter().zip(wanted) {
            let width = mark.width.unwrap() * 1e6;
            assert!((width - wanted).abs() < 2e-3, "{beam} {}: {width} {wanted}", mark.at);
        }
    }
    let plain = line(&[], 0, 0.0);
    assert!(plain.width_u.is_none() && plain.marks.iter().all(|mark| mark.width.is_none()));
}

#[test]
fn a_line_steered_off_the_axis_is_shorter_and_bent() {
    // Exactly: the polygon turns the beam about its axis and leaves its elevation e, so its direction is
    // (cos e·cos φ, cos e·sin φ, sin e); an f-theta lens images the angle Θ to its axis at f·Θ, in
    // the direction across the axis. The model keeps the terms up to e² and φ².
    let optics = config(&clean(&[("lens", "distortion = '0 um'")])).optics;
    let facet = config(&clean(&[])).facets[0];
    for (angle, scan) in [(5e-3, 0.2), (20e-3, 0.2), (-20e-3, 0.35), (40e-3, -0.1)] {
        let e: f64 = 2.0 * angle;
        let theta = (e.cos() * f64::cos(scan)).acos();
        let (x, y) = (e.cos() * f64::sin(scan), e.sin());
        let (x, y) = (FOCAL * theta / theta.sin() * x, FOCAL * theta / theta.sin() * y);
        let spot = optics.spot(&facet, FOCAL * scan, angle);
        let (shorter, further) = (FOCAL * scan - x, y - FOCAL * e);
        let (got, rest) = (FOCAL * scan - spot.along, spot.across - FOCAL * e);
        assert!((got / shorter - 1.0).abs() < 0.05, "{angle} {scan}: {got} {shorter}");
        assert!((rest / further - 1.0).abs() < 0.05, "{angle} {scan}: {rest} {further}");
    }
    // On the head, 20 mrad: shorter by e²/3 = 533 ppm of 152.4 mm, further out by f·e·φ²/6 at the ends.
    let edge = |reading: &Reading| (reading.marks[4], reading.marks[2]);
    let ((end, middle), (plain, _)) = (edge(&line(&[], 0, 20e-3)), edge(&line(&[], 0, 0.0)));
    assert!((end.in_scan - plain.in_scan + 0.1524 * 1.6e-3 / 3.0).abs() < 2e-6, "{end:?}");
    let bow = FOCAL * 0.04 * (0.1524_f64 / FOCAL).powi(2) / 6.0;
    assert!((end.cross_scan - middle.cross_scan - bow).abs() < 1e-6, "{end:?}");
    // The page is drawn the same way.
    let (off, on) = (page(&[], 1, 20e-3), page(&[], 1, 0.0));
    let ends =
        |sheet: &Sheet| sheet.along(&sheet.lines[0], 3600.0) - sheet.along(&sheet.lines[0], 0.0);
    assert!((ends(&off) / ends(&on) - 1.0 + 1.6e-3 / 3.0).abs() < 5e-6);
    let bent = f64::from(off.lines[0].across[31] - off.lines[0].across[15]);
    assert!((bent / bow - (31.0_f64 / 32.0).powi(2)).abs() < 0.01, "{bent} {bow}");
}

#[test]
fn tilt_correcting_optics_leave_the_galvanometer_alone() {
    // 10 arcsec lift a line by 2·a·f = 39.198 µm (f = 404.2536 mm), a tenth of which is left.
    let axis = "facet_to_axis_errors = ['10 arcsec', '0 rad', '0 rad', '0 rad', '0 rad', '0 rad', \
                '0 rad', '0 rad', '0 rad', '0 rad']";
    let changes = [("facets", axis), ("lens", "tilt_gain = 0.1")];
    let (mut head, mut gauge, plan) = locked(&clean(&changes), 1);
    let middle = |lines: &[Reading], facet: usize| lines[facet].marks[2].cross_scan;
    assert!((middle(&trace(&mut head, &mut gauge, &plan), 0) - 3.9198e-6).abs() < 2e-9);
    head.load_trims(&[Trim { cross_scan: 10e-6, ..Trim::default() }; 10]).unwrap();
    let full = 2.0 * 10e-6 * FOCAL;
    assert!((middle(&trace(&mut head, &mut gauge, &plan), 5) - full).abs() < 2e-9);
    let sheet = page(&changes, 10, 0.0);
    let lifted = f64::from(sheet.lines[0].across[16] - sheet.lines[5].across[16]);
    assert!((lifted - 3.9198e-6).abs() < 5e-9, "{lifted}");
}

#[test]
fn the_galvanometer_errs_in_gain_and_linearity() {
    // 2·g·f at 5 mrad is 4.0425 mm; 2 % of it. At 50 of 100 mrad a quarter of the linearity error.
    for (key, angle, share) in
        [("gain_error = '2 %'", 5e-3, 0.02), ("linearity_error = '-4 %'", 50e-3, -0.01)]
    {
        let (wrong, right) = (line(&[("galvanometer", key)], 0, angle), line(&[], 0, angle));
        let moved = wrong.marks[2].cross_scan - right.marks[2].cross_scan;
        let want = share * 2.0 * angle * FOCAL;
        assert!((moved / want - 1.0).abs() < 1e-3, "{key}: {moved} {want}");
    }
    // A longer focal length as built looks the same across: neither can tell.
    let long = line(&[("lens", "focal_length_error = '2 %'")], 0, 5e-3);
    let moved = long.marks[2].cross_scan - line(&[], 0, 5e-3).marks[2].cross_scan;
    assert!((moved / (0.02 * 2.0 * 5e-3 * FOCAL) - 1.0).abs() < 1e-2, "{moved}");
}

#[test]
fn a_limited_slew_shows_where_a_line_starts() {
    // The trim of the facet before is 400 µrad off. Of that 0.6 rad/s take 300 µrad back in the gap of
    // 1250 − 750 µs between the lines, and the loop lags behind by 2·ζ·s/ω: derived.
    let mut trims = [Trim::default(); 10];
    trims[3].cross_scan = 400e-6;
    let of = |slew: &str| {
        let (mut head, mut gauge, plan) = locked(&clean(&[("galvanometer", slew)]), 1);
        head.load_trims(&trims).unwrap();
        let line = &trace(&mut head, &mut gauge, &plan)[4];
        [0, 2, 4].map(|k: usize| line.marks[k].cross_scan)
    };
    let limited = of("slew = '0.6 rad/s'");
    let left = (limited[0] - limited[2]) / (2.0 * FOCAL);
    let want = 100e-6 + 2.0 * 0.7 * 0.6 / (TAU * 2000.0);
    // What is left of the loop's own swing is a hundredth of 400 µrad.
    assert!((left - want).abs() < 5e-6, "{left} {want}");
    assert!((limited[1] - limited[2]).abs() < 0.03 * limited[0], "{limited:?}");
    // Without a limit, little more than a hundredth is left by then.
    let free = of("slew = '0 rad/s'");
    assert!((free[0] - free[2]).abs() / (2.0 * FOCAL) < 0.02 * 400e-6, "{free:?}");
}

#[test]
fn trims_act_as_they_are_wired() {
    let first = |wiring: &str, trims: &[Trim]| -> Vec<(f64, f64)> {
        let (mut head, mut gauge, plan) = locked(&clean(&[("trims", wiring)]), 1);
        let before = trace(&mut head, &mut gauge, &plan);
        head.load_trims(trims).unwrap();
        let after = trace(&mut head, &mut gauge, &plan);
        let moved = after.iter().zip(&before).map(|(after, before)| {
            let [a, b] = [after, before].map(|line| line.marks[2]);
            // Back to what registers must have held.
            let along = (a.in_scan - b.in_scan) / (2.0 * SPEED * FOCAL);
            (along * 1e9, (a.cross_scan - b.cross_scan) / (2.0 * FOCAL) * 1e6)
        });
        moved.collect()
    };
    // In ns and µrad; facet k has 10·k and 5·k.
    let trims: Vec<Trim> = (0..10)
        .map(f64::from)
        .map(|k| Trim { in_scan: 10e-9 * k, cross_scan: 5e-6 * k, ..Trim::default() })
        .collect();
    type Acts = fn(f64) -> (f64, f64);
    let rows: [(&str, Acts); 6] = [
        ("in_scan_gain = 1", |k| (10.0 * k, 5.0 * k)),
        ("in_scan_gain = -1\ncross_scan_gain = 0.05", |k| (-10.0 * k, 0.25 * k)),
        ("in_scan_gain = 2.2\ncross_scan_gain = 1.5", |k| (22.0 * k, 7.5 * k)),
        // Steps of 1 ns and 0.25 µrad: 20·k steps across, 10·k along.
        ("axes_swapped = true", |k| (20.0 * k, 2.5 * k)),
        ("order_reversed = true", |k| (10.0 * ((10.0 - k) % 10.0), 5.0 * ((10.0 - k) % 10.0))),
        ("rotated = 1", |k| (10.0 * ((k + 1.0) % 10.0), 5.0 * ((k + 1.0) % 10.0))),
    ];
    for (wiring, acts) in rows {
        for (k, got) in (0..10).map(f64::from).zip(first(wiring, &trims)) {
            let want = acts(k);
            let near = (got.0 - want.0).abs() < 0.1 && (got.1 - want.1).abs() < 0.1;
            assert!(near, "{wiring}, facet {k}: {got:?} {want:?}");
        }
    }
}

#[test]
fn an_index_that_moved_counts_each_facet_as_the_one_before() {
    let axes = "facet_to_axis_errors = ['0 rad', '1 arcsec', '2 arcsec', '3 arcsec', '4 arcsec', \
                '5 arcsec', '6 arcsec', '7 arcsec', '8 arcsec', '9 arcsec']";
    let fault = "\n[[fault]]\nkind = 'index_shifted'\nat = '14 s'\n";
    let text = clean(&[("facets", axes)]) + fault;
    let (mut head, mut gauge, plan) = locked(&text, 1);
    let facets = |lines: &[Reading]| -> Vec<f64> {
        let arcsec = 2.0 * FOCAL * PI / 648_000.0;
        lines.iter().map(|line| (line.marks[2].cross_scan / arcsec).round()).collect()
    };
    let built = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0];
    head.sleep(5.0);
    // It strikes while the polygon turns, and changes nothing before the next spin-up.
    assert_eq!(facets(&trace(&mut head, &mut gauge, &plan)), built);
    head.halt(spintrue_head::Halt::Brake).unwrap();
    head.sleep(20.0);
    head.spin(SPEED).unwrap();
    head.sleep(12.0);
    let mut moved = built;
    moved.rotate_left(1);
    assert_eq!(facets(&trace(&mut head, &mut gauge, &plan)), moved);
    head.world.borrow_mut().mend();
    head.halt(spintrue_head::Halt::Brake).unwrap();
    head.sleep(20.0);
    head.spin(SPEED).unwrap();
    head.sleep(12.0);
    assert_eq!(facets(&trace(&mut head, &mut gauge, &plan)), built);
}

#[test]
fn the_medium_runs_fast_and_wobbles() {
    // Line k of a medium that is 0.1 % fast lies k thousandths of a pitch too low. A wobble of 1 % at
    // 5 Hz moves lines by up to w·v/(2·π·f) = 21.6 µm, with v = 800 lines/s · 84.667 µm: derived.
    let fast = page(&[("medium", "speed_error = '0.1 %'")], 400, 0.0).shifts();
    for (k, shift) in fast.iter().enumerate() {
        assert!((shift - 84.667e-9 * k as f64).abs() < 2e-9, "{k} {shift}");
    }
    let wobble = "wobble = '1 %'\nwobble_frequency = '5 Hz'";
    let shifts = page(&[("medium", wobble)], 480, 0.0).shifts();
    let (low, high) = shifts
        .iter()
        .fold((f64::MAX, f64::MIN), |(low, high), shift| (shift.min(low), shift.max(high)));
    let swing = 0.01 * 800.0 * 84.667e-6 / (TAU * 5.0);
    assert!(((high - low) / (2.0 * swing) - 1.0).abs() < 1e-3, "{low} {high} {swing}");
    // It comes back after 160 lines.
    assert!((shifts[0] - shifts[160]).abs() < 1e-8 && (shifts[0] - shifts[80]).abs() < 2.1 * swing);
}

#[test]
fn laser_strength_and_ramp_show_in_the_dose() {
    let ramp = [("laser", "strength = '60 %'\nramp = '30 %'")];
    let (got, plain) = (line(&ramp, 0, 0.0), line(&[], 0, 0.0));
    for (mark, plain) in got.marks.iter().zip(&plain.marks) {
        let want = 0.6 * (1.0 + 0.3 * mark.at);
        // The noise of half a per cent is added, and not scaled.
        assert!((mark.dose - want - (plain.dose - 1.0)).abs() < 1e-3, "{mark:?} {plain:?}");
    }
    // A page is drawn at 30 % of full power here, and the medium is matched to 35 %.
    let sheet = page(&ramp, 1, 0.0);
    let want = 0.6 * 0.3 / 0.35;
    assert!((sheet.lines[0].dose - want).abs() < 1e-6, "{}", sheet.lines[0].dose);
    assert!((sheet.falloff[31] - (1.0 + 0.3 * 31.5 / 32.0 - 0.15)).abs() < 1e-5);
}

#[test]
fn a_gauge_creeps_with_time() {
    let (mut head, mut gauge, plan) = locked(&clean(&[("gauge", "creep = '1e-6 m/s'")]), 1);
    head.arm(0.3).unwrap();
    head.expose(&order(0, &plan)).unwrap();
    let before = gauge.measure().unwrap().marks[2];
    head.sleep(9.98);
    let after = gauge.measure().unwrap().marks[2];
    // 9.98 s, and 20 ms for the second reading.
    for moved in [after.in_scan - before.in_scan, after.cross_scan - before.cross_scan] {
        assert!((moved - 10e-6).abs() < 3e-9, "{moved}");
    }
}

#[test]
fn a_gauge_can_be_turned_far() {
    // Along it reads x·cos, across −x·sin: derived.
    let got = line(&[("gauge", "turn = '10 deg'")], 0, 0.0);
    let ten = PI / 18.0;
    let mark = got.marks[4];
    let plain = line(&[], 0, 0.0).marks[4];
    assert!((mark.in_scan - plain.in_scan - 0.1524 * (ten.cos() - 1.0)).abs() < 5e-6, "{mark:?}");
    assert!((mark.cross_scan + 0.1524 * ten.sin()).abs() < 5e-6, "{mark:?}");
}

#[test]
fn a_drive_too_weak_for_a_speed_never_locks_there() {
    let (mut head, _) = sim("[rotor]\ntorque_most = '2 mN*m'\n", 1);
    let description = head.describe().unwrap();
    head.spin(SPEED).unwrap();
    head.sleep(10.0 * description.spin_up_most);
    let status = head.status().unwrap();
    assert!(!status.locked && status.speed > 0.5 * SPEED && status.speed < 0.95 * SPEED);
    assert!(head.arm(0.3).is_err());
    // At speeds that it reaches it locks within the time that it states.
    let (mut head, _) = sim("[rotor]\ntorque_most = '2 mN*m'\n", 1);
    head.spin(description.speed_least).unwrap();
    head.sleep(description.spin_up_most);
    assert!(head.status().unwrap().locked);
    assert!(plan(&description).length > 0.3);
}
