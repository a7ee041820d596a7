//! Units behind numbers: which suffixes a parameter takes, and what they make of it in SI. Prefixes
//! after IEEE 488.2 table 7-2 (from memory): M is milli and MA mega. No parameter is a frequency, of
//! which MHZ would be the exception. Pure; uses the errors.

use crate::wire::errors::WireError;
use core::f64::consts::PI;

/// What a parameter measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// In s.
    Time,
    /// In rad.
    Angle,
    /// In rad/s.
    Speed,
    /// In m.
    Length,
    /// A share of one.
    Share,
    /// A plain number.
    Plain,
}

/// Suffixes of a kind: name, factor, and whether prefixes may stand before it.
fn suffixes(kind: Kind) -> &'static [(&'static str, f64, bool)] {
    match kind {
        Kind::Time => &[("S", 1.0, true)],
        Kind::Angle => &[("RAD", 1.0, true), ("DEG", PI / 180.0, false)],
        Kind::Speed => {
            &[("RAD/S", 1.0, true), ("RPM", PI / 30.0, false), ("REV/S", 2.0 * PI, false)]
        }
        Kind::Length => &[("M", 1.0, true)],
        Kind::Share => &[("PCT", 0.01, false), ("%", 0.01, false)],
        Kind::Plain => &[],
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

/// The value in SI.
pub(crate) fn si(value: f64, suffix: &str, kind: Kind) -> Result<f64, WireError> {
    if suffix.is_empty() {
        return Ok(value);
    }
    if kind == Kind::Plain {
        return Err(WireError::new(-138, format!("`{suffix}` behind a plain number")));
    }
    for (name, factor, prefixed) in suffixes(kind) {
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
    let known: Vec<&str> = suffixes(kind).iter().map(|(name, ..)| *name).collect();
    Err(WireError::new(-131, format!("`{suffix}`: write {} or none", known.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::{Kind, si};

    #[test]
    fn suffixes_with_prefixes() {
        for (value, suffix, kind, wanted) in [
            (5.0, "", Kind::Time, 5.0),
            (5.0, "NS", Kind::Time, 5e-9),
            (2.0, "MM", Kind::Length, 2e-3),
            (2.0, "M", Kind::Length, 2.0),
            (2.0, "UM", Kind::Length, 2e-6),
            (3.0, "MAM", Kind::Length, 3e6),
            (0.2, "MRAD", Kind::Angle, 0.2e-3),
            (180.0, "DEG", Kind::Angle, core::f64::consts::PI),
            (30.0, "RPM", Kind::Speed, core::f64::consts::PI),
            (1.0, "KRAD/S", Kind::Speed, 1000.0),
            (35.0, "PCT", Kind::Share, 0.35),
        ] {
            let read = si(value, suffix, kind).unwrap();
            assert!((read - wanted).abs() <= 1e-15 * wanted, "{value} {suffix}: {read}");
        }
        assert_eq!(si(1.0, "V", Kind::Time).unwrap_err().code, -131);
        assert_eq!(si(1.0, "MDEG", Kind::Angle).unwrap_err().code, -131);
        assert_eq!(si(1.0, "S", Kind::Plain).unwrap_err().code, -138);
    }
}
