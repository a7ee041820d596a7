//! The one unit table. Factors are exact by definition (SI brochure, 9th edition; the inch is
//! 25.4 mm by the international agreement of 1959), angles follow from 1 rev = 2π rad.

use crate::units::Dimension;
use std::f64::consts::PI;

/// A unit that a quantity can be written in.
#[derive(Debug)]
pub struct Unit {
    /// As written.
    pub name: &'static str,
    /// Other spellings.
    pub aliases: &'static [&'static str],
    /// Which SI prefixes it takes: each letter of this text.
    pub prefixes: &'static str,
    /// Its dimension.
    pub dimension: Dimension,
    /// One of it in SI.
    pub factor: f64,
    /// SI value of its zero; only an absolute temperature has one.
    pub zero: f64,
    /// What it is.
    pub meaning: &'static str,
}

const SI: &str = "fpnumkMG";
const NONE: &str = "";

/// SI prefixes: symbol and factor. U+00B5 and U+03BC are read as `u`.
pub(crate) const PREFIXES: &[(char, f64)] = &[
    ('f', 1e-15),
    ('p', 1e-12),
    ('n', 1e-9),
    ('u', 1e-6),
    ('m', 1e-3),
    ('c', 1e-2),
    ('k', 1e3),
    ('M', 1e6),
    ('G', 1e9),
];

/// Every unit.
pub const UNITS: &[Unit] = &[
    unit("m", &[], "fpnumck", [1, 0, 0, 0, 0, 0], 1.0, "metre"),
    unit("inch", &[], NONE, [1, 0, 0, 0, 0, 0], 0.0254, "inch, 25.4 mm"),
    unit("mil", &[], NONE, [1, 0, 0, 0, 0, 0], 0.0254e-3, "thousandth of an inch, 25.4 um"),
    unit("s", &[], "fpnum", [0, 1, 0, 0, 0, 0], 1.0, "second"),
    unit("min", &[], NONE, [0, 1, 0, 0, 0, 0], 60.0, "minute"),
    unit("h", &[], NONE, [0, 1, 0, 0, 0, 0], 3600.0, "hour"),
    unit("Hz", &[], "mkMG", [0, -1, 0, 0, 0, 0], 1.0, "hertz, a count per second"),
    unit("rad", &[], "num", [0, 0, 0, 0, 0, 1], 1.0, "radian"),
    unit("rev", &[], NONE, [0, 0, 0, 0, 0, 1], 2.0 * PI, "whole turn"),
    unit("deg", &[], "m", [0, 0, 0, 0, 0, 1], PI / 180.0, "degree of angle"),
    unit("arcmin", &[], NONE, [0, 0, 0, 0, 0, 1], PI / 10_800.0, "minute of arc"),
    unit("arcsec", &[], "m", [0, 0, 0, 0, 0, 1], PI / 648_000.0, "second of arc"),
    unit("rpm", &[], NONE, [0, -1, 0, 0, 0, 1], PI / 30.0, "turns per minute, an angle per time"),
    unit("g", &[], "num", [0, 0, 1, 0, 0, 0], 1e-3, "gram"),
    unit("kg", &[], NONE, [0, 0, 1, 0, 0, 0], 1.0, "kilogram"),
    unit("N", &[], SI, [1, -2, 1, 0, 0, 0], 1.0, "newton"),
    unit("Pa", &[], SI, [-1, -2, 1, 0, 0, 0], 1.0, "pascal"),
    unit("bar", &[], "m", [-1, -2, 1, 0, 0, 0], 1e5, "bar, 100 kPa"),
    unit("W", &[], SI, [2, -3, 1, 0, 0, 0], 1.0, "watt"),
    unit("J", &[], SI, [2, -2, 1, 0, 0, 0], 1.0, "joule"),
    unit("V", &[], SI, [2, -3, 1, -1, 0, 0], 1.0, "volt"),
    unit("A", &[], SI, [0, 0, 0, 1, 0, 0], 1.0, "ampere"),
    unit("ohm", &["Ω", "Ω"], SI, [2, -3, 1, -2, 0, 0], 1.0, "ohm"),
    unit("K", &[], "num", [0, 0, 0, 0, 1, 0], 1.0, "kelvin, a difference of temperatures"),
    Unit {
        name: "degC",
        aliases: &[],
        prefixes: NONE,
        dimension: Dimension::TEMPERATURE,
        factor: 1.0,
        zero: 273.15,
        meaning: "degree Celsius, a temperature as a thermometer shows it",
    },
    unit("dpi", &[], NONE, [-1, 0, 0, 0, 0, 0], 1.0 / 0.0254, "dots per inch, a count per length"),
    unit("dot", &["dots"], NONE, [0; 6], 1.0, "dots, a count"),
    unit("line", &["lines"], NONE, [0; 6], 1.0, "lines, a count"),
    unit("facet", &["facets"], NONE, [0; 6], 1.0, "facets, a count"),
    unit("%", &[], NONE, [0; 6], 0.01, "per cent"),
    unit("ppm", &[], NONE, [0; 6], 1e-6, "parts per million"),
];

