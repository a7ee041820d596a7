//! How trim registers reach what they trim. On a head that is wired and set up rightly each register acts
//! on its own facet and axis, as large as it is.

use crate::reader::Table;
use spintrue_head::{Register, Trim};

/// The way from the registers of all facets to the line of one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wiring {
    /// Effect of an in-scan register over what it should be: −1 has the wrong sign.
    in_scan_gain: f64,
    /// The same of a cross-scan register.
    cross_scan_gain: f64,
    /// Each register acts on the other axis, step by step.
    axes_swapped: bool,
    /// Registers are counted against the order in which facets pass, from facet 0 on.
    order_reversed: bool,
    /// By how many facets the registers are ahead.
    rotated: u32,
}

impl Wiring {
    /// Reads it from the table of the trims of a head with so many facets.
    pub(crate) fn read(table: &Table<'_, '_>, facets: u32) -> Wiring {
        Wiring {
            in_scan_gain: table.number("in_scan_gain", -3.0..=3.0),
            cross_scan_gain: table.number("cross_scan_gain", -3.0..=3.0),
            axes_swapped: table.flag("axes_swapped"),
            order_reversed: table.flag("order_reversed"),
            rotated: table.whole("rotated", 0..=facets.saturating_sub(1)).unwrap_or(0),
        }
    }

    /// What acts on the line of a facet when `trims` are loaded; `registers` are those of both axes.
    pub(crate) fn acting(
        &self,
        trims: &[Trim],
        facet: usize,
        registers: (Register, Register),
    ) -> Trim {
        let count = trims.len().max(1);
        let facet = facet % count;
        let from = if self.order_reversed { (count - facet) % count } else { facet };
        let held = trims.get((from + self.rotated as usize) % count).copied().unwrap_or_default();
        let (in_scan, cross_scan) = if self.axes_swapped {
            // The cable carries steps, whatever they stand for.
            let steps = registers.0.step / registers.1.step;
            (held.cross_scan * steps, held.in_scan / steps)
        } else {
            (held.in_scan, held.cross_scan)
        };
        Trim {
            in_scan: self.in_scan_gain * in_scan,
            cross_scan: self.cross_scan_gain * cross_scan,
            ..held
        }
    }
}
