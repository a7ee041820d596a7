//! A plot as SVG: a frame with axes in units and ticks at 1, 2 and 5, and marks inside it.

use maud::{Markup, html};

/// Size of a plot, and what is left beside its frame for the names of lines across.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Size {
    width: f64,
    height: f64,
    right: f64,
}

/// One of several beside each other.
const SMALL: Size = Size { width: 480.0, height: 250.0, right: 62.0 };

/// One over the whole page.
pub(crate) const WIDE: Size = Size { width: 900.0, height: 280.0, right: 104.0 };

/// What is left above the frame for the names of lines upwards, and below it.
const TOP: f64 = 22.0;
const BOTTOM: f64 = 26.0;

/// Room that a character takes.
const CHARACTER: f64 = 8.0;

/// From one name of a line to the next below it.
const LINE: f64 = 16.0;

/// Ticks that an axis has at most, about.
const TICKS: f64 = 6.0;

/// An axis: its range, its words with the unit, and where its ticks stand.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Axis {
    low: f64,
    high: f64,
    words: String,
    step: f64,
}

/// The step of 1, 2 or 5 times a power of ten that divides a span into at most `parts` parts.
fn step(span: f64, most: f64) -> f64 {
    let least = span / most;
    let power = 10_f64.powf(least.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power);
    steps.into_iter().find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// The least and the largest value; of none infinity before its opposite.
pub(crate) fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let none = (f64::INFINITY, f64::NEG_INFINITY);
    values.fold(none, |(low, high), value| (low.min(value), high.max(value)))
}

impl Axis {
    /// From tick to tick around all values.
    pub(crate) fn around(values: impl Iterator<Item = f64>, words: impl Into<String>) -> Axis {
        let (low, high) = Axis::range(values);
        let step = step(high - low, TICKS);
        let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
        Axis { low, high, words: words.into(), step }
    }

    /// No wider than the values are, with about `ticks` ticks inside, at whole numbers only where `is_whole`.
    pub(crate) fn within(values: impl Iterator<Item = f64>, ticks: usize, is_whole: bool) -> Axis {
        let (low, high) = Axis::range(values);
        let step = step(high - low, ticks.max(1) as f64);
        let step = if is_whole { step.max(1.0) } else { step };
        Axis { low, high, words: String::new(), step }
    }

    /// The ends of all values, apart from each other.
    fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
        let (mut low, mut high) = ends(values.filter(|value| value.is_finite()));
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        if high - low <= 1e-9 * low.abs().max(high.abs()).max(1e-12) {
            let room = if low == 0.0 { 1.0 } else { low.abs() * 0.5 };
            (low, high) = (low - room, high + room);
        }
        (low, high)
    }

    /// For the whole numbers between two.
    pub(crate) fn whole(low: f64, high: f64, words: impl Into<String>) -> Axis {
        let step = step((high - low).max(1.0), 12.0).max(1.0);
        Axis { low: low - 0.5, high: high + 0.5, words: words.into(), step }
    }

    /// Where ticks stand.
    pub(crate) fn ticks(&self) -> impl Iterator<Item = f64> {
        let (first, step) = ((self.low / self.step).ceil(), self.step);
        let count = (self.high / step + 1e-9).floor() - first;
        let count = if count.is_finite() { count.clamp(0.0, 40.0) as u32 } else { 0 };
        (0..=count).map(move |k| (first + f64::from(k)) * step)
    }

    /// A tick as text.
    pub(crate) fn text(&self, tick: f64) -> String {
        let places = (-self.step.log10().floor()).clamp(0.0, 9.0) as usize;
        let text = format!("{:.places$}", tick + 0.0);
        let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
        if zero { text.trim_start_matches('-').to_string() } else { text.replace('-', "\u{2212}") }
    }

    /// Where a value lies: 0 at the low end, 1 at the high one.
    pub(crate) fn share(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }
}

/// A plot.
pub(crate) struct Plot {
    /// How much room it has.
    pub size: Size,
    /// What it shows, in a few words.
    pub title: String,
    /// The same at more length, for those who do not see it.
    pub told: String,
    /// Along.
    pub x: Axis,
    /// Upwards.
    pub y: Axis,
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// The shape of marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    /// Hollow.
    Circle,
    /// Filled.
    Square,
    /// Small.
    Point,
}

/// A line across a plot.
#[derive(Clone, Debug)]
pub(crate) struct Across {
    /// Where it lies.
    pub at: f64,
    /// Its name, beside the frame.
    pub name: &'static str,
    /// How it is drawn.
    pub class: &'static str,
}

impl Plot {
    /// A small plot.
    pub(crate) fn small(title: String, told: &str, x: Axis, y: Axis) -> Plot {
        Plot { size: SMALL, title, told: told.to_string(), x, y }
    }

    /// Beside the widest tick.
    fn left(&self) -> f64 {
        let widest = self.y.ticks().map(|tick| self.y.text(tick).chars().count()).max();
        14.0 + CHARACTER * widest.unwrap_or(0) as f64
    }

