//! Rotor and galvanometer of the simulated head against closed forms.
//!
//! 'Derived' closed forms solve the equation of motion J·dω/dt = T − drag by hand.

use crate::config::Config;
use crate::galvanometer::{Galvanometer, Loop};
use crate::noise::Noise;
use crate::ode::step;
use crate::pulses::{LockDetector, Pulses};
use crate::rotor::{Drive, Moment, Rotor};
use crate::windage::Windage;

/// No friction at all; tests add what they look at.
const FREE: Rotor = Rotor {
    inertia: 1e-4,
    torque_most: 0.01,
    bearing: 0.0,
    viscous: 0.0,
    windage: Windage::NONE,
    proportional: 1e-3,
    integral: 1e-3,
};

/// So far from every speed looked at that the drive gives its largest torque, 0.01 N·m.
const FULL: Drive = Drive::Hold(5000.0);

fn near(what: &str, got: f64, want: f64, relative: f64) {
    assert!((got - want).abs() <= relative * want.abs(), "{what}: got {got:.12}, want {want:.12}");
}

fn spinning(speed: f64) -> Moment {
    Moment { speed, ..Moment::default() }
}

#[test]
fn constant_torque_takes_inertia_times_speed_over_torque() {
    // t = J·ω/T, θ = ω·t/2: derived.
    let motion = FREE.motion(FULL, Moment::default());
    let speed = 500.0;
    let time = FREE.inertia * speed / 0.01;
    near("speed", motion.at(time).speed, speed, 1e-9);
    near("angle", motion.at(time).angle, speed * time / 2.0, 1e-9);
    near("time", motion.passes(speed * time / 2.0).unwrap(), time, 1e-9);
}

#[test]
fn a_speed_proportional_drag_makes_a_first_order_spin_up() {
    // ω = w∞(1 − exp(−t/τ)), τ = J/c: derived; to 0.01 % in 9.2103 τ, to 2 % in 3.912 τ.
    let rotor = Rotor { viscous: 2e-5, ..FREE };
    let motion = rotor.motion(FULL, Moment::default());
    let (end, tau) = (0.01 / 2e-5, 1e-4 / 2e-5);
    for (times, left) in [(9.210_340_372, 1e-4), (3.912_023_005, 0.02), (1.0, (-1.0_f64).exp())] {
        let speed = motion.at(times * tau).speed;
        near("left to go", 1.0 - speed / end, left, 1e-6);
    }
    let t = 2.5 * tau;
    let angle = end * (t - tau * (1.0 - (-2.5_f64).exp()));
    near("angle", motion.at(t).angle, angle, 1e-9);
    near("passes", motion.passes(angle).unwrap(), t, 1e-9);
}

#[test]
fn laminar_windage_makes_its_own_spin_up() {
    // J·dω/dt = T − l·ω^1.5 with s = √(ω/w∞), w∞ = (T/l)^(2/3): t = J·w∞/T·∫2·s·ds/(1 − s³)
    // = J·w∞/T·(2/3)·[½·ln(1 + s + s²) − ln(1 − s) − √3·(atan((2·s + 1)/√3) − π/6)], by partial
    // fractions: derived. SciPy's quadrature agrees to 1e-12 at s = 0.3, 0.7 and 0.95.
    let laminar = 1e-6;
    let rotor = Rotor { windage: Windage::laminar(laminar), ..FREE };
    let motion = rotor.motion(FULL, Moment::default());
    let end = (0.01_f64 / laminar).powf(2.0 / 3.0);
    let root = 3.0_f64.sqrt();
    for s in [0.3, 0.7, 0.95_f64] {
        let arc = ((2.0 * s + 1.0) / root).atan() - core::f64::consts::FRAC_PI_6;
        let parts = (1.0 + s + s * s).ln() / 2.0 - (1.0 - s).ln() - root * arc;
        let time = 1e-4 * end / 0.01 * 2.0 / 3.0 * parts;
        // A step errs by 1e-11 of the 5000 rad/s asked for.
        near("speed", motion.at(time).speed, s * s * end, 5e-8);
    }
    // Windage power grows with the power of 2.5: derived.
    near(
        "power",
        rotor.drag(200.0) * 200.0 / (rotor.drag(100.0) * 100.0),
        2.0_f64.powf(2.5),
        1e-12,
    );
}

#[test]
fn coasting_on_laminar_windage_follows_a_square() {
    // ω = w0/(1 + t/τ)², τ = 2·J/(l·√w0): derived; a quarter at τ, 1 % at 9 τ.
    let rotor = Rotor { windage: Windage::laminar(1e-6), ..FREE };
    let motion = rotor.motion(Drive::Coast, spinning(500.0));
    let tau = 2.0 * 1e-4 / (1e-6 * 500.0_f64.sqrt());
    near("1 %", motion.at(9.0 * tau).speed, 5.0, 1e-6);
    near("a quarter", motion.at(tau).speed, 125.0, 1e-8);
}

