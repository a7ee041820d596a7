//! What a simulated head says of itself, with bounds worked out from its own physics.

use crate::head::description::Description;
use crate::head::sim::config::Config;
use crate::head::sim::pulses::Pulses;
use crate::head::sim::rotor::{Drive, Moment};
use core::f64::consts::TAU;

/// Speeds between lowest and highest at which spin-up is tried.
const TRIED: u32 = 8;

/// Room left for jitter and for speeds between those tried.
const ROOM: f64 = 1.1;

/// The description of a head.
pub(crate) fn describe(config: &Config, pulses: &Pulses) -> Description {
    Description {
        model: config.model.clone(),
        serial: config.serial.clone(),
        simulated: true,
        facets: u32::try_from(config.facets.len()).unwrap_or(u32::MAX),
        speed_least: config.speed_least,
        speed_most: config.speed_most,
        lock_window: config.lock_window,
        lock_turns: config.lock_turns,
        spin_up_most: spin_up_most(config, pulses),
        coast_most: coast_most(config),
        focal_length: config.focal_length,
        line_most: config.line_most,
        active_most: config.active_most,
        clock: config.clock,
        word_service: config.word_service,
        queue_words: config.queue_words,
        in_scan_trim: config.in_scan_trim,
        cross_scan_trim: config.cross_scan_trim,
        galvanometer_range: config.galvanometer_range,
        galvanometer_settling: galvanometer_settling(config),
        rails: config.rails.clone(),
        start_of_scan: config.detector.pulse,
        laser_power: config.laser_power,
    }
}

/// Time until a step over the full range is within one step of the register, in s.
pub(crate) fn galvanometer_settling(config: &Config) -> f64 {
    let share = config.galvanometer_step / (2.0 * config.galvanometer_range);
    config.galvanometer.settling(share.clamp(1e-12, 0.5))
}

/// Longest time from rest to lock in s: until the mean speed stays inside what the window
/// leaves beside jitter, and the turns that make lock. Infinite where jitter fills the window.
fn spin_up_most(config: &Config, pulses: &Pulses) -> f64 {
    let tried = (0..=TRIED).map(|i| {
        let share = f64::from(i) / f64::from(TRIED);
        let speed = config.speed_least + share * (config.speed_most - config.speed_least);
        let room = config.lock_window - pulses.deviation_most(speed);
        if room <= 0.0 {
            return f64::INFINITY;
        }
        let motion = config.rotor.motion(Drive::Hold(speed), Moment::default());
        let inside = motion.last_outside(speed * (1.0 - room / 2.0), speed * (1.0 + room / 2.0));
        let turns = f64::from(config.lock_turns) + 2.0;
        inside.unwrap_or(0.0) + turns * TAU / speed * (1.0 + config.lock_window)
    });
    ROOM * tried.fold(0.0, f64::max)
}

/// Longest time from full speed to measured rest when coasting, in s: from the highest speed,
/// overshoot included, and the silence that proves rest.
fn coast_most(config: &Config) -> f64 {
    let spin_up = config
        .rotor
        .motion(Drive::Hold(config.speed_most), Moment::default());
    let from = Moment {
        speed: spin_up.speed_most() * (1.0 + config.lock_window),
        ..Moment::default()
    };
    let coast = config.rotor.motion(Drive::Coast, from);
    coast.steady().time + config.detector.rest_after + 0.01
}
