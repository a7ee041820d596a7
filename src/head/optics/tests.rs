//! The reference case of a ten-facet polygon at 4800 rpm, against published relations.
//!
//! Each row names where its value comes from. 'Derived' is arithmetic on the relations named,
//! redone by hand; the tolerance is 1e-9 relative unless the value is quoted with fewer digits.

use crate::optics::geometry::{
    facet_to_axis_shift, galvanometer_shift, line_rate, optical_scan_angle, spot_velocity,
};
use crate::optics::trim::{corrected, cross_scan_change, in_scan_change};
use crate::optics::{
    Decides, FacetMean, LinePlan, LineRequest, LineScale, Reading, Register, Trim, TrimRegisters,
    plan_line,
};
use core::f64::consts::{PI, TAU};

const RPM: f64 = PI / 30.0;
const ARCSEC: f64 = PI / 648_000.0;
const INCH: f64 = 0.0254;

#[track_caller]
fn near(what: &str, got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "{what}: got {got:.12e}, want {want:.12e}"
    );
}

fn plan(decides: Decides) -> LinePlan {
    plan_line(&LineRequest {
        facets: 10,
        speed: 4800.0 * RPM,
        decides,
        length: 0.3048,
        resolution: 300.0 / INCH,
        hardware: None,
    })
    .unwrap()
}

#[test]
fn a_line_over_the_whole_period() {
    let plan = plan(Decides::ActiveFraction(1.0));
    // line rate = N·n with n = 80 rev/s: derived.
    near("line rate", plan.line_rate, 800.0, 1e-9);
    near("line period", plan.line_period, 1.25e-3, 1e-9);
    near("polygon speed", plan.speed, 160.0 * PI, 1e-9); // 502.6548 rad/s
    near("polygon speed", plan.speed, 502.6548, 1e-7);
    // 720 deg/N: derived.
    near("scan angle", plan.scan_angle.to_degrees(), 72.0, 1e-9);
    // 12 inch at 300 dpi: derived.
    assert_eq!(plan.dots, 3600);
    near("dot period", plan.dot_period, 1.25e-3 / 3600.0, 1e-9); // 347.2222 ns
    near("dot period", plan.dot_period, 347.2222e-9, 1e-7);
    near("dot clock", plan.dot_clock, 2.88e6, 1e-9);
    // About 11 us a word at 800 lines/s and 300 dpi: common practice, no source; the exact
    // value derived. It is the budget of a word, not of a dot.
    near("word period", plan.word_period, 1.0e-4 / 9.0, 1e-9); // 11.1111 us
    near("word rate", plan.word_rate, 90e3, 1e-9);
    // 3600/32 = 112.5: derived. A Netpbm P4 row of 3600 bits is 450 bytes (Netpbm manual, pbm).
    assert_eq!(plan.words, 113);
    assert_eq!(plan.padding_bits, 16);
    assert_eq!(plan.dots.div_ceil(8), 450);
    near("pitch", plan.cross_scan_pitch, INCH / 300.0, 1e-9); // 84.6667 um
    near("pitch", plan.cross_scan_pitch, 84.6667e-6, 1e-6);
    near("pitch", plan.in_scan_pitch, INCH / 300.0, 1e-9);
    assert_eq!(plan.pre_scan_delay, 0.0);
    assert!(plan.feasible);
}

#[test]
fn a_line_over_six_tenths_of_the_period() {
    // v = 2·ω·f = L·line rate/η, both ways: derived from the f-theta law.
    let plan = plan(Decides::ActiveFraction(0.6));
    near("dot period", plan.dot_period, 1.25e-3 * 0.6 / 3600.0, 1e-9); // 208.333 ns
    near("dot clock", plan.dot_clock, 4.8e6, 1e-9);
    near("dot clock over the period", plan.dot_clock_whole, 2.88e6, 1e-9);
    near("word period", plan.word_period, 32.0 / 4.8e6, 1e-9);
    near("word period over the period", plan.word_period_whole, 1.0e-4 / 9.0, 1e-9);
    near("focal length", plan.focal_length, 406.4 / (2.0 * 160.0 * PI), 1e-9);
    near("focal length", plan.focal_length, 404.2536e-3, 2e-7);
    near("spot velocity", plan.spot_velocity, 406.4, 1e-9);
    near("active time", plan.active_time, 0.75e-3, 1e-9);
    // The unused 0.5 ms lie half before and half behind the line: our choice.
    near("pre-scan delay", plan.pre_scan_delay, 0.25e-3, 1e-9);
    near("line angle", plan.line_angle, 0.6 * plan.scan_angle, 1e-9);

    let back = self::plan(Decides::FocalLength(plan.focal_length));
    near("active fraction", back.active_fraction, 0.6, 1e-9);
    near("spot velocity", back.spot_velocity, 406.4, 1e-9);
}

