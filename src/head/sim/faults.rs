//! Faults that a description can inject, and when they strike.

use crate::head::sim::read::Section;
use crate::units::Dimension;

/// What goes wrong.
#[derive(Clone, Debug, PartialEq)]
pub enum Injected {
    /// The drive is too weak: the polygon ends below its lock window.
    NoLock,
    /// A bump takes 2 % of the speed, once.
    LockLost,
    /// The interlock chain opens and stays open.
    InterlockOpened,
    /// A rail sinks to 80 % of its nominal voltage.
    RailLow(String),
    /// The gauge does not answer any more.
    GaugeDead,
    /// No index pulse comes any more.
    IndexMissing,
    /// The index comes one facet late on every third turn.
    IndexSlipping,
    /// This share of the start-of-scan pulses is lost.
    StartOfScanDropouts(f64),
    /// The trim registers of this facet ignore what is loaded.
    StuckTrim(u32),
    /// The host serves words eight times slower than it should.
    QueueUnderrun,
    /// The head does not answer any more; its own watchdog disarms it.
    LinkSilent,
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
    /// What goes wrong.
    pub fault: Injected,
    /// When.
    pub when: When,
}

const KINDS: &[&str] = &[
    "no_lock",
    "lock_lost",
    "interlock_opened",
    "rail_low",
    "gauge_dead",
    "index_missing",
    "index_slipping",
    "start_of_scan_dropouts",
    "stuck_trim",
    "queue_underrun",
    "link_silent",
];

/// Reads one `[[fault]]`; none where a mistake was noted.
pub(crate) fn read(
    mut section: Section<'_, '_>,
    facets: u32,
    complain: &dyn Fn(core::ops::Range<usize>, String),
    rails: &[String],
) -> Option<Planned> {
    let kind = section.choice("kind", KINDS);
    let at = section.maybe_quantity("at", Dimension::TIME, 0.0..=1e6);
    let line = section.maybe_whole("line", 1..=1_000_000);
    let when = match (at, line) {
        (Some(_), Some(_)) => {
            let message = "a fault strikes `at` a time or in a `line`, not both".to_string();
            complain(section.place("line"), message);
            return None;
        }
        (_, Some(line)) => When::Line(line),
        (at, None) => When::Time(at.unwrap_or(0.0)),
    };
    let fault = match KINDS.get(kind).copied().unwrap_or_default() {
        "no_lock" => Injected::NoLock,
        "lock_lost" => Injected::LockLost,
        "interlock_opened" => Injected::InterlockOpened,
        "rail_low" => {
            let rail = section.text("rail");
            if !rail.is_empty() && !rails.contains(&rail) {
                let message = format!("there is no rail `{rail}`: known are {}", rails.join(", "));
                complain(section.place("rail"), message);
            }
            Injected::RailLow(rail)
        }
        "gauge_dead" => Injected::GaugeDead,
        "index_missing" => Injected::IndexMissing,
        "index_slipping" => Injected::IndexSlipping,
        "start_of_scan_dropouts" => Injected::StartOfScanDropouts(section.share("share")),
        "stuck_trim" => Injected::StuckTrim(section.whole("facet", 0..=facets.saturating_sub(1))),
        "queue_underrun" => Injected::QueueUnderrun,
        _ => Injected::LinkSilent,
    };
    section.finish();
    Some(Planned { fault, when })
}
