//! `facets`: the trims of each facet, and the errors that were measured with them, as bars.

use crate::shell::bench::{Bench, Came};
use crate::shell::plot::bar;
use crate::shell::reader::Reader;
use crate::terminal::{BOLD, columns, complain, say, styled};
use crate::units::{Dimension, show_number, suited};

/// Columns of a bar where there is room, and where there is little.
const BARS: (usize, usize) = (16, 8);

/// `facets`
pub fn facets(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    let trims = match bench.station.trims() {
        Ok(trims) => trims,
        Err(error) => {
            complain(&format!("the trims cannot be read: {error}\n"));
            return Came::Ill(3);
        }
    };
    let tap = bench.tap.borrow();
    let round = tap.rounds.fresh();
    let along: Vec<Option<f64>> = errors(round, trims.len(), |mean| mean.in_scan[0]);
    let across: Vec<Option<f64>> = errors(round, trims.len(), |mean| mean.cross_scan[0]);
    let delay = Column::of(trims.iter().map(|trim| Some(trim.in_scan)), Dimension::TIME);
    let angle = Column::of(trims.iter().map(|trim| Some(trim.cross_scan)), Dimension::ANGLE);
    let along = Column::of(along.into_iter(), Dimension::LENGTH);
    let across = Column::of(across.into_iter(), Dimension::LENGTH);
    let bars = if columns() >= 80 { BARS.0 } else { BARS.1 };
    let line = |key: &str, cells: [&str; 4], drawn: [String; 2]| {
        let [a, b, c, d] = cells;
        let [e, f] = drawn;
        format!("  {key:<5} {a:>8} {b:>9}  {c:>8} {e}{d:>8} {f}").trim_end().to_string()
    };
    let blank = || " ".repeat(bars + 1);
    let heads = ["trim", "trim", "in-scan", "cross-sc"];
    let text = line("facet", heads, [blank(), blank()]);
    say(&format!("{}\n", styled(&text, BOLD, bench.colour)));
    let units = [&delay.unit, &angle.unit, &along.unit, &across.unit].map(String::as_str);
    say(&format!("{}\n", line("", units, [blank(), blank()])));
    for facet in 0..trims.len() {
        let cells = [&delay, &angle, &along, &across].map(|column| column.cell(facet));
        let [a, b, c, d] = &cells;
        let drawn = [along.bar(facet, bars), across.bar(facet, bars)];
        say(&format!("{}\n", line(&facet.to_string(), [a, b, c, d], drawn)));
    }
    match round {
        Some(round) => {
            let readings: u32 = round.facets.values().map(|mean| mean.count).sum();
            say(&format!("errors: the mean of {readings} readings with the trims in force\n"));
        }
        None => {
            say("no line was measured since these trims were loaded: `test_line` in `arm` does\n")
        }
    }
    Came::Well
}

/// What was measured of each facet.
fn errors(
    round: Option<&crate::record::Round>,
    facets: usize,
    of: fn(&crate::record::FacetMean) -> f64,
) -> Vec<Option<f64>> {
    let number = |facet: usize| u32::try_from(facet).ok();
    let mean = |facet: usize| round?.facets.get(&number(facet)?).map(of);
    (0..facets).map(mean).collect()
}

/// Values in one unit.
struct Column {
    values: Vec<Option<f64>>,
    unit: String,
    most: f64,
}

impl Column {
    fn of(values: impl Iterator<Item = Option<f64>>, dimension: Dimension) -> Column {
        let values: Vec<Option<f64>> = values.collect();
        let most = values.iter().flatten().fold(0.0_f64, |most, value| most.max(value.abs()));
        let unit = suited(if most > 0.0 { most } else { 1e-6 }, dimension);
        let counted = |value: f64| unit.as_ref().map_or(value, |unit| unit.from_si(value));
        Column {
            values: values.into_iter().map(|value| value.map(counted)).collect(),
            most: counted(most),
            unit: unit.map(|unit| unit.text).unwrap_or_default(),
        }
    }

    fn cell(&self, facet: usize) -> String {
        match self.values.get(facet).copied().flatten() {
            Some(value) => show_number(value, Some(if self.most < 10.0 { 2 } else { 1 })),
            None => "-".to_string(),
        }
    }

    fn bar(&self, facet: usize, columns: usize) -> String {
        bar(self.values.get(facet).copied().flatten().unwrap_or(0.0), self.most, columns)
    }
}
