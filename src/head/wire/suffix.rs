//! Units behind numbers: which suffixes a parameter takes, and what they make of it in SI. Prefixes
//! after IEEE 488.2 table 7-2 (from memory): M is milli and MA mega. No parameter is a frequency, of
//! which MHZ would be the exception. Pure; uses the errors.

use crate::wire::errors::WireError;
use core::f64::consts::PI;

/// Suffixes of a parameter in a unit: name, factor, and whether prefixes may stand before it. None where
/// it is a plain number.
fn suffixes(unit: &str) -> &'static [(&'static str, f64, bool)] {
    match unit {
        "s" => &[("S", 1.0, true)],
        "rad" => &[("RAD", 1.0, true), ("DEG", PI / 180.0, false)],
        "rad/s" => &[("RAD/S", 1.0, true), ("RPM", PI / 30.0, false), ("REV/S", 2.0 * PI, false)],
        "m" => &[("M", 1.0, true)],
        "share" => &[("PCT", 0.01, false), ("%", 0.01, false)],
        _ => &[],
    }
}

/// Prefixes, longer ones first. Those that divide are exact powers of ten to divide by.
const PREFIXES: &[(&str, f64, bool)] = &[
    ("MA", 1e6, false),
    ("G", 1e9, false),
    ("K", 1e3, false),
    ("M", 1e3, true),
    ("U", 1e6, true),
    ("N", 1e9, true),
    ("P", 1e12, true),
];

/// The value of a parameter that is in `unit` without a suffix.
pub(crate) fn si(value: f64, suffix: &str, unit: &str) -> Result<f64, WireError> {
    if suffix.is_empty() {
        return Ok(value);
    }
    let known = suffixes(unit);
    if known.is_empty() {
        return Err(WireError::new(-138, format!("`{suffix}` behind a plain number")));
    }
    for (name, factor, prefixed) in known {
        let Some(prefix) = suffix.strip_suffix(name) else { continue };
        if prefix.is_empty() {
            return Ok(value * factor);
        }
        if let (true, Some((_, power, divides))) =
            (prefixed, PREFIXES.iter().find(|(known, ..)| *known == prefix))
        {
            return Ok(if *divides { value / power } else { value * power });
        }
    }
    let names: Vec<&str> = known.iter().map(|(name, ..)| *name).collect();
    Err(WireError::new(-131, format!("`{suffix}`: write {} or none", names.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::si;

    #[test]
    fn suffixes_with_prefixes() {
        for (value, suffix, unit, wanted) in [
            (5.0, "", "s", 5.0),
            (5.0, "NS", "s", 5e-9),
            (2.0, "MM", "m", 2e-3),
            (2.0, "M", "m", 2.0),
            (2.0, "UM", "m", 2e-6),
            (3.0, "MAM", "m", 3e6),
            (0.2, "MRAD", "rad", 0.2e-3),
            (180.0, "DEG", "rad", core::f64::consts::PI),
            (30.0, "RPM", "rad/s", core::f64::consts::PI),
            (1.0, "KRAD/S", "rad/s", 1000.0),
            (35.0, "PCT", "share", 0.35),
        ] {
            let read = si(value, suffix, unit).unwrap();
            assert!((read - wanted).abs() <= 1e-15 * wanted, "{value} {suffix}: {read}");
        }
        assert_eq!(si(1.0, "V", "s").unwrap_err().code, -131);
        assert_eq!(si(1.0, "MDEG", "rad").unwrap_err().code, -131);
        assert_eq!(si(1.0, "S", "count").unwrap_err().code, -138);
    }
}
