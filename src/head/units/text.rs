//! Unit and quantity text in: `rpm`, `mm/s^2`, `4800 rpm`.

use crate::units::{Dimension, letter_distance, table};
use std::borrow::Cow;
use thiserror::Error;

/// A unit as written, with its meaning.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitText {
    /// As written.
    pub text: String,
    /// Its dimension.
    pub dimension: Dimension,
    /// One of it in SI.
    pub factor: f64,
    /// SI value of its zero: 273.15 for degC, else 0.
    pub zero: f64,
}

impl UnitText {
    /// A temperature as a thermometer shows it, not a difference.
    pub fn is_absolute(&self) -> bool {
        self.zero != 0.0
    }

    /// From this unit to SI.
    pub fn to_si(&self, value: f64) -> f64 {
        // Dividing by an exact whole inverse keeps `3 mm` the double nearest to 0.003.
        let inverse = (1.0 / self.factor).round();
        let scaled = if self.factor < 1.0 && 1.0 / inverse == self.factor {
            value / inverse
        } else {
            value * self.factor
        };
        if self.zero == 0.0 { scaled } else { scaled + self.zero }
    }

    /// From SI to this unit.
    pub fn from_si(&self, value: f64) -> f64 {
        let value = if self.zero == 0.0 { value } else { value - self.zero };
        let inverse = (1.0 / self.factor).round();
        if self.factor < 1.0 && 1.0 / inverse == self.factor {
            value * inverse
        } else {
            value / self.factor
        }
    }
}

/// Why a unit text cannot be read.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum UnitError {
    /// No unit of this name.
    #[error("there is no unit `{name}`{}", .worth.map(said).unwrap_or_default())]
    Unknown {
        /// The name.
        name: String,
        /// The near spelling certainly is what is meant, as `s` by `seconds`.
        is_sure: bool,
        /// What one of it is in units that there are.
        worth: Option<(f64, &'static str)>,
        /// A near spelling; several that are as near are joined as in "`mHz` or `MHz`".
        near: Option<String>,
    },
    /// Not of the form `mm/s^2`.
    #[error("`{0}` is not a unit: units look like `mm`, `rev/s` or `m/s^2`")]
    Malformed(String),
    /// degC inside a compound unit.
    #[error("`degC` cannot be part of `{0}`: a difference of temperatures is in `K`")]
    Compound(String),
    /// An exponent that cannot be counted.
    #[error("the exponents in `{0}` are too large")]
    TooLarge(String),
}

fn said((number, unit): (f64, &str)) -> String {
    format!(": one is {number} {unit}")
}

/// The same unit without brackets: `W/m/K` for `W/(m*K)`; none where they do not fit.
fn flattened(text: &str) -> Option<Cow<'_, str>> {
    if !text.contains(['(', ')']) {
        return Some(Cow::Borrowed(text));
    }
    let mut flat = String::with_capacity(text.len());
    let (mut before, mut divides) = (None, None);
    for c in text.chars() {
        match (c, divides) {
            ('(', None) if matches!(before, Some('/' | '*')) => divides = Some(before == Some('/')),
            ('(', _) | (')', None) => return None,
            (')', Some(_)) => divides = None,
            ('/' | '*', None) if before == Some(')') => flat.push(c),
            (_, None) if before == Some(')') => return None,
            ('/', Some(true)) => flat.push('*'),
            ('*', Some(true)) => flat.push('/'),
            _ => flat.push(c),
        }
        before = Some(c);
    }
    divides.is_none().then_some(Cow::Owned(flat))
}

