//! What was measured of each facet: of the lists of lines that the script recorded, else of all readings.

use crate::paper::plot::{Axis, Plot, Shape, ends};
use crate::paper::table::{RecordTable, head};
use crate::paper::typeset;
use crate::record::data::Record;
use crate::record::html::limits::Column;
use crate::record::html::plots::{Asked, Drawing, counted, quantity_text};
use crate::record::html::tables::Facets;
use crate::record::rounds::{FacetMean, Round};
use maud::html;
use spintrue_head::{Dimension, suited_unit};

/// What a facet has: its number, a value, and the smallest and the largest that it may have.
struct Facet {
    number: f64,
    value: f64,
    range: [f64; 2],
}

/// What a plot of facets shows, in SI.
struct Drawn<'a> {
    title: String,
    /// The field of the script, and as people read it.
    name: &'a str,
    facets: Vec<Facet>,
    dimension: Dimension,
    /// Drawn as squares, as what counts in the end.
    is_last: bool,
    /// What the thin lines are.
    range: &'a str,
}

/// The plots: each column that a check was decided on, of the last list of its sort, and beside it of the
/// first one where that was far worse.
pub(super) fn facets(record: &Record) -> Vec<Drawing> {
    let mut plots = Vec::new();
    let groups = Facets::of(record);
    for Facets { lists, columns } in &groups {
        let (Some(first), Some(last)) = (lists.first(), lists.last()) else { continue };
        for column in columns {
            let of = |list: &(&str, RecordTable<'_>)| column.values(&list.1);
            let worst = |facets: &[(f64, f64, f64)]| {
                facets.iter().map(|(_, value, _)| value.abs()).fold(0.0, f64::max)
            };
            let [before, after] = [first, last].map(of);
            let drawn = |label: &str, values: &[(f64, f64, f64)], is_last| {
                Drawn {
                    title: format!("{}: {label}", head(column.name)),
                    name: column.name,
                    facets: values.iter().copied().map(certain).collect(),
                    dimension: column.dimension,
                    is_last,
                    range: "two standard uncertainties to both sides",
                }
                .plot(record, &after)
            };
            let was_worse = lists.len() > 1 && worst(&before) > MUCH * worst(&after);
            let former = was_worse.then(|| drawn(first.0, &before, false));
            plots.push(Drawing::beside(former, drawn(last.0, &after, true)));
        }
    }
    let has_shifts = groups.iter().any(|group| group.columns.iter().any(|c| c.name == AXES[0].0));
    if !has_shifts {
        plots.extend(readings(record));
    }
    plots
}

/// So many times worse, what was before is drawn as well.
const MUCH: f64 = 3.0;

fn certain((number, value, u): (f64, f64, f64)) -> Facet {
    Facet { number, value, range: [value - 2.0 * u, value + 2.0 * u] }
}

/// The mean, the smallest and the largest shift in one direction.
type Part = fn(&FacetMean) -> [f64; 3];

/// Both directions: the field of a line, and what a round has of it.
const AXES: [(&str, Part); 2] =
    [("in_scan", |mean| mean.in_scan), ("cross_scan", |mean| mean.cross_scan)];

/// Where the script records no lines: the readings of the first and of the last round.
fn readings(record: &Record) -> Vec<Drawing> {
    let rounds = &record.rounds.list;
    let (Some(first), Some(last)) = (rounds.first(), rounds.last()) else { return Vec::new() };
    let axes = AXES.into_iter().filter(|_| !last.facets.is_empty());
    let plots = axes.map(|(name, part)| {
        let means = last.facets.iter();
        let means = means.map(|(facet, mean)| (f64::from(*facet), part(mean)[0], 0.0));
        let means: Vec<(f64, f64, f64)> = means.collect();
        let drawn = |round: &Round, label: &str, is_last| {
            let facets = round.facets.iter().map(|(facet, mean)| {
                let [value, low, high] = part(mean);
                Facet { number: f64::from(*facet), value, range: [low, high] }
            });
            Drawn {
                title: format!("{}: {label}", head(name)),
                name,
                facets: facets.collect(),
                dimension: Dimension::LENGTH,
                is_last,
                range: "smallest to largest reading, without the hunting of the speed",
            }
            .plot(record, &means)
        };
        if rounds.len() == 1 {
            return drawn(last, "readings", true);
        }
        Drawing::beside(Some(drawn(first, "first round", false)), drawn(last, "last round", true))
    });
    plots.collect()
}

impl Drawn<'_> {
    /// With the limits of what `last` was decided on.
    fn plot(self, record: &Record, last: &[(f64, f64, f64)]) -> Drawing {
        let (x, y): (Vec<f64>, Vec<f64>) = last.iter().map(|(x, y, _)| (*x, *y)).unzip();
        let column = Column {
            name: self.name,
            x: &x,
            y: &y,
            x_dimension: Dimension::NUMBER,
            y_dimension: self.dimension,
        };
        let mut asked = Asked::of(&record.checks.items, &column);
        for asked in &mut asked {
            asked.lie_around(self.facets.iter().map(|facet| facet.value));
        }
        let worst = self.facets.iter().map(|facet| facet.value.abs()).fold(0.0, f64::max);
        let unit = suited_unit(worst, self.dimension);
        let unit = unit.as_ref();
        let words = typeset::in_unit(&head(self.name), unit);
        let numbers = self.facets.iter().map(|facet| facet.number);
        let (low, high) = ends(numbers);
        let axis = Axis::whole(low, high.max(0.0), "facet");
        let levels = asked.iter().flat_map(Asked::levels);
        let reach = self.facets.iter().flat_map(|facet| facet.range).chain(levels);
        let upwards = Axis::around(reach.map(|si| counted(unit, si)), words.as_str());
        let told =
            format!("The largest magnitude is {}.", quantity_text(counted(unit, worst), unit));
        let plot = Plot::small(self.title, &told, axis, upwards);
        let (class, shape) =
            if self.is_last { ("two thin", Shape::Square) } else { ("one thin", Shape::Circle) };
        let all = self.facets.iter();
        let ranges =
            all.clone().map(|facet| (facet.number, facet.range.map(|si| counted(unit, si))));
        let values = all.map(|facet| (facet.number, counted(unit, facet.value)));
        let marks = html! {
            (Asked::drawn(&asked, &plot, unit, None))
            (plot.whiskers(ranges, class))
            (plot.marks(values, shape))
        };
        let caption = html! {
            @match asked.first().filter(|_| self.is_last) {
                Some(asked) => (asked.told()),
                None => (told),
            }
            " Thin line: " (self.range) "."
        };
        Drawing::new(&asked, plot.drawn(marks, caption))
    }
}

