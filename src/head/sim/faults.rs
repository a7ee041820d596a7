//! Faults on demand: one table of kinds, and how one is read from a description or an option.

use crate::head::description::Rail;
use crate::head::read::{ConfigError, Mistakes, Section};
use crate::head::signals::{Direction, Signal};
use crate::head::sim::config::Config;
use crate::head::sim::fixtures::Fixtures;
use crate::units::{Dimension, faithful, parse_quantity, show_number};
use core::ops::Range;
use std::fmt;
use toml::de::DeTable;

/// What goes wrong; [`KINDS`] says it in words.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "the table of kinds documents them, for people as well")]
pub enum Injected {
    NoLock,
    /// Share of the torque beyond the drag that the drive still gives.
    SlowLock(f64),
    LockLost,
    InterlockOpened,
    LaserStaysArmed,
    /// Name of the rail.
    RailLow(String),
    GaugeDead,
    /// Offset along and across in m.
    GaugeLying(f64),
    IndexMissing,
    IndexSlipping,
    /// Share of the pulses.
    StartOfScanDropouts(f64),
    GalvanometerStuck,
    /// The facet.
    StuckTrim(u32),
    StoreInterrupted,
    QueueUnderrun,
    LinkSilent,
    /// Name of the signal.
    SignalStuck(String),
    /// Name of the input.
    SignalBroken(String),
}

/// When it goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// At a head time in s.
    Time(f64),
    /// In the middle of an exposed line, counted from 1.
    Line(u32),
}

/// A fault and when it strikes.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// What kind of fault it is called.
    pub name: &'static str,
    /// What goes wrong.
    pub fault: Injected,
    /// When.
    pub when: When,
}

impl fmt::Display for Planned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let key = match &self.fault {
            Injected::SlowLock(share) | Injected::StartOfScanDropouts(share) => {
                Some(format!("share={}", percent(*share)))
            }
            Injected::RailLow(rail) => Some(format!("rail={rail}")),
            Injected::GaugeLying(offset) => {
                Some(format!("offset={}", faithful(*offset, Dimension::LENGTH)))
            }
            Injected::StuckTrim(facet) => Some(format!("facet={facet}")),
            Injected::SignalStuck(signal) | Injected::SignalBroken(signal) => {
                Some(format!("signal={signal}"))
            }
            _ => None,
        };
        let key = key.map_or_else(String::new, |key| format!("({key})"));
        match self.when {
            When::Time(at) => write!(f, "{}{key}@{}", self.name, faithful(at, Dimension::TIME)),
            When::Line(line) => write!(f, "{}{key}@line {line}", self.name),
        }
    }
}

/// A share in per cent where that tells it exactly, else as the number that it is.
fn percent(share: f64) -> String {
    let text = format!("{} %", show_number(share * 100.0, None));
    let same = parse_quantity(&text).is_ok_and(|(read, _)| read.to_bits() == share.to_bits());
    if same { text } else { format!("{share}") }
}

/// What a kind of fault needs to know of its head.
pub(crate) struct Known {
    facets: u32,
    rails: Vec<String>,
    signals: Vec<String>,
    inputs: Vec<String>,
}

impl Known {
    pub(crate) fn new(facets: usize, rails: &[Rail], fixtures: &Fixtures) -> Known {
        let signals: Vec<Signal> = fixtures.signals().collect();
        let inputs = signals.iter().filter(|signal| signal.direction == Direction::Input);
        Known {
            facets: u32::try_from(facets).unwrap_or(u32::MAX),
            rails: rails.iter().map(|rail| rail.name.clone()).collect(),
            inputs: inputs.map(|signal| signal.name.clone()).collect(),
            signals: signals.into_iter().map(|signal| signal.name).collect(),
        }
    }
}

/// Notes a mistake in its place.
type Complain<'a> = &'a dyn Fn(Range<usize>, String);

/// A key that names one of what the head has.
fn named(
    section: &mut Section<'_, '_>,
    key: &'static str,
    what: &str,
    known: &[String],
    complain: Complain<'_>,
) -> String {
    let name = section.text(key);
    if !name.is_empty() && !known.contains(&name) {
        let all = known.join(", ");
        let all = match known.is_empty() {
            true => "this head has none".to_string(),
            false => format!("known are {all}"),
        };
        complain(section.place(key), format!("there is no {what} `{name}`: {all}"));
    }
    name
}

