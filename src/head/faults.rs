//! The catalogue of faults that can be injected into a simulated head: names, parameters and what
//! users see. What a fault does to a head belongs to the simulator.

use crate::page::paragraph;

/// A kind of fault; [`FAULTS`] describes each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the catalogue documents them, for people as well")]
pub enum FaultKind {
    NoLock,
    SlowLock,
    LockLost,
    InterlockOpened,
    LaserStaysArmed,
    RailLow,
    GaugeDead,
    GaugeLying,
    IndexMissing,
    IndexSlipping,
    StartOfScanDropouts,
    GalvanometerStuck,
    StuckTrim,
    StoreInterrupted,
    QueueUnderrun,
    LinkSilent,
    SignalStuck,
    SignalBroken,
}

/// What the value of a parameter is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Takes {
    /// A share from `min` to 1.
    Share {
        /// The smallest.
        min: f64,
    },
    /// A length of at most 10 mm either way.
    Offset,
    /// A facet, counted from 0.
    Facet,
    /// The name of a power rail.
    Rail,
    /// The name of a signal.
    Signal,
    /// The name of a signal that is an input.
    Input,
}

/// A parameter of a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Its key, such as `facet`.
    pub key: &'static str,
    /// A value as an option has it, such as `3`.
    pub example: &'static str,
    /// What the value is.
    pub takes: Takes,
}

impl Parameter {
    const fn new(key: &'static str, example: &'static str, takes: Takes) -> Parameter {
        Parameter { key, example, takes }
    }
}

/// A row of the catalogue.
#[derive(Debug, PartialEq)]
pub struct InjectableFault {
    /// Which fault it is.
    pub kind: FaultKind,
    /// Its name in head files, scripts and options.
    pub name: &'static str,
    /// Its one parameter, which must be given.
    pub parameter: Option<Parameter>,
}

/// What each fault does, and how it is noticed.
const PAGE: &str = include_str!("faults.md");

impl InjectableFault {
    /// What it does to the head.
    pub fn does(&self) -> &'static str {
        paragraph(PAGE, self.name, 0)
    }

    /// How a routine notices it.
    pub fn symptom(&self) -> &'static str {
        paragraph(PAGE, self.name, 1)
    }

    /// The fault as an option has it, such as `stuck_trim(facet=3)`.
    pub fn example(&self) -> String {
        match &self.parameter {
            Some(Parameter { key, example, .. }) => {
                format!("{}({key}={})", self.name, example.replace(' ', ""))
            }
            None => self.name.to_string(),
        }
    }

    /// Its parameter as a head file has it, such as `rail = "drive"`.
    pub fn key(&self) -> Option<String> {
        self.parameter.map(|Parameter { key, example, takes }| match takes {
            Takes::Facet => format!("{key} = {example}"),
            _ => format!("{key} = \"{example}\""),
        })
    }
}

const fn fault(
    kind: FaultKind,
    name: &'static str,
    parameter: Option<Parameter>,
) -> InjectableFault {
    InjectableFault { kind, name, parameter }
}

/// Every fault that can be injected.
pub const FAULTS: &[InjectableFault] = &[
    fault(FaultKind::NoLock, "no_lock", None),
    fault(
        FaultKind::SlowLock,
        "slow_lock",
        Some(Parameter::new("share", "20 %", Takes::Share { min: 0.01 })),
    ),
    fault(FaultKind::LockLost, "lock_lost", None),
    fault(FaultKind::InterlockOpened, "interlock_opened", None),
    fault(FaultKind::LaserStaysArmed, "laser_stays_armed", None),
    fault(FaultKind::RailLow, "rail_low", Some(Parameter::new("rail", "drive", Takes::Rail))),
    fault(FaultKind::GaugeDead, "gauge_dead", None),
    fault(
        FaultKind::GaugeLying,
        "gauge_lying",
        Some(Parameter::new("offset", "20 um", Takes::Offset)),
    ),
    fault(FaultKind::IndexMissing, "index_missing", None),
    fault(FaultKind::IndexSlipping, "index_slipping", None),
    fault(
        FaultKind::StartOfScanDropouts,
        "start_of_scan_dropouts",
        Some(Parameter::new("share", "20 %", Takes::Share { min: 0.0 })),
    ),
    fault(FaultKind::GalvanometerStuck, "galvanometer_stuck", None),
    fault(FaultKind::StuckTrim, "stuck_trim", Some(Parameter::new("facet", "3", Takes::Facet))),
    fault(FaultKind::StoreInterrupted, "store_interrupted", None),
    fault(FaultKind::QueueUnderrun, "queue_underrun", None),
    fault(FaultKind::LinkSilent, "link_silent", None),
    fault(
        FaultKind::SignalStuck,
        "signal_stuck",
        Some(Parameter::new("signal", "clamped", Takes::Signal)),
    ),
    fault(
        FaultKind::SignalBroken,
        "signal_broken",
        Some(Parameter::new("signal", "door_open", Takes::Input)),
    ),
];

#[cfg(test)]
mod tests {
    use super::{FAULTS, PAGE};
    use crate::page::headings;

    #[test]
    fn every_fault_has_its_sentences() {
        let names: Vec<&str> = FAULTS.iter().map(|fault| fault.name).collect();
        assert_eq!(headings(PAGE).collect::<Vec<_>>(), names);
        assert!(FAULTS.iter().all(|f| f.does().ends_with('.') && f.symptom().ends_with('.')));
    }
}