/// Reads a unit: names joined by `/` and `*`, each with an optional whole exponent; a bracket behind `/` or
/// `*` holds such a unit, as in `W/(m*K)`.
pub fn parse_unit(text: &str) -> Result<UnitText, UnitError> {
    let malformed = || UnitError::Malformed(text.to_string());
    let too_large = || UnitError::TooLarge(text.to_string());
    let mut dimension = Dimension::NUMBER;
    let mut factor = 1.0_f64;
    let mut zero;
    let flat = flattened(text).ok_or_else(malformed)?;
    let mut rest = flat.as_ref();
    let mut sign = 1;
    let mut terms = 0;
    loop {
        let end = rest.find(['/', '*']).unwrap_or(rest.len());
        let (term, tail) = rest.split_at_checked(end).ok_or_else(malformed)?;
        let (name, exponent) = match term.split_once('^') {
            Some((name, power)) => (name, power.parse::<i32>().map_err(|_| malformed())?),
            None => (term, 1),
        };
        if name.is_empty() || exponent == 0 || exponent.abs() > 20 {
            return Err(malformed());
        }
        let (unit, prefix) = table::find_unit(name).ok_or_else(|| {
            let (foreign, name) = (table::foreign(name), name.to_string());
            let meant = if foreign.is_some() { None } else { table::meant(&name) };
            let is_sure = meant.is_some();
            let near = meant.or_else(|| if foreign.is_some() { None } else { near(&name) });
            UnitError::Unknown { name, near, is_sure, worth: foreign.flatten() }
        })?;
        if unit.zero != 0.0 && text != name {
            return Err(UnitError::Compound(text.to_string()));
        }
        zero = unit.zero;
        let exponent = exponent * sign;
        let part = unit.dimension.power(exponent).ok_or_else(too_large)?;
        dimension = dimension.times(part).ok_or_else(too_large)?;
        let one =
            if prefix < 1.0 { unit.factor / (1.0 / prefix).round() } else { unit.factor * prefix };
        factor =
            if exponent < 0 { factor / one.powi(-exponent) } else { factor * one.powi(exponent) };
        terms += 1;
        let mut chars = tail.chars();
        match chars.next() {
            None => break,
            Some(joint) => sign = if joint == '/' { -1 } else { 1 },
        }
        rest = chars.as_str();
        if terms > 8 {
            return Err(too_large());
        }
    }
    Ok(UnitText { text: text.to_string(), dimension, factor, zero })
}

/// The spelling nearest to a wrong one.
fn near(name: &str) -> Option<String> {
    let one_off = |known: &str| name.len() > 2 && letter_distance(known, name) == 1;
    if let Some(meant) = table::meant_near(one_off) {
        return Some(meant);
    }
    // Case tells milli from mega: only its author knows which of them is meant.
    let cased: Vec<String> =
        table::spellings().filter(|known| known.eq_ignore_ascii_case(name)).collect();
    if !cased.is_empty() {
        return Some(cased.join("` or `"));
    }
    // Of short names nearly every one is near to another: only letters twice or exchanged are a slip.
    let short = name.chars().count() < 4;
    let letters = |text: &str| {
        let mut letters: Vec<char> = text.chars().collect();
        letters.sort_unstable();
        letters.dedup();
        letters
    };
    table::spellings()
        .filter(|known| !short || letters(known) == letters(name))
        .map(|known| {
            let score = if one_off(&known) && known.len() == name.len() {
                0.95
            } else {
                strsim::jaro_winkler(&known, name)
            };
            (score, known)
        })
        .filter(|(score, _)| *score > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, known)| known)
}

/// Why a quantity text cannot be read.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum QuantityError {
    /// No number in front.
    #[error("`{0}` is not a quantity: write a number and a unit, such as `4800 rpm`")]
    NoNumber(String),
    /// A sign of elsewhere in the number, and the text with the one that stands here.
    #[error("`{0}` is not a quantity: a number has a decimal point and a plain `-`, as in `{1}`")]
    Sign(String, String),
    /// The unit is wrong.
    #[error(transparent)]
    Unit(#[from] UnitError),
}

