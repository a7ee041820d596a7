//! What the head told over time: the times of its turns, its speed and its temperature.

use crate::paper::plot::{Axis, Plot, Shape};
use crate::paper::typeset;
use crate::record::curve::StatusPoint;
use crate::record::data::Record;
use crate::record::html::limits::Column;
use crate::record::html::plots::{Asked, Drawing, counted};
use maud::html;
use spintrue_head::{Dimension, parse_unit};
use spintrue_language::time_text;

/// Most turns that are drawn.
const MAX_TURNS: usize = 160;

/// A plot of numbers in order.
#[derive(Default)]
struct Curve {
    title: &'static str,
    /// What lies upwards, as the field of a script has it.
    name: &'static str,
    unit: &'static str,
    /// Head times or numbers of turns, and values in SI; those that are no numbers are left out.
    points: Vec<(f64, f64)>,
    summary: String,
    /// What the plot must reach, in its unit.
    foot: Option<f64>,
    /// A line upwards, and its words.
    upright: Option<(f64, String)>,
    /// Of turns, one in so many is drawn.
    turns: Option<usize>,
}

/// All that the run has data for.
pub(super) fn curves(record: &Record) -> Vec<Drawing> {
    let all = [turns(record), speed(record), temperature(record)];
    all.into_iter().flatten().map(|curve| curve.drawn(record)).collect()
}

/// The turns of the longest series, against the speed asked for.
fn turns(record: &Record) -> Option<Curve> {
    let count = record.turns.len();
    (count > 1).then(|| Curve {
        title: "Times of turns",
        name: "error of the time of a turn",
        unit: "ppm",
        points: record.turns.iter().enumerate().map(|(at, error)| (at as f64, *error)).collect(),
        summary: format!("{count} turns, against the speed asked for."),
        turns: Some(count.div_ceil(MAX_TURNS)),
        ..Curve::default()
    })
}

/// A number of every status over head time.
fn over_time(record: &Record, value: fn(&StatusPoint) -> f64) -> Vec<(f64, f64)> {
    let points = record.curve.points.iter().map(|point| (point.time, value(point)));
    points.filter(|(_, value)| value.is_finite()).collect()
}

/// Speed over head time, with the first lock.
fn speed(record: &Record) -> Option<Curve> {
    let points = over_time(record, |point| point.speed);
    if points.iter().filter(|(_, speed)| speed.abs() > 0.0).count() < 2 {
        return None;
    }
    let lock = record.curve.lock();
    let fastest = points.iter().map(|(_, speed)| *speed).fold(0.0, f64::max);
    let fastest = counted(parse_unit("rpm").ok().as_ref(), fastest);
    let lock_text = lock.map_or_else(
        || "was never seen".to_string(),
        |lock| format!("was first seen at {:.3} s of head time", lock.time),
    );
    Some(Curve {
        title: "Speed of the polygon",
        name: "speed",
        unit: "rpm",
        points,
        summary: format!("The polygon reached {fastest:.0} rpm; lock {lock_text}."),
        foot: Some(0.0),
        upright: lock.map(|lock| (lock.time, format!("lock {:.2} s", lock.time))),
        ..Curve::default()
    })
}

/// Temperature over head time, where it changed.
fn temperature(record: &Record) -> Option<Curve> {
    let points = over_time(record, |point| point.temperature);
    let ((_, first), (_, last)) = (*points.first()?, *points.last()?);
    points.iter().find(|(_, value)| *value != first)?;
    let [first, last] = [first, last].map(|kelvin| kelvin - 273.15);
    Some(Curve {
        title: "Temperature of the head",
        name: "temperature",
        unit: "degC",
        points,
        summary: format!("The head went from {first:.1} °C to {last:.1} °C."),
        ..Curve::default()
    })
}

impl Curve {
    /// With the limits of every check that was decided on it.
    fn drawn(self, record: &Record) -> Drawing {
        let unit = parse_unit(self.unit).ok();
        let unit = unit.as_ref();
        let (x, y): (Vec<f64>, Vec<f64>) = self.points.iter().copied().unzip();
        let (along, x_dimension) = match self.turns {
            Some(_) => ("turn", Dimension::NUMBER),
            None => ("head time in s", Dimension::TIME),
        };
        let y_dimension = unit.map_or(Dimension::NUMBER, |unit| unit.dimension);
        let column = Column { name: self.name, x: &x, y: &y, x_dimension, y_dimension };
        let asked = Asked::all(&record.checks.items, &column);
        let points = || self.points.iter().map(|(x, y)| (*x, counted(unit, *y)));
        let levels = asked.iter().flat_map(Asked::levels).map(|si| counted(unit, si));
        let reach = points().map(|(_, value)| value).chain(self.foot).chain(levels);
        let (title, upwards) =
            (self.title.to_string(), Axis::around(reach, typeset::in_unit(self.name, unit)));
        let along = Axis::around(x.iter().copied(), along);
        let plot = Plot::small(title, &self.summary, along, upwards);
        let gap = record.curve.gap;
        let left_out = match self.turns {
            Some(1) => String::new(),
            Some(step) => format!(" One turn in {step} is drawn; events.jsonl.gz has them all."),
            None if gap > 0.0 => {
                let gap = time_text(gap);
                format!(" Thinned out to one point in {gap}; events.jsonl.gz has more.")
            }
            None => String::new(),
        };
        let marks = html! {
            @match self.turns {
                Some(step) => (plot.marks(points().step_by(step), Shape::Point)),
                None => (plot.line(points(), "one")),
            }
            @if let Some((at, words)) = &self.upright { (plot.upright(*at, words, false)) }
            (Asked::drawn(&asked, &plot, unit, None))
        };
        let caption = html! {
            (self.summary)
            @for asked in &asked { (asked.told()) }
            (left_out)
        };
        Drawing::new(&asked, plot.drawn(marks, caption))
    }
}