#[test]
fn facets_that_are_cut_off_true() {
    // Facet-to-axis error a turns the beam by 2a: Beiser, Unified Optical Scanning Technology
    // 4.3; the factor derived. Values for f = 300 mm derived.
    let shift = facet_to_axis_shift(10.0 * ARCSEC, 0.3);
    near("10 arcsec", shift, 6.0 * ARCSEC, 1e-9);
    near("10 arcsec", shift, 29.0888e-6, 2e-6);
    near("10 arcsec over the pitch", shift / (INCH / 300.0), 0.3436, 1e-4);
    // One arcsec is 4.84813681 urad (GNU units, as read from Debian's `units`).
    near("arcsec", ARCSEC, 4.84813681e-6, 1e-9);
}

#[test]
fn an_index_only_start_shows_division_errors() {
    use crate::optics::{Clock, ClockKind, Hardware, StartOfScan};
    let mut request = LineRequest {
        facets: 10,
        speed: 4800.0 * RPM,
        decides: Decides::FocalLength(0.3),
        length: 0.2,
        resolution: 300.0 / INCH,
        hardware: Some(Hardware {
            clock: Clock { master: 480e6, kind: ClockKind::Accumulator { bits: 32 } },
            dot_least: 0.0,
            word_service: 1e-6,
            queue_words: 64,
            active_most: 0.8,
            line_most: 0.3,
            speed_least: 10.0,
            speed_most: 1000.0,
            start_of_scan: StartOfScan::IndexOnly,
            length_error_most: 1e9,
            in_scan_range: 1e-6,
            cross_scan_range: 500e-6,
            min_trim_reach: 0.0,
            length_trim: 0.0,
        }),
    };
    let plan = plan_line(&request).unwrap();
    // The delay of a/ω at v = 2·ω·f is a shift of 2·a·f: derived.
    let shift = plan.division_shift * 10.0 * ARCSEC;
    let late = 10.0 * ARCSEC / plan.speed * plan.spot_velocity;
    near("division error", shift, late, 1e-9);
    // A pulse on every facet cancels it to first order (Beiser 4.3; derived).
    if let Some(h) = &mut request.hardware {
        h.start_of_scan = StartOfScan::EveryFacet;
    }
    assert_eq!(plan_line(&request).unwrap().division_shift, 0.0);
}

#[test]
fn polygons_of_other_facet_counts() {
    // 36 facets turn 10 deg each and scan 20 deg (a published optics library's polygon example);
    // 6 facets scan 120 deg (quoted from Hobbs, Building Electro-Optical Systems).
    near("36 facets", optical_scan_angle(36).to_degrees(), 20.0, 1e-9);
    near("6 facets", optical_scan_angle(6).to_degrees(), 120.0, 1e-9);
    // 15625 lines/s from 6 facets needs 156250 rpm (hobby article; arithmetic right).
    near("6 facets", line_rate(6, 156_250.0 * RPM), 15_625.0, 1e-9);
}

#[test]
fn a_spot_runs_at_twice_the_angle_of_its_mirror() {
    near("velocity", spot_velocity(TAU, 1.0), 4.0 * PI, 1e-9);
}

#[test]
fn the_signs_of_trims() {
    // A line late in +x gets a shorter delay: common practice, no source. The same sense as
    // raising the clock of a fast facet and lowering that of a slow one (US 4,204,233).
    near("in-scan", in_scan_change(40.64e-6, 406.4), -100e-9, 1e-9);
    near("in-scan", in_scan_change(-40.64e-6, 406.4), 100e-9, 1e-9);
    // y = 2·g·f for a galvanometer ahead of the lens: derived.
    let change = cross_scan_change(29.0888e-6, 0.3);
    near("cross-scan", galvanometer_shift(change, 0.3), -29.0888e-6, 1e-9);
    // It takes the facet's own angle back.
    near("cross-scan", cross_scan_change(facet_to_axis_shift(1e-5, 0.3), 0.3), -1e-5, 1e-9);

    let reading = Reading::whole((40.64e-6, 0.4e-6), (-60e-6, 0.4e-6));
    let scale = LineScale { spot_velocity: 406.4, focal_length: 0.3, length: 0.3 };
    let fine = |range| Register { step: 1e-15, range };
    let new = corrected(
        Trim::default(),
        &FacetMean::of(&[reading], 0.3).unwrap(),
        scale,
        &TrimRegisters { in_scan: fine(1e-6), cross_scan: fine(1e-3), power: None, length: None },
        1.0,
    )
    .unwrap();
    near("in-scan", new.trim.in_scan, -100e-9, 1e-7);
    near("cross-scan", new.trim.cross_scan, 100e-6, 1e-9);
    near("in-scan u", new.in_scan_u, 0.4e-6 / 406.4, 1e-9);
}