    fn right(&self) -> f64 {
        self.size.width - self.size.right
    }

    fn bottom(&self) -> f64 {
        self.size.height - BOTTOM
    }

    /// Where a value along lies.
    pub(crate) fn at_x(&self, value: f64) -> f64 {
        let left = self.left();
        round(left + self.x.share(value) * (self.right() - left))
    }

    /// Where a value upwards lies.
    pub(crate) fn at_y(&self, value: f64) -> f64 {
        let bottom = self.bottom();
        round(bottom - self.y.share(value) * (bottom - TOP))
    }

    /// Where zero lies, or the bottom.
    pub(crate) fn floor(&self) -> f64 {
        self.at_y(0.0_f64.clamp(self.y.low, self.y.high))
    }

    /// A line through points; those amid others of the same height are left out.
    pub(crate) fn line(&self, points: impl Iterator<Item = (f64, f64)>, class: &str) -> Markup {
        let mut places: Vec<(f64, f64)> = Vec::new();
        for (x, y) in points.map(|(x, y)| (self.at_x(x), self.at_y(y))) {
            if let [.., before, last] = &mut places[..]
                && before.1 == y
                && last.1 == y
            {
                last.0 = x;
            } else {
                places.push((x, y));
            }
        }
        let points = places.iter().map(|(x, y)| format!("{x},{y}")).collect::<Vec<_>>().join(" ");
        html! { polyline points=(points) class=(class) {} }
    }

    /// A line upwards through the whole frame, with words above it that end there or begin there.
    pub(crate) fn upright(&self, x: f64, words: &str, ends: bool) -> Markup {
        let (at, anchor) = (self.at_x(x), if ends { "end" } else { "start" });
        html! {
            path d=(format!("M{at} {TOP}V{}", self.bottom())) class="mark" {}
            text x=(at) y=(TOP - 7.0) text-anchor=(anchor) { (words) }
        }
    }

    /// Marks of a shape at points.
    pub(crate) fn marks(&self, points: impl Iterator<Item = (f64, f64)>, shape: Shape) -> Markup {
        let mark = |(x, y)| {
            let (x, y) = (self.at_x(x), self.at_y(y));
            match shape {
                Shape::Circle => format!("M{x} {}a4.5 4.5 0 1 1-.1 0z", round(y - 4.5)),
                Shape::Square => format!("M{} {}h8v8h-8z", round(x - 4.0), round(y - 4.0)),
                Shape::Point => format!("M{x} {y}h0"),
            }
        };
        let class = match shape {
            Shape::Circle => "one",
            Shape::Square => "two full",
            Shape::Point => "point",
        };
        html! { path d=(points.map(mark).collect::<String>()) class=(class) {} }
    }

    /// Bars of a width from zero, or from the bottom, to points.
    pub(crate) fn bars(&self, points: impl Iterator<Item = (f64, f64)>, width: f64) -> Markup {
        let bar = |(x, y)| {
            let [left, right] = [-0.5, 0.5].map(|side| self.at_x(x + side * width));
            let (foot, height) = (self.floor(), self.at_y(y));
            format!("M{left} {foot}V{height}H{}V{foot}z", right.max(left + 1.0))
        };
        html! { path d=(points.map(bar).collect::<String>()) class="one full" {} }
    }

    /// Lines across the whole frame, with their names beside it.
    pub(crate) fn across(&self, mut lines: Vec<Across>) -> Markup {
        lines.sort_by(|one, other| other.at.total_cmp(&one.at));
        let right = self.right();
        let names = lines.iter().map(|line| (line.at, line.name));
        html! {
            @for line in &lines {
                @let y = self.at_y(line.at);
                path d=(format!("M{} {y}H{right}", self.left())) class=(line.class) {}
            }
            (self.names(&names.collect::<Vec<_>>()))
        }
    }

    /// Names beside the frame, each at its value, the largest first: those that lie close stand below each other, and none
    /// below the frame.
    pub(crate) fn names(&self, names: &[(f64, impl AsRef<str>)]) -> Markup {
        let mut places: Vec<f64> = Vec::new();
        for (at, _) in names {
            let free = places.last().map_or(0.0, |at| at + LINE);
            places.push((self.at_y(*at) + 4.5).max(free));
        }
        let mut free = self.bottom() + 4.5;
        for at in places.iter_mut().rev() {
            *at = round(at.min(free));
            free = *at - LINE;
        }
        html! {
            @for ((_, name), y) in names.iter().zip(places) {
                text x=(self.right() + 6.0) y=(y) { (name.as_ref()) }
            }
        }
    }

    /// A point that stands out by its shape and size, not by its colour alone; the remark is told
    /// to who points at it.
    pub(crate) fn flag(&self, x: f64, y: f64, remark: &str) -> Markup {
        let (x, y) = (self.at_x(x), self.at_y(y));
        html! { path d=(format!("M{x} {}l5 5l-5 5l-5 -5z", round(y - 5.0))) class="flag" {
            title { (remark) }
        } }
    }

