//! Values that a head can have: a description or a temperature beyond them is a slip, mostly of a
//! unit. One table, for the contracts and for authors of drivers.

use crate::Description;
use crate::optics::{MAX_MARKS, Register};

/// A value of a description, and where it lies on any real head. All ranges are common practice,
/// no source, and wider than what heads are built for.
pub(crate) struct Plausible {
    /// The key, as on the wire.
    pub key: &'static str,
    /// Its SI unit; `share` and `count` for plain numbers.
    pub unit: &'static str,
    /// The least plausible value.
    pub least: f64,
    /// The largest plausible value.
    pub most: f64,
    of: fn(&Description) -> f64,
}

/// Plausible temperatures of a head in K, from the least to the most.
pub(crate) const TEMPERATURE: (f64, f64) = (150.0, 500.0);

/// Most parts of a line whose clock ratio can differ.
const MAX_SEGMENTS: u32 = 4096;

/// Plausible nominal voltages of rails in V, either way of zero.
const RAIL: (f64, f64) = (0.1, 2000.0);

/// Plausible tolerances of rails.
const TOLERANCE: (f64, f64) = (1e-4, 0.5);

/// Longest plausible time of anything in s.
const HOUR: f64 = 3600.0;

const fn value(
    key: &'static str,
    unit: &'static str,
    (least, most): (f64, f64),
    of: fn(&Description) -> f64,
) -> Plausible {
    Plausible { key, unit, least, most, of }
}

/// Every number of a description but those of lists and of the kind of its clock.
pub(crate) const PLAUSIBLE: &[Plausible] = &[
    value("facets", "count", (2.0, 1024.0), |d| f64::from(d.facets)),
    value("speed_least", "rad/s", (0.1, 2e4), |d| d.speed_least),
    value("speed_most", "rad/s", (0.1, 2e4), |d| d.speed_most),
    value("lock_window", "share", (1e-9, 0.5), |d| d.lock_window),
    value("lock_turns", "count", (1.0, 1e6), |d| f64::from(d.lock_turns)),
    value("spin_up_most", "s", (1e-3, HOUR), |d| d.spin_up_most),
    value("coast_most", "s", (1e-3, HOUR), |d| d.coast_most),
    value("focal_length", "m", (1e-3, 20.0), |d| d.focal_length),
    value("line_most", "m", (1e-5, 20.0), |d| d.line_most),
    value("active_most", "share", (1e-3, 1.0), |d| d.active_most),
    value("clock.master", "Hz", (1e4, 1e11), |d| d.clock.master),
    value("dot_least", "s", (0.0, 1e-3), |d| d.dot_least),
    value("word_service", "s", (1e-11, 0.1), |d| d.word_service),
    value("queue_words", "count", (1.0, 4.3e9), |d| f64::from(d.queue_words)),
    value("in_scan_trim.step", "s", (1e-15, 1e-4), |d| d.in_scan_trim.step),
    value("in_scan_trim.range", "s", (1e-15, 1e-2), |d| d.in_scan_trim.range),
    value("cross_scan_trim.step", "rad", (1e-12, 1e-2), |d| d.cross_scan_trim.step),
    value("cross_scan_trim.range", "rad", (1e-12, 0.8), |d| d.cross_scan_trim.range),
    value("map_marks", "count", (0.0, MAX_MARKS as f64), |d| f64::from(d.map_marks)),
    value("galvanometer_range", "rad", (1e-6, 1.58), |d| d.galvanometer_range),
    value("galvanometer_settling", "s", (0.0, 2.0), |d| d.galvanometer_settling),
    value("laser_power", "W", (0.0, 2e4), |d| d.laser_power),
    value("times.reply_most", "s", (0.0, HOUR), |d| d.times.reply_most),
    value("times.silence_most", "s", (1e-4, HOUR), |d| d.times.silence_most),
    value("times.pulse_silence_most", "s", (1e-4, HOUR), |d| d.times.pulse_silence_most),
    value("times.arming_most", "s", (0.0, HOUR), |d| d.times.arming_most),
    value("times.fill_most", "s", (0.0, HOUR), |d| d.times.fill_most),
    value("times.waiting_turns_most", "count", (1.0, 1e4), |d| {
        f64::from(d.times.waiting_turns_most)
    }),
    value("times.reading_most", "s", (0.0, HOUR), |d| d.times.reading_most),
    value("times.gauge_silence_most", "s", (0.0, HOUR), |d| d.times.gauge_silence_most),
    value("times.brake_most", "s", (1e-3, HOUR), |d| d.times.brake_most),
    value("times.station_most", "s", (0.0, HOUR), |d| d.times.station_most),
];

/// What a value in another unit looks like; none where there is hardly another one.
fn hint(unit: &str) -> &'static str {
    match unit {
        "m" => ": in m, not mm?",
        "s" => ": in s, not ms, us or ns?",
        "rad" => ": in rad, not deg, mrad or urad?",
        "rad/s" => ": in rad/s, which is rpm times pi/30?",
        "Hz" => ": in Hz, not MHz?",
        "V" => ": in V, not mV?",
        "W" => ": in W, not mW?",
        "K" => ": in K, not degrees Celsius?",
        "share" => ": a share of 1, not in %?",
        _ => "",
    }
}

