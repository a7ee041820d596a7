//! `trims`: the trims of each facet, and the errors that were measured with them: the newest
//! measurement as a number and a bar, its spread, and the measurement before it.

use crate::shell::console::Console;
use crate::shell::measured::{Measurement, Series};
use crate::shell::outcome::EntryOutcome;
use crate::terminal::plot::bar;
use crate::terminal::{BOLD, columns, say, styled, wrapped};
use spintrue_head::{Calls, Dimension, UnitText, show_number, suited_unit};

/// Columns of a bar where there is room, and where there is little.
const BARS: (usize, usize) = (16, 4);

/// Columns of the terminal from which there is room.
const ROOMY: usize = 104;

/// Columns of the terminal below which both directions do not fit side by side.
const NARROW: usize = 80;

/// The newest measurement of a facet with the trims in force, and the one before it; whether that was with other trims.
type FacetReadings = (Option<Measurement>, Option<(Measurement, bool)>);

/// `trims`
pub(super) fn trims(console: &mut Console) -> EntryOutcome {
    let trims = match console.station.trims() {
        Ok(trims) => trims,
        Err(error) => {
            return EntryOutcome::head_failed(&format!("the trims cannot be read: {error}"));
        }
    };
    let monitor = console.monitor.borrow();
    let known = |facet: usize| u32::try_from(facet).map(|facet| monitor.measured.of(facet));
    let known: Vec<FacetReadings> =
        (0..trims.len()).map(|f| known(f).unwrap_or_default()).collect();
    let delay = Scale::of(most(trims.iter().map(|trim| trim.in_scan)), Dimension::TIME);
    let angle = Scale::of(most(trims.iter().map(|trim| trim.cross_scan)), Dimension::ANGLE);
    let along = Errors::of(&known, |measurement| measurement.in_scan);
    let across = Errors::of(&known, |measurement| measurement.cross_scan);
    let bars = if columns() >= ROOMY { BARS.0 } else { BARS.1 };
    let blank = " ".repeat(bars + 2);
    let errors = |name: &str, spread: &str, earlier: &str| {
        format!("{name:>8}{spread:>7}{earlier:>8}{blank}")
    };
    let both = [("in-scan", &along), ("cross", &across)];
    // Both directions side by side, or one below the other.
    for shown in both.chunks(if columns() < NARROW { 1 } else { 2 }) {
        let names: String =
            shown.iter().map(|(name, _)| errors(name, "spread", "earlier")).collect();
        let text = format!("  facet  trim   trim{names}");
        say(&format!("{}\n", styled(text.trim_end(), BOLD, console.watch.colour)));
        let units = shown.iter().map(|(_, of)| of.scale.unit());
        let units: String = units.map(|unit| errors(unit, unit, unit)).collect();
        let units = format!("       {:>6}{:>7}{units}", delay.unit(), angle.unit());
        say(&format!("{}\n", units.trim_end()));
        for (facet, (trim, known)) in trims.iter().zip(&known).enumerate() {
            let (a, b) = (delay.cell(Some(trim.in_scan)), angle.cell(Some(trim.cross_scan)));
            let cells: String = shown.iter().map(|(_, of)| of.cells(known, bars)).collect();
            say(&format!("{}\n", format!("  {facet:<5}{a:>6}{b:>7}{cells}").trim_end()));
        }
    }
    EntryOutcome::done(&wrapped(&legend(&known), ""))
}

/// What the columns hold.
fn legend(known: &[FacetReadings]) -> String {
    let counts = || known.iter().filter_map(|(newest, _)| Some(newest.as_ref()?.count));
    let newest = match (counts().min(), counts().max()) {
        (Some(1), Some(1)) => "in-scan, cross: one reading with the trims in force".to_string(),
        (Some(least), Some(most)) => {
            let many = if least == most { most.to_string() } else { format!("{least} to {most}") };
            format!(
                "in-scan, cross: the mean of the newest {many} readings, with the trims in force; \
                 spread: their standard deviation"
            )
        }
        _ => "no line was measured with the trims in force: `test_line` in `arm` does".to_string(),
    };
    let mut earlier = known.iter().filter_map(|(_, earlier)| *earlier).peekable();
    match (earlier.peek().is_some(), earlier.any(|(_, other)| other)) {
        (false, _) => newest,
        (true, false) => format!("{newest}; earlier: the measurement before"),
        (true, true) => format!("{newest}; earlier: the measurement before (*: with other trims)"),
    }
}

/// Errors of all facets in one direction.
struct Errors {
    of: fn(&Measurement) -> Series,
    scale: Scale,
}

impl Errors {
    fn of(known: &[FacetReadings], of: fn(&Measurement) -> Series) -> Errors {
        let newest = most(known.iter().filter_map(|(newest, _)| Some(of(newest.as_ref()?).mean)));
        let earlier = known.iter().filter_map(|(_, earlier)| Some(of(&earlier.as_ref()?.0).mean));
        // All are counted in one unit, and the bars are those of the newest.
        let scale = Scale::of(newest.max(most(earlier)), Dimension::LENGTH);
        let most = if newest > 0.0 { newest } else { scale.most };
        Errors { of, scale: Scale { most, ..scale } }
    }

    fn cells(&self, (newest, earlier): &FacetReadings, bars: usize) -> String {
        let value = newest.as_ref().map(|newest| (self.of)(newest).mean);
        let spread = newest.as_ref().and_then(|n| (self.of)(n).spread(n.count));
        let before = match earlier {
            Some((earlier, other)) => {
                let mark = if *other { "*" } else { " " };
                format!("{}{mark}", self.scale.cell(Some((self.of)(earlier).mean)))
            }
            None => "- ".to_string(),
        };
        let (cell, spread) = (self.scale.cell(value), self.scale.cell(spread));
        let drawn = bar(value.unwrap_or(0.0), self.scale.most, bars);
        format!("{cell:>8}{spread:>7}{before:>9}{drawn}")
    }
}

/// The largest magnitude.
fn most(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, |most, value| most.max(value.abs()))
}

/// The unit of a column.
struct Scale {
    /// None counts in SI.
    unit: Option<UnitText>,
    /// The largest magnitude in SI that a bar shows.
    most: f64,
}

impl Scale {
    fn of(most: f64, dimension: Dimension) -> Scale {
        Scale { unit: suited_unit(if most > 0.0 { most } else { 1e-6 }, dimension), most }
    }

    fn unit(&self) -> &str {
        self.unit.as_ref().map_or("", |unit| unit.text.as_str())
    }

    fn cell(&self, value: Option<f64>) -> String {
        let counted = |value: f64| self.unit.as_ref().map_or(value, |unit| unit.from_si(value));
        let digits = if counted(self.most) < 10.0 { 2 } else { 1 };
        value.map_or("-".to_string(), |value| show_number(counted(value), Some(digits)))
    }
}
