//! What moves lines slowly or by a constant: hunting, warming up, the laser's rise, facets that
//! stretch. Every number expected is arithmetic on the description.

use crate::tests::{SPEED, clean, locked, order};
use core::f64::consts::TAU;
use spintrue_head::{Fault, Gauge, Head, LineOrder};

/// Focal length of the built-in head in m; the spot moves at 2·ω·f (f-theta law, derived).
const FOCAL: f64 = 404.2536e-3;

fn shift(changes: &[(&str, &str)], wait: f64) -> f64 {
    let (mut head, mut gauge, plan) = locked(&clean(changes), 1);
    head.sleep(wait);
    head.arm(0.3).unwrap();
    head.expose(&order(0, &plan)).unwrap();
    gauge.measure().unwrap().shift().0
}

#[test]
fn a_slow_laser_draws_late_by_its_rise() {
    let late = shift(&[("laser", "rise = '20 ns'")], 0.0) - shift(&[], 0.0);
    let expected = 2.0 * SPEED * FOCAL * 20e-9;
    assert!((late - expected).abs() < 2e-9, "{late} {expected}");
}

#[test]
fn the_delay_drifts_as_the_head_warms_up() {
    let changes = [("thermal", "rise = '10 K'\ntime_constant = '1 min'\ndelay_drift = '2 ns/K'")];
    let cold = shift(&[], 3600.0);
    let warm = shift(&changes, 3600.0);
    // At 4800 of 6000 rpm a cube of 0.8 of the rise, in the long run.
    let expected = 2.0 * SPEED * FOCAL * 2e-9 * 10.0 * 0.8_f64.powi(3);
    assert!((warm - cold - expected).abs() < 3e-9, "{} {expected}", warm - cold);
}

#[test]
fn dots_too_short_for_the_laser_are_neither_planned_nor_drawn() {
    for clock in ["kind = 'divider'", "kind = 'accumulator'"] {
        let text = format!("[laser]\ndot_least = '100 ns'\n[dot_clock]\n{clock}\n");
        let (mut head, _, plan) = locked(&text, 1);
        head.arm(0.3).unwrap();
        let short = LineOrder { dot_period: 90e-9, ..order(0, &plan) };
        let said = head.expose(&short).unwrap_err();
        assert!(matches!(said, Fault::OutOfRange { .. }), "{said}");
        head.expose(&LineOrder { dot_period: 100e-9, ..order(0, &plan) }).unwrap();
    }
    let (mut head, _, _) = locked("[laser]\ndot_least = '100 ns'\n", 1);
    let (shortest, _) = head.describe().unwrap().clock.limits().unwrap();
    assert!((shortest - 100e-9).abs() < 1e-12, "{shortest}");
}

#[test]
fn the_speed_hunts_as_described_and_stays_locked() {
    let text = clean(&[("rotor", "hunting = [{ frequency = '2 Hz', amplitude = '100 ppm' }]")]);
    let (mut head, _, _) = locked(&text, 1);
    head.sleep(30.0);
    let turns = head.turns(800).unwrap();
    let periods: Vec<f64> = turns.iter().map(|turn| turn.period).collect();
    let mean = TAU / SPEED;
    let largest = periods.iter().map(|p| (p / mean - 1.0).abs()).fold(0.0, f64::max);
    // A turn averages the swing over 12.5 ms of 500 ms: sin(x)/x with x = π/40 (derived).
    let x = core::f64::consts::PI / 40.0;
    let expected = 100e-6 * x.sin() / x;
    assert!((largest / expected - 1.0).abs() < 0.01, "{largest} {expected}");
    // It comes back after half a second, which is 40 turns.
    for pair in periods.windows(41) {
        assert!((pair[0] - pair[40]).abs() < 1e-6 * mean, "{pair:?}");
    }
    assert!(head.status().unwrap().locked);
}

#[test]
fn hunting_keeps_the_longest_spin_up() {
    for seed in 0..4 {
        let text = "[rotor]\njitter = '16 ppm'\nhunting = [{ frequency = '0.5 Hz', amplitude = '125 ppm' }]\n";
        let (mut head, _) = crate::open(Some(("head", text)), seed).unwrap();
        let most = head.describe().unwrap().spin_up_most;
        head.spin(SPEED).unwrap();
        head.sleep(most);
        assert!(head.status().unwrap().locked, "{most}");
    }
}

#[test]
fn a_facet_that_is_not_flat_stretches_its_line() {
    // Off the middle by the plan's own offset; a line 1 % longer about the optical axis moves by
    // 1 % of where its middle lies.
    let stretched = "stretches = ['1 %','0','0','0','0','0','0','0','0','0']";
    let (flat, bent) = (shift(&[], 0.0), shift(&[("facets", stretched)], 0.0));
    let (mut head, mut gauge, plan) = locked(&clean(&[("facets", stretched)]), 1);
    head.arm(0.3).unwrap();
    let later = LineOrder { delay: plan.pre_scan_delay + 10e-6, ..order(0, &plan) };
    head.expose(&later).unwrap();
    let moved = gauge.measure().unwrap().shift().0 - bent;
    let plain = 2.0 * SPEED * FOCAL * 10e-6;
    assert!((moved / plain - 1.01).abs() < 0.002, "{moved} {plain}");
    assert!((bent - flat).abs() < 1e-3, "{bent} {flat}");
}