/// A kind of fault: its name and keys, what it does, and how a routine notices it.
pub struct Kind {
    /// What it is called in a description and on the command line.
    pub name: &'static str,
    /// A key of its own with an example, such as `facet = 3`; empty where it has none.
    pub key: &'static str,
    /// What it does to the head.
    pub does: &'static str,
    /// How a routine notices it.
    pub symptom: &'static str,
    read: fn(&mut Section<'_, '_>, &Known, Complain<'_>) -> Injected,
}

/// Every kind of fault.
pub const KINDS: &[Kind] = &[
    Kind {
        name: "no_lock",
        key: "",
        does: "The drive is too weak: the polygon ends below its lock window.",
        symptom: "`locked()` stays false; the speed creeps up and stays below the lock window.",
        read: |_, _, _| Injected::NoLock,
    },
    Kind {
        name: "slow_lock",
        key: "share = \"20 %\"",
        does: "The drive gives only this share of the torque that it has beyond the drag.",
        symptom: "`locked()` comes true late, and may do so after the longest spin-up that the head states.",
        read: |section, _, _| {
            let share = section.quantity("share", Dimension::NUMBER, 0.01..=1.0);
            Injected::SlowLock(share)
        },
    },
    Kind {
        name: "lock_lost",
        key: "",
        does: "A bump takes 2 % of the speed, once; the head disarms itself.",
        symptom: "`locked()` becomes false and true again later; under light the `arm` block fails, with the polygon not locked or at another speed.",
        read: |_, _, _| Injected::LockLost,
    },
    Kind {
        name: "interlock_opened",
        key: "",
        does: "The interlock chain opens and stays open; the head disarms itself.",
        symptom: "`interlock_closed()` is false; an `arm` block fails: the interlock is open.",
        read: |_, _, _| Injected::InterlockOpened,
    },
    Kind {
        name: "laser_stays_armed",
        key: "",
        does: "The laser ignores that it shall disarm. Only the interlock chain can still take its power.",
        symptom: "The end of an `arm` block fails: the laser is still armed. The head refuses to stop the polygon under a beam that may be on, and the summary says that the laser is not known to be off.",
        read: |_, _, _| Injected::LaserStaysArmed,
    },
    Kind {
        name: "rail_low",
        key: "rail = \"drive\"",
        does: "A rail sinks to 80 % of its nominal voltage.",
        symptom: "`rails()` shows that rail as not good.",
        read: |section, known, complain| {
            Injected::RailLow(named(section, "rail", "rail", &known.rails, complain))
        },
    },
    Kind {
        name: "gauge_dead",
        key: "",
        does: "The gauge does not answer any more.",
        symptom: "`test_line` fails after a second: the gauge does not answer.",
        read: |_, _, _| Injected::GaugeDead,
    },
    Kind {
        name: "gauge_lying",
        key: "offset = \"20 um\"",
        does: "The gauge adds this offset to every reading, along and across, and states the same uncertainty as before.",
        symptom: "Trims make the residuals small all the same. It shows where the same line is measured before and after: the two differ by more than their uncertainty.",
        read: |section, _, _| {
            let offset = section.quantity("offset", Dimension::LENGTH, -0.01..=0.01);
            Injected::GaugeLying(offset)
        },
    },
    Kind {
        name: "index_missing",
        key: "",
        does: "No index pulse comes any more.",
        symptom: "`turns` and `test_line` fail: no index pulse.",
        read: |_, _, _| Injected::IndexMissing,
    },
    Kind {
        name: "index_slipping",
        key: "",
        does: "The index comes one facet late on every third turn.",
        symptom: "`turns` shows turns that are a facet longer or shorter, and as many pulses more or fewer.",
        read: |_, _, _| Injected::IndexSlipping,
    },
    Kind {
        name: "start_of_scan_dropouts",
        key: "share = \"20 %\"",
        does: "This share of the start-of-scan pulses is lost.",
        symptom: "`turns` counts fewer pulses than there are facets.",
        read: |section, _, _| Injected::StartOfScanDropouts(section.share("share")),
    },
    Kind {
        name: "galvanometer_stuck",
        key: "",
        does: "The galvanometer stays where it is, whatever it is told; cross-scan trims have no effect.",
        symptom: "`status().galvanometer` stays. Away from its parked angle it cannot be parked, and the summary says so.",
        read: |_, _, _| Injected::GalvanometerStuck,
    },
    Kind {
        name: "stuck_trim",
        key: "facet = 3",
        does: "The trim registers of this facet ignore what is loaded.",
        symptom: "`loaded_trims()` differs from what was loaded, in this facet alone.",
        read: |section, known, _| {
            Injected::StuckTrim(section.whole("facet", 0..=known.facets.saturating_sub(1)))
        },
    },
    Kind {
        name: "store_interrupted",
        key: "",
        does: "The power fails while trims are stored, once: the laser is off, the mirror parks, the polygon coasts. The stored trims are wholly the old ones or wholly the new ones, as the seed has it.",
        symptom: "`store_trims` fails after a second. The head answers again afterwards, not locked, and `loaded_trims()` shows what it kept.",
        read: |_, _, _| Injected::StoreInterrupted,
    },
    Kind {
        name: "queue_underrun",
        key: "",
        does: "The host serves words eight times slower than it should.",
        symptom: "`test_line` fails where a line has more words than the queue can make up for: the dot-word queue ran empty.",
        read: |_, _, _| Injected::QueueUnderrun,
    },
    Kind {
        name: "link_silent",
        key: "",
        does: "The head does not answer any more; its own watchdog disarms it.",
        symptom: "Every call fails after a second, and how the head was left is not known.",
        read: |_, _, _| Injected::LinkSilent,
    },
    Kind {
        name: "signal_stuck",
        key: "signal = \"clamped\"",
        does: "This signal stays as it is, whatever drives or switches it.",
        symptom: "`signal(...)` of it stays; a `wait until` for it reaches its limit.",
        read: |section, known, complain| {
            Injected::SignalStuck(named(section, "signal", "signal", &known.signals, complain))
        },
    },
    Kind {
        name: "signal_broken",
        key: "signal = \"door_open\"",
        does: "The wire of this input breaks: it reads the level that its `pull` makes, and without one anything.",
        symptom: "`signal(...)` of it no longer follows what it is wired to; without a pull it flickers.",
        read: |section, known, complain| {
            Injected::SignalBroken(named(section, "signal", "input", &known.inputs, complain))
        },
    },
];

/// Reads one `[[fault]]`; none where a mistake was noted.
pub(crate) fn read(
    mut section: Section<'_, '_>,
    known: &Known,
    complain: Complain<'_>,
) -> Option<Planned> {
    let names: Vec<&str> = KINDS.iter().map(|kind| kind.name).collect();
    let kind = section.maybe_choice("kind", &names);
    let at = section.maybe_quantity("at", Dimension::TIME, 0.0..=1e6);
    let line = section.maybe_whole("line", 1..=1_000_000);
    // Which keys are right depends on the kind: without one, nothing more can be said.
    let kind = KINDS.get(kind?)?;
    let when = match (at, line) {
        (Some(_), Some(_)) => {
            let message = "a fault strikes `at` a time or in a `line`, not both".to_string();
            complain(section.place("line"), message);
            return None;
        }
        (_, Some(line)) => When::Line(line),
        (at, None) => When::Time(at.unwrap_or(0.0)),
    };
    let fault = (kind.read)(&mut section, known, complain);
    section.finish();
    Some(Planned { name: kind.name, fault, when })
}

/// Adds the fault that an option such as `lock_lost@12s`, `stuck_trim(facet=3)@0s` or
/// `interlock_opened@line 7` asks for; without `@` it is there from the start. Mistakes point
/// into the option.
pub(crate) fn add(config: &mut Config, option: &str) -> Result<(), Vec<ConfigError>> {
    let (table, pieces) = as_table(option).map_err(|(span, message)| {
        let help = "write KIND@TIME, such as `lock_lost@12s`, or KIND(KEY=VALUE)@TIME, such as \
                    `stuck_trim(facet=3)@0s`";
        let mistakes = Mistakes::new(option);
        mistakes.add(span, message, Some(help.to_string()));
        mistakes.take()
    })?;
    let mistakes = Mistakes::new(&table);
    let (parsed, errors) = DeTable::parse_recoverable(&table);
    for error in errors {
        mistakes.add(error.span().unwrap_or(0..0), error.message().to_string(), None);
    }
    let known = Known::new(config.facets.len(), &config.rails, &config.fixtures);
    let complain = |span, message| mistakes.add(span, message, None);
    let section = Section::alone("fault", parsed.get_ref(), 0..table.len(), &mistakes);
    let planned = read(section, &known, &complain);
    let mut found = mistakes.take();
    for mistake in &mut found {
        let within = |p: &&(Range<usize>, Range<usize>)| {
            p.0.start <= mistake.span.start && mistake.span.end <= p.0.end
        };
        mistake.span = pieces.iter().find(within).map_or(0..option.len(), |p| p.1.clone());
        mistake.line = 1;
    }
    match planned {
        Some(planned) if found.is_empty() => {
            config.faults.push(planned);
            Ok(())
        }
        _ => Err(found),
    }
}

/// Pieces of the table, each with the piece of the option that it was made of.
type Pieces = Vec<(Range<usize>, Range<usize>)>;

/// An option as the table that a description would hold.
fn as_table(option: &str) -> Result<(String, Pieces), (Range<usize>, String)> {
    let mut table = String::new();
    let mut pieces = Pieces::new();
    let mut put = |key: &str, value: &str, from: Range<usize>| {
        let start = table.len();
        let bare = value.parse::<u32>().is_ok();
        let quoted = toml::Value::String(value.to_string()).to_string();
        table.push_str(&format!("{key} = {}", if bare { value } else { &quoted }));
        pieces.push((start..table.len(), from));
        table.push('\n');
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
    put("kind", kind.trim(), 0..kind.len());
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
                Some((key, value)) if word(key) => put(key, value, from),
                _ => return Err((from, format!("`{}` is no KEY=VALUE", pair.trim()))),
            }
        }
    }
    let Some((when, from)) = when else {
        return Ok((table, pieces));
    };
    match when.strip_prefix("line") {
        Some(line) if line.trim().parse::<u32>().is_ok() => put("line", line.trim(), from),
        Some(_) => return Err((from, "a line is given by its number from 1".to_string())),
        None if parse_quantity(when).is_ok_and(|(_, unit)| unit.is_none()) => {
            return Err((from, format!("`{when}` has no unit: write a time such as `12s`")));
        }
        None => put("at", when, from),
    }
    Ok((table, pieces))
}

