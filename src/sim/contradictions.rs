//! What contradicts itself in a head file, each value of which is right by itself.

use crate::config::Config;
use crate::limits;
use crate::reader::Reader;
use core::f64::consts::TAU;
use spintrue_head::StartOfScan;

/// Fastest speed loop in rad/s that is plausible.
const MAX_LOOP: f64 = 200.0;

impl Config {
    /// A head that locks at none of its speeds, or cannot come to rest, is described wrongly.
    pub(crate) fn check_times(&self, reader: &Reader<'_, '_>) {
        if self.description.spin_up_most > limits::NEVER {
            let message = "with this `rotor` and `lock.window` the polygon does not lock within a day at any speed";
            let help = "a stronger `torque_most`, less `jitter`, fewer `turns` or a wider `window`";
            reader.table("lock").complain_with("window", message, help);
        }
        if self.description.coast_most > limits::NEVER {
            let message =
                "with this `rotor.bearing` the polygon does not come to rest within a day";
            reader.table("rotor").complain_with("bearing", message, "more drag or less inertia");
        }
    }

    /// Trims of an earlier run are what the registers can hold.
    pub(crate) fn hold_stored(&mut self, reader: &Reader<'_, '_>) {
        match self.description.round_trims(&self.stored.trims) {
            Ok(held) => self.stored.trims = held,
            Err(fault) => reader.table("stored").complain("in_scan", fault.to_string()),
        }
    }

    /// Complains about values that contradict each other.
    pub(crate) fn check(&self, reader: &Reader<'_, '_>) {
        let Config { rotor, disturbances, description, .. } = self;
        let table = || reader.table("rotor");
        if description.speed_least > description.speed_most {
            table().complain("speed_least", "`rotor.speed_least` is above `rotor.speed_most`");
        }
        let fastest = MAX_LOOP * rotor.inertia;
        for (key, gain, most) in [
            ("proportional", rotor.proportional, fastest),
            ("integral", rotor.integral, fastest * MAX_LOOP),
        ] {
            if gain > most {
                let message = format!(
                    "`rotor.{key}` makes a speed loop faster than {MAX_LOOP} rad/s on this inertia"
                );
                table().complain_with(key, message, format!("give at most {most} in SI units"));
            }
        }
        let (share, late) = disturbances.max_hunting();
        if share > description.lock_window / 4.0 {
            let message = "`rotor.hunting` is more than a quarter of `lock.window`, so that lock \
                           would come and go";
            let help = "give less or a wider window, or `hunting = []` for none";
            table().complain_with("hunting", message, help);
        }
        // The simulation takes a facet as on time but for a small share of its sweep.
        let sweep = TAU / description.speed_most / self.facets.len() as f64;
        if late > sweep / 4.0 {
            let message = "`rotor.hunting` swings the polygon by more than a quarter of a facet at \
                           the highest speed";
            let help = "give less, or a higher `frequency`";
            table().complain_with("hunting", message, help);
        }
        if self.detector.end_of_scan > 0.0 && description.start_of_scan == StartOfScan::IndexOnly {
            let message = "a head of which only the index gives pulses has no end-of-scan detector";
            let help = "leave it out, or give `pulse = \"every_facet\"`";
            reader.table("start_of_scan").complain_with("end_of_scan", message, help);
        }
        let registers = [
            ("in_scan_step", description.in_scan_trim),
            ("cross_scan_step", description.cross_scan_trim),
        ];
        for (key, _) in registers.iter().filter(|(_, trim)| trim.step > trim.range) {
            let message = format!("`trims.{key}` is more than the range of the register");
            reader.table("trims").complain(key, message);
        }
        if self.parked.abs() > description.galvanometer_range {
            let message = "`galvanometer.parked` is outside its range";
            reader.table("galvanometer").complain("parked", message);
        }
    }
}