/// Reads a number with a unit, such as `4800 rpm` or `0.5`: the value in SI and the unit
/// (none for a plain number).
pub fn parse_quantity(text: &str) -> Result<(f64, Option<UnitText>), QuantityError> {
    let text = text.trim();
    let missing = || QuantityError::NoNumber(text.to_string());
    let plain = text.replacen('\u{2212}', "-", 1).replacen(',', ".", 1);
    if plain != text && parse_quantity(&plain).is_ok() {
        return Err(QuantityError::Sign(text.to_string(), plain));
    }
    let bytes = text.as_bytes();
    let mut end = 0;
    while let Some(&byte) = bytes.get(end) {
        let before = end.checked_sub(1).and_then(|i| bytes.get(i));
        let digit_next =
            bytes.get(end + 1).is_some_and(|b| b.is_ascii_digit() || *b == b'-' || *b == b'+');
        let goes_on = match byte {
            b'0'..=b'9' | b'.' | b'_' => true,
            b'-' | b'+' => end == 0 || matches!(before, Some(b'e' | b'E')),
            b'e' | b'E' => end > 0 && digit_next,
            _ => false,
        };
        if !goes_on {
            break;
        }
        end += 1;
    }
    let (number, unit) = text.split_at_checked(end).ok_or_else(missing)?;
    let value: f64 =
        number.parse().or_else(|_| number.replace('_', "").parse()).map_err(|_| missing())?;
    if !value.is_finite() {
        return Err(missing());
    }
    let unit = unit.trim_start();
    if unit.is_empty() {
        return Ok((value, None));
    }
    let unit = parse_unit(unit)?;
    Ok((unit.to_si(value), Some(unit)))
}

#[cfg(test)]
mod tests {
    use super::{UnitError, parse_quantity, parse_unit};
    use crate::units::Dimension;

    #[test]
    fn a_quantity_reads_to_si() {
        let si = |text: &str| parse_quantity(text).unwrap().0;
        assert_eq!(si("304.8 mm"), 0.3048);
        assert_eq!(si("5 µs"), 5e-6);
        assert_eq!(si("5μs"), 5e-6);
        assert_eq!(si("25 degC"), 298.15);
        assert_eq!(si("-1.5e3 mm/s^2"), -1.5);
        assert_eq!(si("35 %"), 0.35);
        assert_eq!(si("10"), 10.0);
        assert!((si("1 rev/s") - si("60 rpm")).abs() < 1e-15);
        assert_eq!(parse_unit("rpm").unwrap().dimension, Dimension::ROTATION);
        let same = |a: &str, b: &str| {
            let [a, b] = [a, b].map(|text| parse_unit(text).unwrap());
            assert_eq!((a.dimension, a.factor), (b.dimension, b.factor));
        };
        same("W/(m*K)", "W/m/K");
        same("mm/(s/K^2)*V", "mm/s*K^2*V");
        same("N*(m/rad)", "N*m/rad");
    }

    #[test]
    fn a_wrong_unit_is_named_with_a_near_one() {
        let near = |text: &str| match parse_unit(text) {
            Err(UnitError::Unknown { near, .. }) => near,
            other => panic!("{other:?}"),
        };
        assert_eq!(near("RPM").as_deref(), Some("rpm"));
        assert_eq!(near("arcsecs").as_deref(), Some("arcsec"));
        assert_eq!(near("furlong"), None);
        assert_eq!(near("Milliseconds").as_deref(), Some("ms"));
        assert_eq!(near("nanometres").as_deref(), Some("nm"));
        assert_eq!(near("usecs").as_deref(), Some("us"));
        assert_eq!(near("miles"), None);
        let feet = parse_unit("feet").map_err(|error| error.to_string());
        assert_eq!(feet, Err("there is no unit `feet`: one is 12 inch".to_string()));
        assert!(matches!(parse_unit("W/degC"), Err(UnitError::Compound(_))));
        for text in [
            "W/(m*K", "W/m*K)", "(m)", "W/(m)K", "W/((m))", "W/()", "", "/s", "m^", "m^1.5", "m^0",
            "m//s", "m^99",
        ] {
            assert!(matches!(parse_unit(text), Err(UnitError::Malformed(_))), "{text}");
        }
        for text in ["", "rpm", "1e999 m", "--3", "1.2.3 m", "304,25 mm", "\u{2212}6 um"] {
            assert!(parse_quantity(text).is_err(), "{text}");
        }
    }
}