const fn unit(
    name: &'static str,
    aliases: &'static [&'static str],
    prefixes: &'static str,
    base: [i8; 6],
    factor: f64,
    meaning: &'static str,
) -> Unit {
    let dimension = Dimension::of(base);
    Unit { name, aliases, prefixes, dimension, factor, zero: 0.0, meaning }
}

/// The unit behind a name with the factor of its prefix, or none.
pub fn find_unit(name: &str) -> Option<(&'static Unit, f64)> {
    let is = |unit: &Unit, name: &str| unit.name == name || unit.aliases.contains(&name);
    if let Some(unit) = UNITS.iter().find(|u| is(u, name)) {
        return Some((unit, 1.0));
    }
    let mut rest = name.chars();
    let prefix = match rest.next()? {
        'µ' | 'μ' => 'u',
        other => other,
    };
    let factor = PREFIXES.iter().find(|p| p.0 == prefix)?.1;
    let unit = UNITS.iter().find(|u| is(u, rest.as_str()) && u.prefixes.contains(prefix))?;
    Some((unit, factor))
}

/// Units, each with spellings from elsewhere that mean it.
const MEANT: &[(&str, &[&str])] = &[
    ("s", &["sec", "second", "seconds"]),
    ("ms", &["millisecond", "milliseconds", "msec"]),
    ("us", &["usec"]),
    ("ns", &["nsec"]),
    ("min", &["minute", "minutes"]),
    ("h", &["hour", "hours", "hr"]),
    ("m", &["meter", "meters", "metre", "metres"]),
    ("mm", &["millimeter", "millimetre", "millimeters"]),
    ("g", &["gram"]),
    ("kg", &["kilogram"]),
    ("um", &["micron", "microns"]),
    ("inch", &["inches"]),
    ("mil", &["mils"]),
    ("deg", &["degree", "degrees"]),
    ("degC", &["C", "celsius"]),
    ("K", &["kelvin"]),
    ("rad", &["radian", "radians"]),
    ("rev", &["turn", "turns", "revs"]),
    ("rev/s", &["rps"]),
    ("Hz", &["hertz"]),
    ("V", &["volt", "volts"]),
    ("A", &["amp", "amps"]),
    ("W", &["watt", "watts"]),
    ("ohm", &["ohms"]),
    ("%", &["percent"]),
];

/// Units that are none here, and that no other one is meant by.
pub(crate) const FOREIGN: &[&str] =
    &["degF", "grad", "gon", "Torr", "torr", "mmHg", "kgf", "lbf", "Nm", "mNm"];

fn meant_by(is_meant: impl Fn(&str) -> bool) -> Option<&'static str> {
    MEANT.iter().find(|(_, spellings)| spellings.iter().any(|from| is_meant(from))).map(|row| row.0)
}

/// The unit meant by a spelling from elsewhere.
pub(crate) fn meant(name: &str) -> Option<&'static str> {
    let lower = name.to_lowercase();
    meant_by(|from| from == name || from == lower)
}

/// The unit meant by a name in full that is near enough by `one_off`.
pub(crate) fn meant_near(one_off: impl Fn(&str) -> bool) -> Option<&'static str> {
    meant_by(|from| from.len() > 4 && one_off(from))
}

/// Every spelling that [`find_unit`] knows, for suggestions and completion.
pub(crate) fn spellings() -> impl Iterator<Item = String> {
    UNITS.iter().flat_map(|unit| {
        let names = std::iter::once(unit.name).chain(unit.aliases.iter().copied());
        names.flat_map(|name| {
            let prefixed = unit.prefixes.chars().map(move |p| format!("{p}{name}"));
            std::iter::once(name.to_string()).chain(prefixed)
        })
    })
}
