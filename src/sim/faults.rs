//! Faults to be injected, as a head file or an option asks for them.

use crate::reader::{ConfigError, Mistakes, Table};
use core::ops::Range;
use spintrue_head::{
    Description, Dimension, Direction, FAULTS, FaultKind, FaultParameter, InjectableFault, Signal,
    faithful_text, parse_quantity, show_number,
};
use std::fmt;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The value of a fault's parameter, in SI.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Argument {
    /// It has no parameter.
    None,
    /// A share or an offset in m.
    Number(f64),
    /// A facet.
    Facet(u32),
    /// A rail or a signal.
    Name(String),
}

/// A fault with its argument, and when it strikes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct InjectedFault {
    /// Its row of the catalogue.
    pub entry: &'static InjectableFault,
    /// Of its parameter.
    pub argument: Argument,
    pub when: When,
}

impl InjectedFault {
    /// Whether it is of this kind.
    pub(crate) fn is(&self, kind: FaultKind) -> bool {
        self.entry.kind == kind
    }
}

/// When a fault strikes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum When {
    /// At a head time in s.
    Time(f64),
    /// In the middle of an exposed line, counted from 1.
    Line(u32),
}

impl fmt::Display for InjectedFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let InjectedFault { entry, argument, when } = self;
        f.write_str(entry.name)?;
        if let Some(parameter) = entry.parameter {
            let value = match argument {
                Argument::None => String::new(),
                Argument::Number(length) if parameter == FaultParameter::Offset => {
                    faithful_text(*length, Dimension::LENGTH)
                }
                Argument::Number(share) => percent(*share),
                Argument::Facet(facet) => facet.to_string(),
                Argument::Name(name) => name.clone(),
            };
            write!(f, "({}={value})", parameter.key())?;
        }
        match when {
            When::Time(at) => write!(f, "@{}", faithful_text(*at, Dimension::TIME)),
            When::Line(line) => write!(f, "@line {line}"),
        }
    }
}

/// A share in per cent where that tells it exactly, else as the number that it is.
fn percent(share: f64) -> String {
    let text = format!("{} %", show_number(share * 100.0, None));
    let same = parse_quantity(&text).is_ok_and(|(read, _)| read.to_bits() == share.to_bits());
    if same { text } else { format!("{share}") }
}

/// Reads the argument of a fault; none where a mistake was noted.
fn argument(
    table: &Table<'_, '_>,
    parameter: Option<FaultParameter>,
    head: &Description,
) -> Option<Argument> {
    let Some(parameter) = parameter else { return Some(Argument::None) };
    let key = parameter.key();
    table.needs(&[key]);
    let signals = |is: fn(&&Signal) -> bool| {
        head.signals.iter().filter(is).map(|signal| signal.name.as_str()).collect::<Vec<_>>()
    };
    let (what, known) = match parameter {
        FaultParameter::Share { min } => {
            return table.quantity(key, Dimension::NUMBER, min..=1.0).map(Argument::Number);
        }
        FaultParameter::Offset => {
            return table.quantity(key, Dimension::LENGTH, -0.01..=0.01).map(Argument::Number);
        }
        FaultParameter::Facet => {
            return table.whole(key, 0..=head.facets.saturating_sub(1)).map(Argument::Facet);
        }
        FaultParameter::Rail => {
            ("rail", head.rails.iter().map(|rail| rail.name.as_str()).collect())
        }
        FaultParameter::Signal => ("signal", signals(|_| true)),
        FaultParameter::Input => ("input", signals(|signal| signal.direction == Direction::Input)),
    };
    let name = table.text(key)?;
    if !known.contains(&name.as_str()) {
        let all = match known.is_empty() {
            true => "this head has none".to_string(),
            false => format!("known are {}", known.join(", ")),
        };
        table.complain(key, format!("there is no {what} `{name}`: {all}"));
    }
    Some(Argument::Name(name))
}

/// Reads one `[[fault]]`; none where a mistake was noted.
pub(crate) fn read(table: &Table<'_, '_>, head: &Description) -> Option<InjectedFault> {
    let names: Vec<_> = FAULTS.iter().map(|entry| (entry.name, entry)).collect();
    table.needs(&["kind"]);
    let entry = table.choice("kind", &names);
    let at = table.quantity("at", Dimension::TIME, 0.0..=1e6);
    let line = table.whole("line", 1..=1_000_000);
    // Which keys are right depends on the kind: without one, nothing more can be said.
    let entry = entry?;
    let when = match (at, line) {
        (Some(_), Some(_)) => {
            table.complain("line", "a fault strikes `at` a time or in a `line`, not both");
            return None;
        }
        (_, Some(line)) => When::Line(line),
        (at, None) => When::Time(at.unwrap_or(0.0)),
    };
    let argument = argument(table, entry.parameter, head);
    table.finish();
    Some(InjectedFault { entry, argument: argument?, when })
}

