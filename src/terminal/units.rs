//! The table of units, for people at a terminal.

use crate::terminal::{BOLD, beside, styled};
use spintrue_head::{KINDS, UNITS, Unit};

/// Every unit by kind, with its size.
pub(crate) fn list(colour: bool) -> String {
    let mut text = String::from(
        "A quantity is a number and a unit: `4800 rpm`, `0.2 mrad`, `9.8 m/s^2`, `35 %`.\n\
         `x in rpm` chooses how a value is shown and never changes it.\n",
    );
    for kind in KINDS {
        let of_kind = |unit: &&Unit| unit.dimension == kind.dimension && unit.zero == 0.0;
        text.push_str(&group(kind.name, UNITS.iter().filter(of_kind), colour));
    }
    text.push_str(&group("temperature", UNITS.iter().filter(|unit| unit.zero != 0.0), colour));
    text.push_str("\nAlso as types without a unit of their own:\n");
    for kind in KINDS {
        if !UNITS.iter().any(|unit| unit.dimension == kind.dimension) {
            text.push_str(&format!("  {:<20} {}\n", kind.name, kind.dimension.si()));
        }
    }
    text.push_str(
        "\nPrefixes: f 1e-15, p 1e-12, n 1e-9, u (or µ) 1e-6, m 1e-3, c 1e-2, k 1e3, M 1e6, G 1e9.\n\
         A turn is an angle, so rpm is an angle per time and never a frequency by accident:\n\
         `speed / 1 rev` counts turns per time.\n",
    );
    text
}

fn group<'a>(name: &str, units: impl Iterator<Item = &'a Unit>, colour: bool) -> String {
    let lines: String = units.map(line).collect();
    if lines.is_empty() { lines } else { format!("\n{}\n{lines}", styled(name, BOLD, colour)) }
}

fn line(unit: &Unit) -> String {
    let size = if unit.zero == 0.0 {
        format!("{} {}", unit.factor, unit.dimension.base_units()).trim_end().to_string()
    } else {
        format!("0 degC is {} K", unit.zero)
    };
    let prefixes = if unit.prefixes.is_empty() {
        String::new()
    } else {
        let all: Vec<String> = unit.prefixes.chars().map(|p| format!("{p}{}", unit.name)).collect();
        format!("; also {}", all.join(" "))
    };
    let name =
        std::iter::once(unit.name).chain(unit.aliases.iter().copied().filter(|a| a.is_ascii()));
    let name: Vec<&str> = name.collect();
    let head = format!("  {:<15} {size:<32}", name.join(", "));
    beside(&head, &format!("{}{prefixes}", unit.meaning))
}
