//! The times that a simulated head states, worked out from its own physics.

use crate::config::{Config, MAX_PASSAGES, SILENCE, SLOW_HOST};
use crate::rotor::{Drive, Moment};
use core::f64::consts::{SQRT_2, TAU};
use spintrue_head::{DOTS_PER_WORD, MAX_DOTS, Times};

/// Speeds between lowest and highest at which spin-up is tried.
const TRIED: u32 = 4;

/// Margin for speeds between those tried.
const MARGIN: f64 = 1.1;

/// Chance that lock takes longer than described, where jitter reaches the edge of the window.
const CHANCE: f64 = 1e-9;

/// Settling that takes longer than this multiple of the spin-up at full torque is left to the exact
/// motion, but for what takes less than [`SOON`] in s.
const SLOW: f64 = 6.0;
const SOON: f64 = 60.0;

/// So is settling that takes longer than this multiple of the loop's fastest response.
const STIFF: f64 = 2e4;

/// Longer than this in s is as good as never.
pub(crate) const NEVER: f64 = 1e5;

/// Completes the description with the times that follow from the rest.
pub(crate) fn complete(config: &mut Config) {
    let share = config.galvanometer_step / (2.0 * config.description.galvanometer_range);
    let words = config.description.queue_words.min(MAX_DOTS.div_ceil(DOTS_PER_WORD));
    // Until a step over the full range is within one step of the register.
    let full = 2.0 * config.description.galvanometer_range;
    let settling = config.galvanometer.settling(share.clamp(1e-12, 0.5), full);
    let spin_up = max_spin_up(config);
    // To measured rest: from the highest speed, and the silence that proves rest.
    let fastest = fastest(config);
    let silence = config.description.times.pulse_silence_most;
    let at_rest = |time: f64| time + silence + 0.01;
    let coast = at_rest(config.rotor.coast_time(fastest));
    let brake = MARGIN * at_rest(config.rotor.brake_time(fastest));
    let description = &mut config.description;
    description.galvanometer_settling = settling;
    description.spin_up_most = spin_up;
    description.coast_most = coast;
    description.times = Times {
        reply_most: 0.0,
        silence_most: SILENCE,
        fill_most: f64::from(words) * SLOW_HOST * description.word_service,
        // One more than passages: the facet has just gone by, or a slipping index is behind.
        waiting_turns_most: MAX_PASSAGES + 1,
        gauge_silence_most: SILENCE,
        brake_most: brake,
        ..description.times
    };
}

/// Longest time from rest to lock in s: until the mean speed stays within half the window, then
/// as many runs of turns as it takes for one to be without excursion. A speed at which that takes for
/// ever, because the drive is too weak or jitter too large, never locks and does not count; infinite where
/// that is so at every speed.
fn max_spin_up(config: &Config) -> f64 {
    let half = config.description.lock_window / 2.0;
    let tried = (0..=TRIED).map(|i| {
        let share = f64::from(i) / f64::from(TRIED);
        let speed = config.description.speed_least
            + share * (config.description.speed_most - config.description.speed_least);
        let inside = settled(config, speed, half);
        inside + runs(config, speed) * TAU / speed * (1.0 + config.description.lock_window)
    });
    let locks = tried.filter(|time| *time < NEVER / MARGIN).reduce(f64::max);
    locks.map_or(f64::INFINITY, |longest| MARGIN * longest)
}

/// Time in s by which the mean speed stays within `share` of `speed`: by coarse steps, or by the
/// exact motion where those prove nothing or take so long that the motion might not get there.
fn settled(config: &Config, speed: f64, share: f64) -> f64 {
    let rotor = &config.rotor;
    let across = rotor.inertia * speed / rotor.torque_most;
    let fast = rotor.proportional / rotor.inertia + (rotor.integral / rotor.inertia).sqrt();
    let soon = |time: &f64| *time < (SLOW * across).max(SOON).min(STIFF / fast);
    rotor.settled_by(speed, share).filter(soon).unwrap_or_else(|| {
        let motion = rotor.motion(Drive::Hold(speed), Moment::default());
        motion.last_outside(speed * (1.0 - share), speed * (1.0 + share)).unwrap_or(0.0)
    })
}

/// Turns until lock, all but surely, when the mean is off by half the window and each turn
/// scatters: a run succeeds with p^n, so ln(chance)/ln(1 − p^n) runs of n turns do (derived).
fn runs(config: &Config, speed: f64) -> f64 {
    let turns = f64::from(config.description.lock_turns);
    let detector = SQRT_2 * config.detector.jitter * speed / TAU;
    let scatter = libm::hypot(config.disturbances.jitter(speed), detector);
    // Hunting takes its part of the other half; a description keeps it below half of that.
    let left = config.description.lock_window / 2.0 - config.disturbances.max_hunting().0;
    let misses = if scatter > 0.0 { libm::erfc(left / scatter / SQRT_2) } else { 0.0 };
    let success = libm::exp(turns * libm::log1p(-misses));
    let fails = libm::log1p(-success);
    let runs = if fails < 0.0 { (libm::log(CHANCE) / fails).max(1.0) } else { f64::INFINITY };
    (turns + 2.0) * runs
}

/// The highest speed that the polygon can have, in rad/s.
fn fastest(config: &Config) -> f64 {
    let fastest =
        config.description.speed_most + config.rotor.max_overshoot(config.description.speed_most);
    fastest * (1.0 + config.description.lock_window)
}