#[cfg(test)]
mod tests {
    use super::{Injected, KINDS, When, add};
    use crate::head::sim::config::{BUILT_IN, Config};

    fn planned(option: &str) -> (Injected, When) {
        let mut config = Config::read(None, 1).unwrap();
        add(&mut config, option).unwrap();
        let planned = config.faults.pop().unwrap();
        (planned.fault, planned.when)
    }

    #[track_caller]
    fn refused(option: &str, at: &str, words: &str) {
        let mut config = Config::read(None, 1).unwrap();
        let errors = add(&mut config, option).unwrap_err();
        assert!(config.faults.is_empty());
        let said = errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        assert!(said.contains(words), "{said}");
        assert_eq!(&option[errors[0].span.clone()], at, "{said}");
    }

    #[test]
    fn options_say_what_and_when() {
        assert_eq!(planned("lock_lost@12s"), (Injected::LockLost, When::Time(12.0)));
        assert_eq!(planned("lock_lost @ 200 ms"), (Injected::LockLost, When::Time(0.2)));
        assert_eq!(planned("no_lock"), (Injected::NoLock, When::Time(0.0)));
        assert_eq!(planned("stuck_trim(facet=3)@0 s"), (Injected::StuckTrim(3), When::Time(0.0)));
        let low = Injected::RailLow("drive".to_string());
        assert_eq!(planned("rail_low( rail = drive )@line 7"), (low, When::Line(7)));
        assert_eq!(planned("slow_lock(share=20 %)").0, Injected::SlowLock(0.2));
        assert_eq!(planned("slow_lock(share=0.2)").0, Injected::SlowLock(0.2));
        assert_eq!(planned("gauge_lying(offset=-20um)").0, Injected::GaugeLying(-20e-6));
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
            let mut config = Config::read(None, 1).unwrap();
            add(&mut config, option).unwrap();
            assert_eq!(config.faults.pop().unwrap().to_string(), option);
        }
    }

    #[test]
    fn a_wrong_option_is_pointed_at() {
        refused("lock_lots@12s", "lock_lots", "did you mean `lock_lost`?");
        refused("lock_lost@12", "12", "`12` has no unit");
        refused("lock_lost@12m", "12m", "must be time, not length");
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
        for kind in KINDS {
            let named = match kind.key {
                "" => kind.name.to_string(),
                key => format!("{} ({key})", kind.name),
            };
            assert!(BUILT_IN.contains(&named), "{named}");
        }
    }
}