/// A number with its unit, without long rows of zeros.
fn shown(value: f64, unit: &str) -> String {
    let long = value != 0.0 && !(1e-3..1e6).contains(&value.abs());
    let number = if long { format!("{value:e}") } else { value.to_string() };
    match unit {
        "count" | "share" => number,
        _ => format!("{number} {unit}"),
    }
}

/// Why a value is not plausible; none where it is.
fn doubt(key: &str, unit: &str, value: f64, (least, most): (f64, f64)) -> Option<String> {
    (!(least..=most).contains(&value)).then(|| {
        let [value, least, most] = [value, least, most].map(|value| shown(value, unit));
        let hint = hint(unit);
        format!("`{key}` is {value}, outside {least} to {most}{hint}")
    })
}

/// Why a temperature of a head in K is not plausible; none where it is.
pub(crate) fn temperature(kelvin: f64) -> Option<String> {
    doubt("temperature", "K", kelvin, TEMPERATURE)
}

impl Description {
    /// Every number that no head can have, in the order of [`PLAUSIBLE`], then what contradicts
    /// something else, then the rails.
    pub fn implausible(&self) -> Vec<String> {
        let mut found: Vec<String> = PLAUSIBLE
            .iter()
            .filter_map(|p| doubt(p.key, p.unit, (p.of)(self), (p.least, p.most)))
            .collect();
        let orders = [
            ("speed_least", self.speed_least, "speed_most", self.speed_most, "rad/s"),
            (
                "in_scan_trim.step",
                self.in_scan_trim.step,
                "in_scan_trim.range",
                self.in_scan_trim.range,
                "s",
            ),
            (
                "cross_scan_trim.step",
                self.cross_scan_trim.step,
                "cross_scan_trim.range",
                self.cross_scan_trim.range,
                "rad",
            ),
        ];
        for (low, least, high, most, unit) in orders {
            if least > most {
                let (least, most) = (shown(least, unit), shown(most, unit));
                found.push(format!("`{low}` is {least}, above `{high}`, {most}"));
            }
        }
        let linearity = self.linearity.map(|l| Register { step: l.step, range: l.range });
        for (key, register) in [
            ("power_trim", self.power_trim),
            ("length_trim", self.length_trim),
            ("linearity", linearity),
        ] {
            let Some(Register { step, range }) = register else { continue };
            // A share of 0 or less draws nothing.
            if !(step > 0.0 && step <= range && range < 1.0) {
                found.push(format!(
                    "`{key}` has the step {step} and the range {range}: it takes 0 < step <= range < 1"
                ));
            }
        }
        if let Some(segments) = self.linearity.map(|l| l.segments)
            && !(1..=MAX_SEGMENTS).contains(&segments)
        {
            found.push(format!("`linearity.segments` is {segments}, outside 1 to {MAX_SEGMENTS}"));
        }
        if let Err(why) = self.clock.limits() {
            found.push(format!("`clock`: {why}"));
        }
        for rail in &self.rails {
            let key = format!("rails: {}, nominal", rail.name);
            found.extend(doubt(&key, "V", rail.nominal.abs(), RAIL));
            let key = format!("rails: {}, tolerance", rail.name);
            found.extend(doubt(&key, "share", rail.tolerance, TOLERANCE));
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::{MAX_SEGMENTS, PLAUSIBLE, temperature};
    use crate::optics::{Linearity, Register};
    use crate::tests::description;
    use std::collections::BTreeSet;

    #[test]
    fn a_good_head_is_plausible_and_keys_are_those_of_the_wire() {
        let described = description();
        assert_eq!(described.implausible(), Vec::<String>::new());
        let json = serde_json::to_value(&described).unwrap();
        let mut keys = BTreeSet::new();
        for plausible in PLAUSIBLE {
            assert!(keys.insert(plausible.key), "{}", plausible.key);
            let at = format!("/{}", plausible.key.replace('.', "/"));
            // What may be left out is not there.
            let left_out = plausible.key == "times.station_most";
            assert_eq!(json.pointer(&at).is_some_and(|v| v.is_number()), !left_out, "{at}");
        }
        // No number is without a range.
        let numbers = json.as_object().unwrap().iter().filter(|(_, value)| value.is_number());
        for (key, _) in numbers.chain(json["times"].as_object().unwrap()) {
            assert!(keys.iter().any(|known| known.rsplit('.').next() == Some(key)), "{key}");
        }
    }

    #[test]
    fn optional_registers_must_hold_something() {
        let mut head = description();
        head.power_trim = Some(Register { step: 0.01, range: 0.5 });
        head.linearity = Some(Linearity { segments: 16, step: 1e-5, range: 0.1 });
        assert_eq!(head.implausible(), Vec::<String>::new());
        head.power_trim = Some(Register { step: 0.01, range: 1.0 });
        head.length_trim = Some(Register { step: 0.0, range: 0.1 });
        head.linearity = Some(Linearity { segments: MAX_SEGMENTS + 1, step: f64::NAN, range: 0.1 });
        let found = head.implausible();
        assert_eq!(found.len(), 4, "{found:?}");
        assert!(
            found[0].starts_with("`power_trim` has the step 0.01 and the range 1"),
            "{found:?}"
        );
    }

    #[test]
    fn degrees_celsius_are_no_kelvin() {
        assert_eq!(temperature(295.65), None);
        assert_eq!(
            temperature(22.5).unwrap(),
            "`temperature` is 22.5 K, outside 150 K to 500 K: in K, not degrees Celsius?"
        );
        assert!(temperature(f64::NAN).is_some());
    }
}