/// Reads an option such as `lock_lost@12s`, `stuck_trim(facet=3)@0s` or `interlock_opened@line 7`;
/// without `@` the fault is there from the start. Mistakes point into the option.
pub(crate) fn parse(option: &str, head: &Description) -> Result<InjectedFault, Vec<ConfigError>> {
    let mistakes = Mistakes::new(option);
    let values = match values(option) {
        Ok(values) => values,
        Err((span, message)) => {
            let help = "write KIND@TIME, such as `lock_lost@12s`, or KIND(KEY=VALUE)@TIME, such as \
                        `stuck_trim(facet=3)@0s`";
            mistakes.add(span, message, Some(help.to_string()));
            DeTable::new()
        }
    };
    let planned = match values.is_empty() {
        true => None,
        false => read(&Table::option("fault", &values, &mistakes), head),
    };
    // Without a mistake there is a fault.
    mistakes.or(planned)?.ok_or_else(Vec::new)
}

/// The keys and values of an option, each with its place in it; or what is wrong, and where.
fn values(option: &str) -> Result<DeTable<'_>, (Range<usize>, String)> {
    let mut values = DeTable::new();
    let mut put = |key: &str, value: &str, at: Range<usize>| {
        let value = Spanned::new(at.clone(), DeValue::String(value.to_string().into()));
        match values.insert(Spanned::new(at.clone(), key.to_string().into()), value) {
            Some(_) => Err((at, format!("duplicate key `{key}`"))),
            None => Ok(()),
        }
    };
    let (what, when) = match option.split_once('@') {
        Some((what, when)) => (what, Some((when.trim(), what.len() + 1..option.len()))),
        None => (option, None),
    };
    let (kind, keys) = match what.split_once('(') {
        Some((kind, rest)) => (kind, Some((rest, kind.len() + 1))),
        None => (what, None),
    };
    if kind.trim().is_empty() {
        return Err((0..option.len(), "this names no fault".to_string()));
    }
    if kind.trim().contains(|c: char| c.is_whitespace() || c == ',') {
        return Err((0..kind.len(), format!("`{}` names no fault", kind.trim())));
    }
    put("kind", kind.trim(), 0..kind.len())?;
    if let Some((rest, mut at)) = keys {
        let Some(inside) = rest.trim_end().strip_suffix(')') else {
            return Err((at - 1..what.len(), "the bracket is not closed".to_string()));
        };
        for pair in inside.split(',') {
            let from = at..at + pair.len();
            at = from.end + 1;
            let parts = pair.split_once('=').map(|(key, value)| (key.trim(), value.trim()));
            let word = |key: &str| {
                !key.is_empty() && key.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')
            };
            match parts {
                Some((key @ ("at" | "line" | "kind"), _)) => {
                    return Err((from, format!("`{key}` is not written in the bracket")));
                }
                Some((key, value)) if value.starts_with(['"', '\'']) => {
                    let bare = value.trim_matches(['"', '\'']);
                    return Err((from, format!("a value has no quotes: `{key}={bare}`")));
                }
                Some((key, value)) if word(key) => put(key, value, from)?,
                _ => return Err((from, format!("`{}` is no KEY=VALUE", pair.trim()))),
            }
        }
    }
    let Some((when, from)) = when else {
        return Ok(values);
    };
    match when.strip_prefix("line") {
        Some(line) if line.trim().parse::<u32>().is_ok() => put("line", line.trim(), from)?,
        Some(_) => return Err((from, "a line is given by its number from 1".to_string())),
        None if parse_quantity(when).is_ok_and(|(_, unit)| unit.is_none()) => {
            return Err((from, format!("`{when}` has no unit: write a time such as `12s`")));
        }
        None if when.contains(',') => {
            return Err((from, "each fault has its own `--fault`".to_string()));
        }
        None => put("at", when, from)?,
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::{Argument, FAULTS, FaultKind, InjectedFault, When, parse};
    use crate::config::{BUILT_IN, Config};
    use crate::reader::ConfigError;

    fn read(option: &str) -> Result<InjectedFault, Vec<ConfigError>> {
        let config = Config::read(None, 1).unwrap();
        parse(option, &config.description)
    }

    #[track_caller]
    fn planned(option: &str, kind: FaultKind, argument: Argument, when: When) {
        let planned = read(option).unwrap();
        assert_eq!(planned.entry.kind, kind);
        assert_eq!((planned.argument, planned.when), (argument, when));
    }

    #[track_caller]
    fn refused(option: &str, at: &str, words: &str) {
        let errors = read(option).unwrap_err();
        let said = errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        assert!(said.contains(words), "{said}");
        assert_eq!(&option[errors[0].span.clone()], at, "{said}");
    }

    #[test]
    fn options_say_what_and_when() {
        let start = When::Time(0.0);
        planned("lock_lost@12s", FaultKind::LockLost, Argument::None, When::Time(12.0));
        planned("lock_lost @ 200 ms", FaultKind::LockLost, Argument::None, When::Time(0.2));
        planned("no_lock", FaultKind::NoLock, Argument::None, start);
        planned("stuck_trim(facet=3)@0 s", FaultKind::StuckTrim, Argument::Facet(3), start);
        let low = Argument::Name("drive".to_string());
        planned("rail_low( rail = drive )@line 7", FaultKind::RailLow, low, When::Line(7));
        for share in ["20 %", "0.2"] {
            let option = format!("slow_lock(share={share})");
            planned(&option, FaultKind::SlowLock, Argument::Number(0.2), start);
        }
        let lie = Argument::Number(-20e-6);
        planned("gauge_lying(offset=-20um)", FaultKind::GaugeLying, lie, start);
    }

    #[test]
    fn a_planned_fault_is_said_as_options_say_it() {
        for option in [
            "lock_lost@12 s",
            "stuck_trim(facet=3)@0 s",
            "rail_low(rail=drive)@line 7",
            "slow_lock(share=20 %)@0 s",
            "start_of_scan_dropouts(share=2.5 %)@1.5 s",
            "gauge_lying(offset=-20 um)@200 ms",
        ] {
            assert_eq!(read(option).unwrap().to_string(), option);
        }
    }

    #[test]
    fn a_wrong_option_is_pointed_at() {
        refused("lost_lock@3s", "lost_lock", "cannot be `lost_lock`");
        refused("lock_lost at 3s", "lock_lost at 3s", "names no fault");
        refused("stuck_trim(facet=\"3\")@0s", "facet=\"3\"", "no quotes: `facet=3`");
        refused("lock_lost@3s,no_lock@0s", "3s,no_lock@0s", "each fault has its own `--fault`");
        refused("lock_lots@12s", "lock_lots", "did you mean `lock_lost`?");
        refused("lock_lost@12", "12", "`12` has no unit");
        refused("lock_lost@12m", "12m", "must be of kind time, not length");
        refused("lock_lost@-1s", "-1s", "must be from 0 s");
        refused("lock_lost@soon", "soon", "soon");
        refused("lock_lost@", "", "");
        refused("lock_lost@line x", "line x", "by its number from 1");
        refused("lock_lost@line 0", "line 0", "whole number from 1");
        refused("stuck_trim(facet=10)@0s", "facet=10", "from 0 to 9");
        refused("stuck_trim(facet=3@0s", "(facet=3", "not closed");
        refused("stuck_trim(facet)", "facet", "no KEY=VALUE");
        refused("stuck_trim", "stuck_trim", "needs the key `facet`");
        refused("stuck_trim(facet=1,at=3)", "at=3", "not written in the bracket");
        refused("rail_low(rail=pump)", "rail=pump", "known are logic, drive, laser");
        refused("lock_lost(share=1)", "share=1", "no key `share`");
        refused("slow_lock(share=nan)", "share=nan", "");
        refused("slow_lock(share=1e999)", "share=1e999", "");
        refused("slow_lock(share=0)", "share=0", "must be from");
        refused("", "", "names no fault");
        refused("stuck_trim(facet=1,facet=2)", "facet=2", "duplicate");
        refused("rail_low(rail=\"\n)", "rail=\"\n", "rail");
    }

    #[test]
    fn the_built_in_description_names_every_kind() {
        for fault in FAULTS {
            let named = match fault.key() {
                None => fault.name.to_string(),
                Some(key) => format!("{} ({key})", fault.name),
            };
            assert!(BUILT_IN.contains(&named), "{named}");
        }
    }
}
