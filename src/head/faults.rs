//! The catalogue of faults that can be injected into a simulated head: names, parameters and what
//! users see. What a fault does to a head belongs to the simulator.

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
    /// What it does to the head.
    pub does: &'static str,
    /// How a routine notices it.
    pub symptom: &'static str,
}

impl InjectableFault {
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
    does: &'static str,
    symptom: &'static str,
) -> InjectableFault {
    InjectableFault { kind, name, parameter, does, symptom }
}

/// Every fault that can be injected.
pub const FAULTS: &[InjectableFault] = &[
    fault(
        FaultKind::NoLock,
        "no_lock",
        None,
        "The drive is too weak: the polygon ends below its lock window.",
        "`locked()` stays false; the speed creeps up and stays below the lock window.",
    ),
    fault(
        FaultKind::SlowLock,
        "slow_lock",
        Some(Parameter::new("share", "20 %", Takes::Share { min: 0.01 })),
        "The drive gives only this share of the torque that it has beyond the drag.",
        "`locked()` comes true late, and may do so after the longest spin-up that the head states.",
    ),
    fault(
        FaultKind::LockLost,
        "lock_lost",
        None,
        "A bump takes 2 % of the speed, once; the head disarms itself.",
        "`locked()` becomes false and true again later; under light the `arm` block fails, with the polygon not locked or at another speed.",
    ),
    fault(
        FaultKind::InterlockOpened,
        "interlock_opened",
        None,
        "The interlock chain opens and stays open; the head disarms itself.",
        "`interlock_closed()` is false; an `arm` block fails: the interlock is open.",
    ),
    fault(
        FaultKind::LaserStaysArmed,
        "laser_stays_armed",
        None,
        "The laser ignores the disarm command. Only the interlock chain can still take its power.",
        "The end of an `arm` block fails: the laser is still armed. The head refuses to stop the polygon under a beam that may be on, and the summary says that the laser is not known to be off.",
    ),
    fault(
        FaultKind::RailLow,
        "rail_low",
        Some(Parameter::new("rail", "drive", Takes::Rail)),
        "A rail sinks to 80 % of its nominal voltage.",
        "`rails()` shows that rail as not good.",
    ),
    fault(
        FaultKind::GaugeDead,
        "gauge_dead",
        None,
        "The gauge does not answer any more.",
        "`test_line` fails after a second: the gauge does not answer.",
    ),
    fault(
        FaultKind::GaugeLying,
        "gauge_lying",
        Some(Parameter::new("offset", "20 um", Takes::Offset)),
        "The gauge adds this offset to every reading, along and across, and states the same uncertainty as before.",
        "Trims make the residuals small all the same. It shows where the same line is measured before and after: the two differ by more than their uncertainty.",
    ),
    fault(
        FaultKind::IndexMissing,
        "index_missing",
        None,
        "No index pulse comes any more.",
        "`turns` and `test_line` fail: no index pulse.",
    ),
    fault(
        FaultKind::IndexSlipping,
        "index_slipping",
        None,
        "The index comes one facet late on every third turn.",
        "`turns` shows turns that are a facet longer or shorter, and as many pulses more or fewer.",
    ),
    fault(
        FaultKind::StartOfScanDropouts,
        "start_of_scan_dropouts",
        Some(Parameter::new("share", "20 %", Takes::Share { min: 0.0 })),
        "This share of the start-of-scan pulses is lost.",
        "`turns` counts fewer pulses than there are facets.",
    ),
    fault(
        FaultKind::GalvanometerStuck,
        "galvanometer_stuck",
        None,
        "The galvanometer stays where it is, whatever it is told; cross-scan trims have no effect.",
        "`status().galvanometer` stays. Away from its parked angle it cannot be parked, and the summary says so.",
    ),
    fault(
        FaultKind::StuckTrim,
        "stuck_trim",
        Some(Parameter::new("facet", "3", Takes::Facet)),
        "The trim registers of this facet ignore what is loaded.",
        "`loaded_trims()` differs from what was loaded, in this facet alone.",
    ),
    fault(
        FaultKind::StoreInterrupted,
        "store_interrupted",
        None,
        "The power fails while trims are stored, once: the laser is off, the mirror parks, the polygon coasts. The stored trims are wholly the old ones or wholly the new ones, as the seed has it.",
        "`store_trims` fails after a second. The head answers again afterwards, not locked, and `loaded_trims()` shows what it kept.",
    ),
    fault(
        FaultKind::QueueUnderrun,
        "queue_underrun",
        None,
        "The host serves words eight times slower than it should.",
        "`test_line` fails where a line has more words than the queue can make up for: the dot-word queue ran empty.",
    ),
    fault(
        FaultKind::LinkSilent,
        "link_silent",
        None,
        "The head does not answer any more; its own watchdog disarms it.",
        "Every call fails after a second, and how the head was left is not known.",
    ),
    fault(
        FaultKind::SignalStuck,
        "signal_stuck",
        Some(Parameter::new("signal", "clamped", Takes::Signal)),
        "This signal stays as it is, whatever drives or switches it.",
        "`signal(...)` of it stays; a `wait until` for it reaches its limit.",
    ),
    fault(
        FaultKind::SignalBroken,
        "signal_broken",
        Some(Parameter::new("signal", "door_open", Takes::Input)),
        "The wire of this input breaks: it reads the level that its `pull` makes, and without one anything.",
        "`signal(...)` of it no longer follows what it is wired to; without a pull it flickers.",
    ),
];