    /// Lines upwards, each between two values.
    pub(crate) fn whiskers(
        &self,
        of: impl Iterator<Item = (f64, [f64; 2])>,
        class: &str,
    ) -> Markup {
        let line = |(x, [low, high]): (f64, [f64; 2])| {
            format!("M{} {}V{}", self.at_x(x), self.at_y(low), self.at_y(high))
        };
        html! { path d=(of.map(line).collect::<String>()) class=(class) {} }
    }

    /// The plot with its marks and a caption.
    pub(crate) fn drawn(&self, marks: Markup, caption: Markup) -> Markup {
        let Size { width, height, .. } = self.size;
        let (left, right, bottom) = (self.left(), self.right(), self.bottom());
        let ticks = |axis: &Axis, at: &dyn Fn(f64) -> f64| -> Vec<(f64, String)> {
            axis.ticks().map(|tick| (at(tick), axis.text(tick))).collect()
        };
        let upwards = ticks(&self.y, &|tick| self.at_y(tick));
        let along = ticks(&self.x, &|tick| self.at_x(tick));
        let across = |y: f64| format!("M{left} {y}H{right}");
        let grid: String = upwards.iter().map(|(y, _)| across(*y)).collect();
        let strokes: String = along.iter().map(|(x, _)| format!("M{x} {bottom}v5")).collect();
        let has_zero = self.y.low <= 0.0 && self.y.high >= 0.0;
        html! {
            figure {
                figcaption { b { (self.title) } }
                div.words { (self.y.words) }
                svg viewBox=(format!("0 0 {width} {height}")) role="img"
                    aria-label=(format!("{}. {}", self.title, self.told)) {
                    path d=(grid) class="grid" {}
                    @if has_zero { path d=(across(self.floor())) class="zero" {} }
                    path d=(format!("M{left} {TOP}V{bottom}H{right}{strokes}")) class="axis" {}
                    g text-anchor="end" { @for (y, text) in &upwards {
                        text x=(left - 7.0) y=(round(y + 4.5)) { (text) }
                    } }
                    g text-anchor="middle" { @for (x, text) in &along {
                        text x=(x) y=(bottom + 19.0) { (text) }
                    } }
                    (marks)
                }
                div.words.along { (self.x.words) }
                figcaption { (caption) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Across, Axis, LINE, Plot, WIDE};

    fn ticks(low: f64, high: f64) -> Vec<String> {
        let axis = Axis::around([low, high].into_iter(), "");
        axis.ticks().map(|tick| axis.text(tick)).collect()
    }

    #[test]
    fn names_of_lines_that_lie_close_stand_below_each_other() {
        let y = Axis::around([0.0, 10.0].into_iter(), "y");
        let (title, told) = (String::new(), String::new());
        let plot = Plot { size: WIDE, title, told, x: Axis::whole(1.0, 9.0, "x"), y };
        let across = |at, name| Across { at, name, class: "mark" };
        let drawn = plot.across(vec![across(5.0, "low"), across(5.1, "high"), across(9.0, "far")]);
        let drawn = drawn.into_string();
        let places: Vec<f64> = ["far", "high", "low"]
            .iter()
            .map(|name| {
                let before = drawn.split(&format!("\">{name}<")).next().unwrap();
                before.rsplit("y=\"").next().unwrap().parse().unwrap()
            })
            .collect();
        assert!(places[1] - places[0] > LINE, "{places:?}");
        assert!((places[2] - places[1] - LINE).abs() < 0.11, "{places:?}");
    }

    #[test]
    fn names_of_lines_stay_beside_the_frame() {
        let y = Axis::around([0.0, 10.0].into_iter(), "y");
        let plot = Plot::small(String::new(), "", Axis::whole(1.0, 9.0, "x"), y);
        let lines = [0.0, 0.1, 0.2].map(|at| Across { at, name: "low", class: "limit" });
        let drawn = plot.across(lines.to_vec()).into_string();
        let of_text = |part: &str| part.split('"').next().unwrap().parse::<f64>().unwrap();
        let places: Vec<f64> = drawn.split(" y=\"").skip(1).map(of_text).collect();
        assert_eq!(places, [2.0, 1.0, 0.0].map(|above| plot.bottom() + 4.5 - above * LINE));
    }

    #[test]
    fn ticks_stand_at_one_two_and_five() {
        assert_eq!(ticks(0.0, 5000.0), ["0", "1000", "2000", "3000", "4000", "5000"]);
        assert_eq!(
            ticks(-0.03, 0.09),
            ["\u{2212}0.04", "\u{2212}0.02", "0.00", "0.02", "0.04", "0.06", "0.08", "0.10"]
        );
        assert_eq!(ticks(12.0, 12.0).len(), 7);
        assert_eq!(ticks(f64::NAN, f64::INFINITY).first().unwrap(), "0.0");
        let whole = Axis::whole(0.0, 9.0, "facet");
        assert_eq!(whole.ticks().count(), 10);
    }
}