#[test]
fn coasting_on_bearing_drag_ends_at_rest() {
    // t = J·w0/b, θ = w0·t/2: derived.
    let rotor = Rotor { bearing: 5e-4, ..FREE };
    let motion = rotor.motion(Drive::Coast, spinning(500.0));
    near("time", motion.steady.time, 100.0, 1e-9);
    near("angle", motion.steady.angle, 25_000.0, 1e-9);
    assert_eq!(motion.steady.speed, 0.0);
    assert_eq!(motion.at(200.0).angle, motion.steady.angle);
    assert_eq!(motion.passes(25_001.0), None);
    // Braking adds the drive's torque.
    let braked = rotor.motion(Drive::Brake, spinning(500.0));
    near("braked", braked.steady.time, 1e-4 * 500.0 / 0.0105, 1e-9);
}

#[test]
fn the_speed_loop_is_the_textbook_second_order_loop_while_unlimited() {
    // With proportional gain p and integral gain i on inertia J without drag, the error from
    // an initial one is e'' + (p/J)e' + (i/J)e = 0 with e'(0) = −(p/J)e(0): derived. Compared
    // with the free response that the galvanometer's closed form gives.
    let rotor = Rotor { torque_most: 1.0, proportional: 6e-4, integral: 1e-3, ..FREE };
    let natural = (1e-3_f64 / 1e-4).sqrt();
    let free = Loop { natural, damping: 6e-4 / 1e-4 / (2.0 * natural), slew: 0.0 };
    let motion = rotor.motion(Drive::Hold(500.0), spinning(450.0));
    for time in [0.1, 0.5, 1.0, 2.0, 4.0] {
        let left = free.left(50.0, -6.0 * 50.0, time).0;
        let got = 500.0 - motion.at(time).speed;
        assert!((got - left).abs() < 1e-6, "{time}: {got} {left}");
    }
    assert!(motion.last_outside(0.0, 500.0).is_some_and(|time| time > 0.1));
    assert_eq!(motion.steady.speed, 500.0);
}

#[test]
fn a_step_of_the_galvanometer_overshoots_as_published() {
    // ζ = 0.5, ω = 10 rad/s: overshoot 16.3034 %, peak at 0.362760 s (University of Michigan
    // control tutorials; exp(−πζ/√(1−ζ²)) and π/(ω√(1−ζ²)) derived).
    let mut mirror = Galvanometer::new(Loop { natural: 10.0, damping: 0.5, slew: 0.0 }, 0.0);
    mirror.send(1.0, 0.0);
    let steps = (0..1_000_000_u32).map(|i| f64::from(i) * 1e-6);
    let peak = steps.max_by(|a, b| mirror.at(*a).total_cmp(&mirror.at(*b))).unwrap();
    near("overshoot", mirror.at(peak) - 1.0, 0.163_034, 1e-5);
    near("peak", peak, 0.362_760, 1e-5);
}

#[test]
fn the_integrator_reproduces_the_published_motor() {
    // J = 0.01, b = 0.1, K = 0.01, R = 1, L = 0.5, step of 1 V: 0.1 rad/s (gain 0.0999001),
    // within 2 % after 2.065 s (University of Michigan control tutorials: 0.1 rad/s, 2.07 s).
    let (j, b, k, r, l) = (0.01, 0.1, 0.01, 1.0, 0.5);
    let rate = |s: &[f64; 2]| [(k * s[1] - b * s[0]) / j, (1.0 - r * s[1] - k * s[0]) / l];
    let h = 1e-3;
    let (mut state, mut last) = ([0.0, 0.0], 0.0);
    let gain = k / (r * b + k * k);
    for i in 1..=10_000 {
        state = step(rate, &state, &rate(&state), h).to;
        if (state[0] / gain - 1.0).abs() > 0.02 {
            last = f64::from(i) * h;
        }
    }
    near("gain", state[0], 0.099_900_1, 1e-6);
    near("settling", last, 2.065, 1e-3);
}

#[test]
fn lock_takes_turns_in_a_row_and_any_outside_starts_again() {
    // Lock: inside the window for a count of cycles in a row, any excursion resets the count (TI
    // LMK03806 data sheet); unlock likewise after misses in a row (US 6,798,858). Counted anew here
    // from the index pulses, with jitter so wide that every third turn is outside.
    let text = "[rotor]\njitter = '500 ppm'\n[lock]\nwindow = '500 ppm'\nturns = 6\nmisses = 2\n";
    let config = Config::read(Some(text), 5).unwrap();
    let pulses = Pulses::new(&config, Noise::new(5));
    let motion = config.rotor.motion(Drive::Hold(500.0), Moment::default());
    let mut detector = LockDetector::default();
    let (mut inside, mut outside, mut locked, mut changes) = (0, 0, false, 0);
    for turn in 2..2000 {
        let (from, to) =
            (pulses.index(&motion, turn - 1).unwrap(), pulses.index(&motion, turn).unwrap());
        let off = (to - from) * 500.0 / core::f64::consts::TAU - 1.0;
        if off.abs() <= 500e-6 {
            (inside, outside) = (inside + 1, 0);
        } else {
            (inside, outside) = (0, outside + 1);
        }
        let before = locked;
        locked = if locked { outside < 2 } else { inside >= 6 };
        changes += u32::from(locked != before);
        // Half way to the next index, which the rotor itself passes without jitter.
        let until = motion.passes((turn as f64 + 0.5) * core::f64::consts::TAU).unwrap();
        detector.catch_up(&pulses, &motion, Some(500.0), &config, until);
        assert_eq!(detector.locked, locked, "turn {turn}");
    }
    assert!(changes > 20, "{changes}");
}