/// The largest mean shift of the readings in each round.
pub(super) fn rounds(record: &Record) -> Option<Drawing> {
    let rounds = &record.rounds;
    if rounds.list.len() < 2 {
        return None;
    }
    let of = rounds.list.iter().enumerate();
    let worst: Vec<(f64, [f64; 2])> = of
        .map(|(index, round)| (rounds.number(index) as f64, round.worst().map(|v| v * 1e6)))
        .collect();
    let (last, _) = worst.last()?;
    let told = format!("There are {last:.0} rounds.");
    let x = Axis::whole(1.0, *last, "round: lines measured under the same trims");
    let y = Axis::around(worst.iter().flat_map(|w| w.1).chain([0.0]), "largest mean shift in µm");
    let title = "Residual by round of trimming".to_string();
    let plot = Plot::small(title, &told, x, y);
    let marks = html! {
        (plot.line(worst.iter().map(|w| (w.0, w.1[0])), "one"))
        (plot.line(worst.iter().map(|w| (w.0, w.1[1])), "two dashed"))
        (plot.marks(worst.iter().map(|w| (w.0, w.1[0])), Shape::Circle))
        (plot.marks(worst.iter().map(|w| (w.0, w.1[1])), Shape::Square))
    };
    let caption = html! {
        "Circle and solid line: in-scan. Square and dashed line: cross-scan. Plain means of the readings of "
        "each facet, with wild marks. Checks leave those out, and use lines of their own."
        @if rounds.left_out > 0 {
            " " (rounds.left_out) " rounds behind the first are left out; lines.csv.gz has them all."
        }
    };
    Some(Drawing::new(&[], plot.drawn(marks, caption)))
}
