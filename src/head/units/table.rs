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

/// Units, each with names in full and other spellings that mean it; a plural and a prefix go with them.
const MEANT: &[(&str, &[&str])] = &[
    ("s", &["sec", "second"]),
    ("min", &["minute"]),
    ("h", &["hour", "hr"]),
    ("m", &["meter", "metre"]),
    ("g", &["gram", "gramme"]),
    ("um", &["micron"]),
    ("inch", &["inches"]),
    ("mil", &["thou", "thousandth"]),
    ("deg", &["degree"]),
    ("arcmin", &["arcminute"]),
    ("arcsec", &["arcsecond"]),
    ("degC", &["C", "°C", "celsius", "centigrade"]),
    ("K", &["kelvin"]),
    ("rad", &["radian"]),
    ("rev", &["turn", "revolution", "U"]),
    ("rev/s", &["rps"]),
    ("Hz", &["hertz"]),
    ("V", &["volt"]),
    ("A", &["amp", "ampere"]),
    ("W", &["watt"]),
    ("J", &["joule"]),
    ("N", &["newton"]),
    ("Pa", &["pascal"]),
    ("N*m", &["Nm"]),
    ("mN*m", &["mNm"]),
    ("ohm", &[]),
    ("dpi", &["ppi"]),
    ("line/inch", &["lpi"]),
    ("%", &["percent", "pct"]),
];

/// Prefixes in full.
const PREFIX_WORDS: &[(&str, char)] = &[
    ("femto", 'f'),
    ("pico", 'p'),
    ("nano", 'n'),
    ("micro", 'u'),
    ("milli", 'm'),
    ("centi", 'c'),
    ("kilo", 'k'),
    ("mega", 'M'),
    ("giga", 'G'),
];

/// How many of a unit one of another is.
type Worth = Option<(f64, &'static str)>;

/// Units that are none here, and what one of them is; nothing where no number of another unit is. Exact by the
/// international yard and pound agreement of 1959, and by NIST SP 811:2008, appendix B.8, else to 6 digits.
const FOREIGN: &[(&[&str], Worth)] = &[
    (&["ft", "foot", "feet"], Some((12.0, "inch"))),
    (&["yd", "yard"], Some((36.0, "inch"))),
    (&["mile"], Some((1609.344, "m"))),
    (&["day"], Some((24.0, "h"))),
    (&["week"], Some((168.0, "h"))),
    (&["grad", "gon"], Some((0.9, "deg"))),
    (&["lb", "pound"], Some((0.453_592_37, "kg"))),
    (&["kgf"], Some((9.806_65, "N"))),
    (&["lbf"], Some((4.448_22, "N"))),
    (&["psi"], Some((6.894_76, "kPa"))),
    (&["Torr", "mmHg"], Some((133.322, "Pa"))),
    (&["degF", "fahrenheit", "dB"], None),
];

fn is_spelled(name: &str, spelling: &str) -> bool {
    name == spelling
        || spelling.len() > 1 && {
            let name = name.to_lowercase();
            let spelling = spelling.to_lowercase();
            name == spelling || name.strip_suffix('s') == Some(&spelling)
        }
}

/// The unit meant by a spelling from elsewhere.
pub(crate) fn meant(name: &str) -> Option<String> {
    let full = |name: &str| {
        let is = |row: &&(&str, &[&str])| row.1.iter().any(|other| is_spelled(name, other));
        MEANT.iter().find(is).map(|row| row.0)
    };
    if let Some(unit) = full(name) {
        return Some(unit.to_string());
    }
    let lower = name.to_lowercase();
    let words = PREFIX_WORDS.iter();
    let words = words.filter_map(|(word, prefix)| Some((*prefix, lower.strip_prefix(word)?)));
    let letters = PREFIXES.iter().filter_map(|(prefix, _)| {
        Some((*prefix, name.strip_prefix(*prefix).filter(|rest| rest.len() > 2)?))
    });
    let mut parted = words.chain(letters);
    parted.find_map(|(prefix, rest)| {
        let of = |unit: &&Unit| unit.prefixes.contains(prefix) && is_spelled(rest, unit.name);
        let unit = match full(rest) {
            Some(unit) => unit,
            None => UNITS.iter().find(of)?.name,
        };
        let prefixed = format!("{prefix}{unit}");
        find_unit(&prefixed).is_some().then_some(prefixed)
    })
}

/// The unit meant by a name in full, perhaps with a prefix, that is near enough by `one_off`.
pub(crate) fn meant_near(one_off: impl Fn(&str) -> bool) -> Option<String> {
    let names = MEANT.iter().flat_map(|(unit, names)| names.iter().map(move |name| (unit, name)));
    let mut names = names.filter(|(_, name)| name.len() > 4);
    names.find_map(|(unit, name)| {
        let prefixed = PREFIX_WORDS.iter().find_map(|(word, prefix)| {
            let unit = format!("{prefix}{unit}");
            (find_unit(&unit).is_some() && one_off(&format!("{word}{name}"))).then_some(unit)
        });
        if one_off(name) { Some(unit.to_string()) } else { prefixed }
    })
}

/// What one of a unit is that is none here; none where the name is not known at all.
pub(crate) fn foreign(name: &str) -> Option<Worth> {
    let is = |row: &&(&[&str], _)| row.0.iter().any(|spelling| is_spelled(name, spelling));
    FOREIGN.iter().find(is).map(|row| row.1)
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
