//! What the head told over time: the times of its turns, its speed and its temperature.

use crate::paper::plot::{Axis, Plot, Shape};
use crate::paper::typeset;
use crate::record::curve::StatusPoint;
use crate::record::data::Record;
use crate::record::html::limits::Column;
use crate::record::html::plots::{Asked, Drawing, counted, named};
use maud::html;
use spintrue_head::{Dimension, parse_unit};
use spintrue_language::time_text;

/// Most turns that are drawn.
const MAX_TURNS: usize = 160;

/// A plot of numbers in order.
struct Curve<'a> {
    title: &'a str,
    /// What lies along, and what upwards, as the field of the script has it.
    along: &'a str,
    name: &'a str,
    unit: &'a str,
    dimension: Dimension,
    x_dimension: Dimension,
    /// Places, and values in SI; those that are no numbers are left out.
    points: Vec<(f64, f64)>,
    summary: String,
    /// What the plot must reach, in its unit.
    foot: Option<f64>,
    /// A line upwards, and its words.
    upright: Option<(f64, String)>,
    /// So many values for each that is drawn as a point; 0 where all are drawn as a line.
    thinned: usize,
    /// How it was thinned out, and where all values are.
    left_out: String,
}

/// All that the run has data for.
pub(super) fn curves(record: &Record) -> Vec<Drawing> {
    let all = [turns(record), speed(record), temperature(record)];
    all.into_iter().flatten().map(|curve| curve.drawn(record)).collect()
}

/// The turns of the longest series, against the speed asked for.
fn turns(record: &Record) -> Option<Curve<'_>> {
    let count = record.turns.len();
    (count > 1).then(|| Curve {
        title: "Times of turns",
        along: "turn",
        name: "error of the time of a turn",
        unit: "ppm",
        dimension: Dimension::NUMBER,
        x_dimension: Dimension::NUMBER,
        points: record.turns.iter().enumerate().map(|(at, error)| (at as f64, *error)).collect(),
        summary: format!("{count} turns, against the speed asked for."),
        foot: None,
        upright: None,
        thinned: count.div_ceil(MAX_TURNS),
        left_out: match count.div_ceil(MAX_TURNS) {
            1 => String::new(),
            step => format!(" One turn in {step} is drawn; events.jsonl.gz has them all."),
        },
    })
}

/// A number of every status over head time.
fn over_time<'a>(record: &Record, value: impl Fn(&StatusPoint) -> f64) -> Curve<'a> {
    let curve = &record.curve;
    let points = curve.points.iter().map(|point| (point.time, value(point)));
    Curve {
        title: "",
        along: "head time in s",
        name: "",
        unit: "",
        dimension: Dimension::NUMBER,
        x_dimension: Dimension::TIME,
        points: points.filter(|(_, value)| value.is_finite()).collect(),
        summary: String::new(),
        foot: None,
        upright: None,
        thinned: 0,
        left_out: if curve.gap > 0.0 {
            let gap = time_text(curve.gap);
            format!(" Thinned out to one point in {gap}; events.jsonl.gz has them all.")
        } else {
            String::new()
        },
    }
}

/// Speed over head time, with the first lock.
fn speed(record: &Record) -> Option<Curve<'_>> {
    let curve = over_time(record, |point| point.speed);
    if curve.points.iter().filter(|(_, speed)| speed.abs() > 0.0).count() < 2 {
        return None;
    }
    let lock = record.curve.lock();
    let rpm = parse_unit("rpm").ok();
    let fastest = curve.points.iter().map(|(_, speed)| *speed).fold(0.0, f64::max);
    let fastest = counted(rpm.as_ref(), fastest);
    Some(Curve {
        title: "Speed of the polygon",
        name: "speed",
        unit: "rpm",
        dimension: Dimension::ROTATION,
        summary: match lock {
            Some(lock) => format!(
                "The polygon reached {fastest:.0} rpm; lock was first seen at {:.3} s of head time.",
                lock.time
            ),
            None => format!("The polygon reached {fastest:.0} rpm; lock was never seen."),
        },
        foot: Some(0.0),
        upright: lock.map(|lock| (lock.time, format!("lock {:.2} s", lock.time))),
        ..curve
    })
}

/// Temperature over head time, where it changed.
fn temperature(record: &Record) -> Option<Curve<'_>> {
    let curve = over_time(record, |point| point.temperature);
    let ((_, first), (_, last)) = (*curve.points.first()?, *curve.points.last()?);
    curve.points.iter().find(|(_, value)| *value != first)?;
    let [first, last] = [first, last].map(|kelvin| kelvin - 273.15);
    Some(Curve {
        title: "Temperature of the head",
        name: "temperature",
        unit: "degC",
        dimension: Dimension::TEMPERATURE,
        summary: format!("The head went from {first:.1} °C to {last:.1} °C."),
        ..curve
    })
}

impl Curve<'_> {
    /// With the limits of every check that was decided on it.
    fn drawn(self, record: &Record) -> Drawing {
        let (x, y): (Vec<f64>, Vec<f64>) = self.points.iter().copied().unzip();
        let (x_dimension, y_dimension) = (self.x_dimension, self.dimension);
        let column = Column { name: self.name, x: &x, y: &y, x_dimension, y_dimension };
        let asked = Asked::all(&record.checks.items, &column);
        let unit = parse_unit(self.unit).ok();
        let unit = unit.as_ref();
        let points = || self.points.iter().map(|(x, y)| (*x, counted(unit, *y)));
        let levels = asked.iter().flat_map(Asked::levels).map(|si| counted(unit, si));
        let along = Axis::around(x.iter().copied(), self.along);
        let reach = points().map(|(_, value)| value).chain(self.foot).chain(levels);
        let upwards = Axis::around(reach, named(self.name, unit));
        let plot = Plot::small(self.title.to_string(), &self.summary, along, upwards);
        let marks = html! {
            @if self.thinned > 0 { (plot.marks(points().step_by(self.thinned), Shape::Point)) }
            @else { (plot.line(points(), "one")) }
            @if let Some((at, words)) = &self.upright { (plot.upright(*at, words, false)) }
            (Asked::drawn(&asked, &plot, unit, None))
        };
        let caption = html! {
            (typeset::text(&self.summary))
            @for asked in &asked { (asked.told()) }
            (self.left_out)
        };
        Drawing::new(&asked, plot.drawn(marks, caption))
    }
}
