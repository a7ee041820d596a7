//! Times of pulses, the light on the detector, gate and ghosts, an index that moved, and stored proof.

use crate::tests::{ARCSEC, SPEED, clean, locked, order, sim};
use core::f64::consts::TAU;
use spintrue_head::{Fault, Gauge, Head, LightSource, MAX_PULSES, Proof, PulseAngle, Trim, Turn};

const DIVISION: &str = "division_errors = ['8 arcsec', '-3 arcsec', '0 rad', '5 arcsec', '0 rad', \
                        '-9 arcsec', '0 rad', '2 arcsec', '0 rad', '-4 arcsec']";
const ERRORS: [f64; 10] = [8.0, -3.0, 0.0, 5.0, 0.0, -9.0, 0.0, 2.0, 0.0, -4.0];

/// Angle in arcsec that the polygon turns through while the head counts once.
const COUNT: f64 = 1e-9 * SPEED / ARCSEC;

/// Angles in arcsec by which pulses come off even division, from the index.
fn angles(turn: &Turn) -> Vec<f64> {
    let angle = |(k, t): (usize, &f64)| (t / turn.period - k as f64 / 10.0) * TAU / ARCSEC;
    turn.pulses.iter().enumerate().map(angle).collect()
}

fn near(seen: &[f64], wanted: &[f64], most: f64) {
    assert_eq!(seen.len(), wanted.len(), "{seen:?}");
    let off = seen.iter().zip(wanted).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(off < most, "{seen:?} instead of {wanted:?}");
}

#[test]
fn pulses_come_where_the_polygon_was_cut() {
    let (mut head, _, _) = locked(&clean(&[("facets", DIVISION)]), 1);
    for turn in head.turns(3).unwrap() {
        assert_eq!(turn.start_of_scan, 10);
        assert!(turn.ends.is_empty());
        near(&angles(&turn), &ERRORS, COUNT);
    }
}

#[test]
fn a_call_tells_the_times_of_its_first_turns_only() {
    let (mut head, _, _) = locked("", 1);
    let turns = head.turns(1005).unwrap();
    let told: usize = turns.iter().map(|turn| turn.pulses.len()).sum();
    assert_eq!(told, MAX_PULSES);
    assert!(turns[999].pulses.len() == 10 && turns[1000].pulses.is_empty());
    assert!(turns.iter().all(|turn| turn.start_of_scan == 10));
}

#[test]
fn a_moved_index_turns_the_pattern_and_draws_with_the_next_facet() {
    let ripple = ("rotor", "ripple = [{ order = 1, amplitude = '20 ppm' }]");
    let heights = "facet_to_axis_errors = ['9 arcsec', '0 rad', '0 rad', '0 rad', '0 rad', '0 rad', \
                   '0 rad', '0 rad', '0 rad', '0 rad']";
    let text = clean(&[("facets", DIVISION), ripple, ("facets", heights)]);
    let (mut head, _, _) = locked(&text, 1);
    let before = angles(&head.turns(1).unwrap()[0]);
    let moved = format!("{text}[[fault]]\nkind = 'index_shifted'\n");
    let (mut head, mut gauge, plan) = locked(&moved, 1);
    let after = angles(&head.turns(1).unwrap()[0]);
    // What the index is off shifts all alike.
    let first = before[1];
    let turned: Vec<f64> = (0..10).map(|k| before[(k + 1) % 10] - first).collect();
    let seen: Vec<f64> = after.iter().map(|angle| angle - after[0]).collect();
    near(&seen, &turned, 2.0 * COUNT);
    head.arm(0.3).unwrap();
    let mut height = |facet| {
        head.expose(&order(facet, &plan)).unwrap();
        gauge.measure().unwrap().shift().1
    };
    // Facet 9 is the former facet 0, which aims high.
    assert!(height(9) > 20e-6 && height(0).abs() < 1e-6);
}

#[test]
fn the_index_moves_at_the_next_spin_up_only() {
    let (mut head, _, _) = locked(&clean(&[("facets", DIVISION)]), 1);
    let mut injector: Box<dyn spintrue_head::FaultInjector> = Box::new(head.injector());
    injector.inject("index_shifted", 0.0).unwrap();
    near(&angles(&head.turns(1).unwrap()[0]), &ERRORS, COUNT);
    head.halt(spintrue_head::Halt::Brake).unwrap();
    head.sleep(60.0);
    head.spin(SPEED).unwrap();
    head.sleep(12.0);
    let mut turned = ERRORS;
    turned.rotate_left(1);
    near(&angles(&head.turns(1).unwrap()[0]), &turned, COUNT);
}

#[test]
fn a_detector_lit_by_the_beam_sees_nothing_in_the_dark_and_trips_later_with_less_light() {
    let beam = ("start_of_scan", "source = 'beam'\npower = '50 %'");
    let (mut head, mut gauge, plan) = locked(&clean(&[beam]), 1);
    assert_eq!(head.describe().unwrap().detector.source, LightSource::Beam);
    let turn = head.turns(1).unwrap().remove(0);
    assert_eq!((turn.start_of_scan, turn.pulses.len()), (0, 0));
    let mut shift = |power: f64| {
        head.arm(power).unwrap();
        let turn = head.turns(1).unwrap().remove(0);
        let drawn = head.expose(&order(0, &plan));
        let shift = drawn.map(|_| gauge.measure().unwrap().shift().0);
        head.disarm().unwrap();
        (turn.start_of_scan, turn.pulses.first().copied(), shift)
    };
    let (count, full, line) = shift(1.0);
    assert_eq!(count, 10);
    let (_, half, half_line) = shift(0.5);
    // −τ·ln(1 − h/r) at r = 2 and r = 1, τ = 0.5 us, h = 0.5: ln(0.75/0.5)·τ = 202.7 ns, by hand.
    let later = half.unwrap() - full.unwrap();
    // Two times, each to half a count.
    assert!((later - 202.73e-9).abs() < 1e-9, "{later}");
    // The line starts as much later: 2·ω·f·202.7 ns.
    let moved = half_line.unwrap() - line.unwrap();
    assert!((moved - 202.73e-9 * plan.spot_velocity).abs() < 20e-9, "{moved}");
    // Below the threshold nothing trips.
    let (count, none, line) = shift(0.2);
    assert_eq!((count, none), (0, None));
    assert_eq!(line, Err(Fault::no_pulse("start-of-scan")));
}

