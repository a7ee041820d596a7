//! Numbers in the cells of a table, whose unit stands in the header. What [`cell_text`] writes,
//! [`cell_number`] reads back to the same double where the unit is a power of ten of the SI unit, and else
//! to within one unit in the last place (derived).

use crate::units::UnitText;

/// Significant digits that a double keeps whatever they are.
const SURE_DIGITS: usize = 15;

/// The value in SI of a plain decimal number; NaN of anything else. Up to 15 digits are read as a script
/// reads them; more only a program writes, and they are scaled as decimals, without another rounding.
pub fn cell_number(text: &str, unit: &UnitText) -> f64 {
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let plain = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let unsigned = mantissa.strip_prefix(['-', '+']).unwrap_or(mantissa);
    let (whole, part) = unsigned.split_once('.').unwrap_or((unsigned, "0"));
    let shift = exponent.strip_prefix(['-', '+']).unwrap_or(exponent);
    if !(plain(whole) && plain(part) && plain(shift)) {
        return f64::NAN;
    }
    let digits = unsigned.trim_start_matches(['0', '.']).bytes().filter(u8::is_ascii_digit).count();
    let scaled = match (digits > SURE_DIGITS, power_of_ten(unit), exponent.parse::<i32>()) {
        (true, Some(power), Ok(shift)) => {
            format!("{mantissa}e{}", shift.saturating_add(power)).parse()
        }
        _ => text.parse().map(|value| unit.to_si(value)),
    };
    scaled.unwrap_or(f64::NAN)
}

/// A value in SI as a number in a unit; empty where it is not finite.
pub fn cell_text(value: f64, unit: &UnitText) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let counted = unit.from_si(value);
    let short: f64 = format!("{counted:.*e}", SURE_DIGITS - 1).parse().unwrap_or(f64::NAN);
    if unit.to_si(short) == value {
        return plain(short);
    }
    match power_of_ten(unit) {
        Some(0) => plain(value),
        Some(power) => {
            let text = format!("{value:.16e}");
            let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
            format!("{mantissa}e{}", exponent.parse::<i32>().unwrap_or(0) - power)
        }
        None => {
            let near = [counted, counted.next_up(), counted.next_down()];
            plain(near.into_iter().find(|near| unit.to_si(*near) == value).unwrap_or(counted))
        }
    }
}

/// The shortest text of a number, with an exponent where the digits would be many.
fn plain(value: f64) -> String {
    if value == 0.0 || (1e-5..1e15).contains(&value.abs()) {
        format!("{value}")
    } else {
        format!("{value:e}")
    }
}

/// Which power of ten a unit is of the SI unit, if any.
fn power_of_ten(unit: &UnitText) -> Option<i32> {
    let power = unit.factor.log10().round() as i32;
    let exact = format!("1e{power}").parse() == Ok(unit.factor);
    (exact && unit.zero == 0.0).then_some(power)
}

#[cfg(test)]
mod tests {
    use super::{cell_number, cell_text};
    use crate::units::parse_unit;

    /// A generator of doubles of any size (xorshift, Marsaglia 2003, from memory).
    fn doubles() -> impl Iterator<Item = f64> {
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        std::iter::repeat_with(move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let size = 10_f64.powi((state % 19) as i32 - 12);
            (state >> 11) as f64 / (1_u64 << 53) as f64
                * size
                * if state & 1 == 0 { 1.0 } else { -1.0 }
        })
    }

    #[test]
    fn what_is_written_is_read_back() {
        for name in ["m", "mm", "um", "nm", "ns", "urad", "kPa", "%", "mV*s", "1/s"] {
            let name = if name == "1/s" { "Hz" } else { name };
            let unit = parse_unit(name).unwrap();
            for value in doubles().take(20_000).chain([0.0, 1e-300, 3e-6, 5e-324, 1.7e308]) {
                let text = cell_text(value, &unit);
                assert_eq!(cell_number(&text, &unit).to_bits(), value.to_bits(), "{text} {name}");
            }
        }
        for name in ["deg", "rpm", "inch", "arcsec", "min", "degC"] {
            let unit = parse_unit(name).unwrap();
            for value in doubles().take(20_000) {
                let read = cell_number(&cell_text(value, &unit), &unit);
                let ulp = value.abs().max(unit.zero).next_up() - value.abs().max(unit.zero);
                assert!((read - value).abs() <= ulp, "{value} {name} {read}");
            }
        }
    }

    #[test]
    fn what_a_script_writes_is_written_the_same() {
        for (text, name) in
            [("3", "um"), ("0.1", "mm"), ("-12.5", "ns"), ("35", "%"), ("21.4", "degC")]
        {
            let unit = parse_unit(name).unwrap();
            let value = unit.to_si(text.parse().unwrap());
            assert_eq!(cell_number(text, &unit).to_bits(), value.to_bits());
            assert_eq!(cell_text(value, &unit), text);
        }
        let metre = parse_unit("m").unwrap();
        for text in
            ["", "1,5", "nan", "inf", "1e", "1.", ".5", "1 000", "1_000", "0x10", "--1", "e5"]
        {
            assert!(cell_number(text, &metre).is_nan(), "{text}");
        }
        assert_eq!(cell_text(f64::NAN, &metre), "");
    }
}
