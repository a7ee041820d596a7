//! Quantity text out: a sensible unit and digits for people, exact text for files.

use crate::units::{Dimension, KINDS, UnitText, parse_quantity, parse_unit};
use std::collections::HashMap;
use std::sync::LazyLock;

/// Significant digits of a value shown without asking for more.
const SIGNIFICANT: usize = 5;

/// Shows an SI value: in `unit` where one was asked for, else in the unit that suits its
/// kind and size; with `decimals` digits after the point, else with up to five significant ones.
pub fn show_quantity(
    value: f64,
    dimension: Dimension,
    unit: Option<&UnitText>,
    decimals: Option<u8>,
) -> String {
    if value.is_nan() {
        return show_number(value, decimals);
    }
    let chosen;
    let unit = match unit {
        Some(unit) => Some(unit),
        None => {
            chosen = suited_unit(value, dimension);
            chosen.as_ref()
        }
    };
    let Some(unit) = unit else {
        return show_number(value, decimals);
    };
    let number = show_number(unit.from_si(value), decimals);
    if unit.text.is_empty() { number } else { format!("{number} {}", unit.text) }
}

/// The unit that suits a value of a dimension; none for a plain number.
pub fn suited_unit(value: f64, dimension: Dimension) -> Option<UnitText> {
    if dimension.is_number() {
        return None;
    }
    let si = dimension.si();
    let name = match dimension.kind() {
        Some(kind) if value == 0.0 || !value.is_finite() => {
            // Nothing to go by: the unit for a value of one.
            kind.shown_in.iter().find(|(_, from)| *from <= 1.0).map(|(name, _)| *name)
        }
        Some(kind) => {
            let size = value.abs() * (1.0 + 1e-9);
            kind.shown_in.iter().find(|(_, from)| size >= *from).map(|(name, _)| *name)
        }
        None => None,
    };
    let text = match (name, dimension.kind()) {
        // A whole number in SI keeps its digits where people also read it in SI.
        (Some(name), Some(kind))
            if is_whole(value)
                && kind.shown_in.iter().any(|(unit, _)| *unit == si)
                && parse_unit(name).is_ok_and(|unit| !tells(value, &unit)) =>
        {
            si.as_str()
        }
        (name, _) => name.unwrap_or(&si),
    };
    // Read once: a recorded table shows thousands.
    static SUITED: LazyLock<HashMap<&str, UnitText>> = LazyLock::new(|| {
        let names = KINDS.iter().flat_map(|kind| kind.shown_in).map(|(name, _)| *name);
        names.filter_map(|name| Some((name, parse_unit(name).ok()?))).collect()
    });
    SUITED.get(text).cloned().or_else(|| parse_unit(text).ok())
}

/// Whether a value is shown in a unit with all its digits.
fn tells(value: f64, unit: &UnitText) -> bool {
    let shown = show_number(unit.from_si(value), None);
    shown.parse().is_ok_and(|shown| (unit.to_si(shown) - value).abs() <= noise_of(value))
}

/// Whether it is a whole number that a double can count to.
fn is_whole(value: f64) -> bool {
    value.fract() == 0.0 && value.abs() <= MAX_WHOLE
}

/// Up to here doubles count one by one: 2^53.
const MAX_WHOLE: f64 = 9_007_199_254_740_992.0;

/// Less than this, a difference between numbers so large comes of rounding.
pub fn noise_of(number: f64) -> f64 {
    number.abs() * 1e-12
}

/// A value in the unit that suits it where that tells it exactly, else as [`exact_text`] does.
pub fn faithful_text(value: f64, dimension: Dimension) -> String {
    let exactly = exact_text(value, dimension);
    let shown = show_quantity(value, dimension, None, None);
    let same = parse_quantity(&shown).is_ok_and(|(read, _)| read.to_bits() == value.to_bits());
    if same { shown } else { exactly }
}