#[test]
fn a_ghost_trips_where_the_gate_is_open() {
    // Its height, the gate, then the pulses of a turn, and whether lines start early by 5 % of the line
    // period, as derived: a ghost comes 95 % of a line period after the last pulse.
    let rows = [
        (0.4, 0.0, 10, false),
        (0.8, 0.0, 20, true),
        (0.8, 0.02, 20, true),
        (0.8, 0.5, 10, true),
        (0.8, 0.97, 10, false),
    ];
    for (ghost, gate, count, early) in rows {
        let keys = format!("ghost = {ghost}\ngate = {gate}");
        let (mut head, mut gauge, plan) = locked(&clean(&[("start_of_scan", &keys)]), 1);
        assert_eq!(head.turns(1).unwrap()[0].start_of_scan, count, "{keys}");
        head.arm(0.3).unwrap();
        head.expose(&order(3, &plan)).unwrap();
        let shift = gauge.measure().unwrap().shift().0;
        let by = 0.05 * plan.line_period * plan.spot_velocity;
        assert!((shift + if early { by } else { 0.0 }).abs() < 0.01 * by, "{keys}: {shift}");
    }
    let text = clean(&[]) + "[[fault]]\nkind = 'ghost_pulse'\nfacet = 3\n";
    let turn = locked(&text, 1).0.turns(1).unwrap().remove(0);
    assert_eq!((turn.start_of_scan, turn.pulses.len()), (11, 11));
    assert!(((turn.pulses[3] - turn.pulses[2]) / turn.period - 0.095).abs() < 1e-6, "{turn:?}");
}

#[test]
fn the_end_of_scan_tells_how_long_lines_are() {
    let stretches = "stretches = ['2000 ppm', 0, 0, 0, 0, '-2000 ppm', 0, 0, 0, 0]";
    let end = ("start_of_scan", "end_of_scan = '90 %'");
    let (mut head, _, _) = locked(&clean(&[end, ("facets", stretches)]), 1);
    let turn = head.turns(1).unwrap().remove(0);
    let share = |k: usize| (turn.ends[k] - turn.pulses[k]) / turn.period * 10.0;
    // The way between the detectors over the speed of the spot: 0.9/(1 + stretch) of a line period.
    near(&[share(0), share(1), share(5)], &[0.9 / 1.002, 0.9, 0.9 / 0.998], 1e-6);
}

#[test]
fn proof_is_kept_with_its_trims_and_through_power_loss_never_without() {
    let set = |value: f64| vec![Trim { in_scan: value, ..Trim::default() }; 10];
    let proof = |power: f64| Proof {
        speed: SPEED,
        power,
        temperature: 300.0,
        pattern: vec![PulseAngle { angle: power * 1e-6, u: 1e-7 }; 10],
    };
    let mut kept = [0, 0];
    for seed in 0..20 {
        let (mut head, _, _) = locked("[[fault]]\nkind = 'store_interrupted'\nat = '13 s'\n", seed);
        assert_eq!(head.stored_proof().unwrap(), None);
        head.load_trims(&set(1e-8)).unwrap();
        head.store_proved_trims(&proof(0.25)).unwrap();
        head.sleep(2.0);
        head.load_trims(&set(2e-8)).unwrap();
        assert!(head.store_proved_trims(&proof(0.5)).is_err());
        let new = head.trims().unwrap()[0].in_scan > 1.5e-8;
        let wanted = proof(if new { 0.5 } else { 0.25 });
        assert_eq!(head.stored_proof().unwrap(), Some(wanted));
        kept[usize::from(new)] += 1;
    }
    assert!(kept[0] > 2 && kept[1] > 2, "{kept:?}");
    let (mut head, _) = sim("", 1);
    let short = Proof { pattern: vec![PulseAngle { angle: 0.0, u: 0.0 }; 9], ..proof(0.25) };
    assert!(matches!(head.store_proved_trims(&short), Err(Fault::Refused(_))));
    head.store_proved_trims(&proof(0.25)).unwrap();
    head.store_trims().unwrap();
    assert_eq!(head.stored_proof().unwrap(), None);
}

#[test]
fn a_head_file_gives_what_an_earlier_run_stored() {
    let text = "[facets]\ncount = 2\n[stored]\nin_scan = ['10 ns', '-10 ns']\nspeed = '3000 rpm'\n\
                pattern = ['1 urad', '-1 urad']\npattern_u = '0.2 urad'\n";
    let (mut head, _) = sim(text, 1);
    let along: Vec<f64> = head.trims().unwrap().iter().map(|trim| trim.in_scan).collect();
    near(&along, &[10e-9, -10e-9], 1e-15);
    let proof = head.stored_proof().unwrap().unwrap();
    near(&[proof.speed, proof.power], &[100.0 * TAU / 2.0, 0.35], 1e-9);
    near(&[proof.pattern[1].angle, proof.pattern[1].u], &[-1e-6, 0.2e-6], 1e-15);
    head.power_cycle();
    assert!(head.trims().unwrap()[0].in_scan > 9e-9);
}
