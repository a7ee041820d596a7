//! Spectra of banding.

use crate::paper::plot::{Axis, Plot, Shape};
use crate::paper::typeset;
use crate::record::checks::CheckRow;
use crate::record::data::Record;
use crate::record::html::limits::Column;
use crate::record::html::plots::{Asked, Drawing, counted, quantity_text};
use maud::html;
use spintrue_head::{Dimension, suited_unit};
use spintrue_language::Shown;

/// Most banding spectra of a report.
const MAX_SPECTRA: usize = 8;

/// Frequency in cycles per line and amplitude in SI of each peak.
struct Peaks {
    label: String,
    at: Vec<f64>,
    heights: Vec<f64>,
    dimension: Dimension,
}

/// Banding: of recorded lists of peaks and of pages; those of one sort have one scale.
pub(super) fn spectra(record: &Record) -> Vec<Drawing> {
    let recorded = record.recorded.items.iter();
    let lists = recorded.filter_map(|recorded| peaks(&recorded.label, &recorded.shown));
    let pages = record.pages.iter().filter_map(|page| {
        let peaks = &page.banding.as_ref()?.peaks;
        Some(Peaks {
            label: format!("page {}", page.number),
            at: peaks.iter().map(|peak| peak.frequency).collect(),
            heights: peaks.iter().map(|peak| peak.amplitude).collect(),
            dimension: Dimension::LENGTH,
        })
    });
    let all: Vec<Peaks> = lists.chain(pages).take(MAX_SPECTRA).collect();
    let most = |of: &Peaks| {
        let alike = all.iter().filter(|other| other.dimension == of.dimension);
        alike.flat_map(|peaks| &peaks.heights).copied().fold(0.0, f64::max)
    };
    all.iter().map(|peaks| banding(peaks, most(peaks), &record.checks.items)).collect()
}

/// The peaks of a value that is a list of them.
fn peaks(label: &str, shown: &Shown) -> Option<Peaks> {
    let Shown::List(items) = shown else { return None };
    let mut found = Peaks {
        label: label.to_string(),
        at: Vec::new(),
        heights: Vec::new(),
        dimension: Dimension::NUMBER,
    };
    for item in items {
        let Shown::Record(fields) = item else { return None };
        let field = |wanted: &str| {
            fields.iter().find_map(|(name, shown)| match shown {
                Shown::Quantity { value, unit, .. } if &**name == wanted => Some((*value, unit)),
                _ => None,
            })
        };
        field("harmonic")?;
        let (amplitude, unit) = field("amplitude")?;
        found.at.push(field("frequency")?.0);
        found.heights.push(amplitude);
        if unit == "m" {
            found.dimension = Dimension::LENGTH;
        }
    }
    (!found.at.is_empty()).then_some(found)
}

fn banding(peaks: &Peaks, most: f64, checks: &[CheckRow]) -> Drawing {
    let unit = suited_unit(most, peaks.dimension);
    let unit = unit.as_ref();
    let column = Column {
        name: "amplitude",
        x: &peaks.at,
        y: &peaks.heights,
        x_dimension: Dimension::NUMBER,
        y_dimension: peaks.dimension,
    };
    let asked = Asked::of(checks, &column);
    let all = || peaks.at.iter().copied().zip(peaks.heights.iter().map(|y| counted(unit, *y)));
    let worst = all().max_by(|one, other| one.1.total_cmp(&other.1));
    let words = typeset::in_unit("amplitude", unit);
    let summary = worst.map_or(String::new(), |(frequency, height)| {
        let (count, height) = (peaks.at.len(), quantity_text(height, unit));
        format!("The largest of {count} peaks is {height}, at {frequency:.3} cycles per line.")
    });
    let x = Axis::around(peaks.at.iter().copied().chain([0.0, 0.5]), "cycles per line");
    let levels = asked.iter().flat_map(Asked::levels);
    let y = Axis::around([0.0, most].into_iter().chain(levels).map(|y| counted(unit, y)), words);
    let title = format!("Banding: {}", peaks.label);
    let plot = Plot::small(title, &summary, x, y);
    let marks = html! {
        (plot.whiskers(all().map(|(frequency, height)| (frequency, [0.0, height])), "two"))
        (plot.marks(all(), Shape::Square))
        (Asked::drawn(&asked, &plot, unit, None))
    };
    let caption = html! {
        @match asked.first() { Some(asked) => (asked.told()), None => (summary) }
    };
    Drawing::new(&asked, plot.drawn(marks, caption))
}
