//! Units and signs as people read them: µm, °C, ≤. What is input for a program keeps its ASCII.

use spintrue_head::{UnitText, parse_unit};
use std::borrow::Cow;

/// A unit as the SI writes it: `µm/min` for `um/min`, `°C` for `degC`, `W/m²` for `W/m^2`.
pub(crate) fn unit(text: &str) -> String {
    let mut set = String::new();
    let mut word = String::new();
    for c in text.chars().chain(['\0']) {
        if c.is_alphabetic() {
            word.push(c);
            continue;
        }
        let name = std::mem::take(&mut word);
        match name.strip_prefix('u').filter(|rest| !rest.is_empty()) {
            _ if name == "degC" => set.push_str("°C"),
            Some(rest) if parse_unit(&name).is_ok() => set.push_str(&format!("µ{rest}")),
            _ => set.push_str(&name.replace("ohm", "Ω")),
        }
        set.extend(Some(c).filter(|c| *c != '\0'));
    }
    set.replace('*', "·").replace("^2", "²").replace("^3", "³")
}

/// What numbers are of, and the unit that they count.
pub(crate) fn in_unit(name: &str, of: Option<&UnitText>) -> String {
    match of {
        Some(of) if !of.text.is_empty() => format!("{name} in {}", unit(&of.text)),
        _ => name.to_string(),
    }
}

/// A text of people in which quantities stand: the units behind numbers, and the signs of numbers and comparisons.
pub(crate) fn text(plain: &str) -> Cow<'_, str> {
    let mut follows_number = false;
    let mut changed = false;
    let words = plain.split(' ').map(|word| {
        let of_unit = |c: char| c.is_alphanumeric() || "/*^%()".contains(c);
        let end = word.find(|c| !of_unit(c)).unwrap_or(word.len());
        let (name, rest) = word.split_at(end);
        let is_unit = follows_number && parse_unit(name).is_ok();
        follows_number = word.ends_with(|c: char| c.is_ascii_digit());
        let set = match word {
            "<=" => "≤".to_string(),
            ">=" => "≥".to_string(),
            _ if is_unit => unit(name) + rest,
            _ => match word.strip_prefix('-') {
                Some(number) if number.starts_with(|c: char| c.is_ascii_digit()) => {
                    format!("\u{2212}{number}")
                }
                _ => return Cow::Borrowed(word),
            },
        };
        changed |= set != word;
        Cow::Owned(set)
    });
    let set = words.collect::<Vec<_>>().join(" ");
    if changed { Cow::Owned(set) } else { Cow::Borrowed(plain) }
}

#[cfg(test)]
mod tests {
    use super::{text, unit};

    #[test]
    fn units_are_set_as_the_si_writes_them() {
        let pairs = [
            ("um", "µm"),
            ("um/min", "µm/min"),
            ("urad", "µrad"),
            ("degC", "°C"),
            ("W/m^2", "W/m²"),
            ("V*s", "V·s"),
            ("kohm", "kΩ"),
            ("rpm", "rpm"),
            ("", ""),
        ];
        for (plain, set) in pairs {
            assert_eq!(unit(plain), set);
        }
    }

    #[test]
    fn only_units_behind_numbers_are_set() {
        let said = "5.4 um ± 1.4 um <= 6 um, for us -3 us at 25 degC; upper 2 under";
        let set = "5.4 µm ± 1.4 µm ≤ 6 µm, for us \u{2212}3 µs at 25 °C; upper 2 under";
        assert_eq!(text(said), set);
        assert!(matches!(text("nothing to set, 3 mm"), std::borrow::Cow::Borrowed(_)));
    }
}