/// A plain number: `decimals` digits after the point; else a whole number with all its digits, and
/// any other with up to five significant ones, all before the point, and without trailing zeros.
pub fn show_number(value: f64, decimals: Option<u8>) -> String {
    if value.is_nan() {
        return "no number".to_string();
    }
    if value.is_infinite() {
        return if value > 0.0 { "infinite" } else { "-infinite" }.to_string();
    }
    if let Some(decimals) = decimals {
        let text = format!("{value:.*}", usize::from(decimals));
        let zero = text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
        return if zero { text.trim_start_matches('-').to_string() } else { text };
    }
    if value == 0.0 {
        return "0".to_string();
    }
    let size = value.abs();
    if is_whole(value) {
        return (value as i64).to_string();
    }
    if !(1e-5..MAX_WHOLE).contains(&size) {
        let text = format!("{value:.*e}", SIGNIFICANT - 1);
        let (digits, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        return format!("{}e{exponent}", trim_zeros(digits));
    }
    let magnitude = size.log10().floor() as i32;
    let places = (SIGNIFICANT as i32 - 1 - magnitude).max(0);
    let text = format!("{value:.*}", usize::try_from(places).unwrap_or(0));
    trim_zeros(&text).to_string()
}

fn trim_zeros(digits: &str) -> &str {
    if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.') } else { digits }
}

/// The shortest SI text that reads back to the same double: `0.3048 m`.
pub fn exact_text(value: f64, dimension: Dimension) -> String {
    let si = dimension.si();
    if si.is_empty() { format!("{value}") } else { format!("{value} {si}") }
}

#[cfg(test)]
mod tests {
    use super::{exact_text, faithful_text, show_number, show_quantity};
    use crate::units::{Dimension, parse_quantity, parse_unit};

    #[test]
    fn values_take_a_unit_that_suits() {
        let speed = parse_quantity("4800 rpm").unwrap().0;
        assert_eq!(show_quantity(speed, Dimension::ROTATION, None, None), "4800 rpm");
        let fast = parse_quantity("12000 rpm").unwrap().0;
        let unit = parse_unit("rev/s").unwrap();
        assert_eq!(show_quantity(fast, Dimension::ROTATION, Some(&unit), None), "200 rev/s");
        assert_eq!(show_quantity(347.222222e-9, Dimension::TIME, None, None), "347.22 ns");
        assert_eq!(show_quantity(1.25e-3, Dimension::TIME, None, None), "1.25 ms");
        assert_eq!(show_quantity(0.3048, Dimension::LENGTH, None, None), "304.8 mm");
        assert_eq!(show_quantity(0.4e-6, Dimension::LENGTH, None, Some(2)), "0.40 um");
        assert_eq!(show_quantity(0.0, Dimension::LENGTH, None, None), "0 m");
        assert_eq!(show_quantity(2.88e6, Dimension::FREQUENCY, None, None), "2.88 MHz");
        assert_eq!(show_quantity(-0.001, Dimension::NUMBER, None, Some(1)), "0.0");
        assert_eq!(show_number(1e20, None), "1e20");
        assert_eq!(show_number(3600.0, None), "3600");
        assert_eq!(show_number(12_499_875_000.0, None), "12499875000");
        assert_eq!(show_number(-9_007_199_254_740_992.0, None), "-9007199254740992");
        assert_eq!(show_number(1_234_567_890.5, None), "1234567890");
        let shown = |text| {
            let (value, unit) = parse_quantity(text).unwrap();
            show_quantity(value, unit.unwrap().dimension, None, None)
        };
        for same in ["400 s", "12499875 Hz", "2 h", "10 min", "2.88 MHz", "24.5 V", "3 mV", "9 kW"]
        {
            assert_eq!(shown(same), same);
        }
        assert_eq!((shown("997.74 s"), shown("90 min")), ("16.629 min".into(), "90 min".into()));
    }

    #[test]
    fn exact_text_reads_back_equal() {
        for (text, said) in [("400 s", "400 s"), ("160.2 s", "2.67 min"), ("3 um", "3 um")] {
            let (value, unit) = parse_quantity(text).unwrap();
            assert_eq!(faithful_text(value, unit.unwrap().dimension), said);
        }
        assert_eq!(faithful_text(1.0 / 3.0, Dimension::NUMBER), "0.3333333333333333");
        for value in [0.1, 1.0 / 3.0, 6.02e23, -4.9e-324] {
            let text = exact_text(value, Dimension::VOLTAGE);
            assert_eq!(parse_quantity(&text).unwrap().0.to_bits(), value.to_bits(), "{text}");
        }
    }
}
