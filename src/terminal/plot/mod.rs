//! Plots in a terminal: lists and curves with units on both axes, as lines of characters. Uses paper.

mod bars;
mod canvas;

pub(crate) use bars::{bar, spark};

use crate::paper::series::Series;
use crate::terminal::columns::cut;
use crate::terminal::{columns, rows, wrapped};
use spintrue_head::show_number;
use spintrue_language::{PlotOf, PlotSort, Shown};
use std::io::{IsTerminal, stdout};

/// Rows of a frame at least, and of what a script records at most.
pub(crate) const MIN_ROWS: usize = 8;
const MAX_RECORDED: usize = 20;

/// Rows of the screen that are left to what was typed, to what is said below a plot and to the prompt.
const ROWS_LEFT: usize = 4;

/// Most bars that lie below each other and scroll.
const MAX_BARS: usize = 60;

/// Columns of a name in a legend at most.
const MAX_LEGEND: usize = 40;

/// What plots are drawn with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Charset {
    /// Braille and block characters of Unicode.
    Braille,
    /// ASCII.
    Ascii,
}

impl Charset {
    /// What standard output shows: Unicode on a terminal whose locale says UTF-8, except on the consoles that
    /// have no Braille.
    pub(crate) fn of_terminal() -> Charset {
        let set = |name: &&str| std::env::var(name).ok().filter(|value| !value.is_empty());
        let locale = ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(set).unwrap_or_default();
        let locale = locale.to_uppercase().replace('-', "");
        let terminal = set(&"TERM").unwrap_or_default();
        let is_plain = ["dumb", "linux"].contains(&terminal.as_str());
        match stdout().is_terminal() && locale.ends_with("UTF8") && !is_plain {
            true => Charset::Braille,
            false => Charset::Ascii,
        }
    }

    /// The axis upwards, the corner, the axis along and its ticks.
    fn axes(self) -> [char; 4] {
        if self == Charset::Ascii { ['|', '+', '-', '+'] } else { ['│', '└', '─', '┴'] }
    }

    /// Lines across at limits and at zero, and upwards.
    fn lines(self) -> [char; 3] {
        if self == Charset::Ascii { ['-', '.', ':'] } else { ['╌', '·', '┊'] }
    }

    fn text(self, text: &str) -> String {
        match self {
            Charset::Ascii => text.replace('\u{2212}', "-").replace('…', ".."),
            Charset::Braille => text.to_string(),
        }
    }
}

/// A curve or bars: what they are called, and what they show.
pub(crate) struct Curve {
    /// For the legend.
    pub name: String,
    /// What it may share a frame with: curves of the same group, axes and dimensions.
    pub group: String,
    /// What is drawn.
    pub series: Series,
}

/// A moment worth a line upwards, and what it is.
pub(crate) struct Mark {
    /// On the axis along.
    pub at: f64,
    /// What it is.
    pub words: String,
}

/// Curves as they are printed, in at most `most` rows and as high as the terminal; bars may be more and scroll.
pub(crate) fn printed(
    curves: Vec<Curve>,
    mark: Option<&Mark>,
    most: usize,
) -> (Vec<String>, Vec<String>) {
    let rows = rows().saturating_sub(ROWS_LEFT).min(most).max(MIN_ROWS);
    let size = (columns().saturating_sub(1), rows);
    figure(curves, mark, size, MAX_BARS, Charset::of_terminal())
}

/// Curves in frames below each other, in about `size` columns and rows; the fields for which there is no room. Up to
/// `bars` bars lie in rows, or as many as there is room for; through the ends of more a line is drawn.
pub(crate) fn figure(
    curves: Vec<Curve>,
    mark: Option<&Mark>,
    size: (usize, usize),
    bars: usize,
    charset: Charset,
) -> (Vec<String>, Vec<String>) {
    let mut frames: Vec<Vec<Curve>> = Vec::new();
    for curve in curves {
        let same = |frame: &&mut Vec<Curve>| frame.first().is_some_and(|first| fits(first, &curve));
        match frames.iter_mut().find(same) {
            Some(frame) => frame.push(curve),
            None => frames.push(vec![curve]),
        }
    }
    let most = (size.1 / MIN_ROWS).max(1);
    let left_out =
        frames.iter().skip(most).flatten().map(|curve| curve.series.field.clone()).collect();
    frames.truncate(most);
    let each = size.1 / frames.len().max(1);
    let mut lines = Vec::new();
    for mut frame in frames {
        let largest = frame.iter().max_by(|a, b| a.series.most().total_cmp(&b.series.most()));
        let unit = largest.and_then(|curve| curve.series.y.unit().cloned());
        frame.iter_mut().for_each(|curve| curve.series.count_in(unit.as_ref()));
        let frame: Vec<&Curve> = frame.iter().collect();
        let lying = frame.iter().all(|curve| is_bars(curve)) && bars::rows(&frame) < each.max(bars);
        let title = title(&frame, mark, lying, charset);
        let rows = each.saturating_sub(title.len());
        lines.extend(title);
        lines.extend(match lying {
            true => bars::bars(&frame, size.0, charset),
            false => canvas::frame(&frame, mark, (size.0, rows), charset),
        });
    }
    (lines, left_out)
}

fn is_bars(curve: &Curve) -> bool {
    matches!(curve.series.sort, PlotSort::Bars | PlotSort::Histogram)
}

/// Whether two curves share their axes.
fn fits(one: &Curve, other: &Curve) -> bool {
    let axes = |curve: &Curve| {
        let Series { x, y, names, .. } = &curve.series;
        (x.name().to_string(), x.dimension(), y.dimension(), names.clone())
    };
    // Bars beside each other stand at the same places.
    let places = |curve: &Curve| match is_bars(curve) {
        true => curve.series.points.iter().map(|point| point.0).collect(),
        false => Vec::new(),
    };
    let is_histogram = |curve: &Curve| curve.series.sort == PlotSort::Histogram;
    one.group == other.group
        && axes(one) == axes(other)
        && places(one) == places(other)
        && !(is_histogram(one) || is_histogram(other))
}

/// What lies on the axes, limits, the mark, and where there are several curves what each is drawn with.
fn title(frame: &[&Curve], mark: Option<&Mark>, lying: bool, charset: Charset) -> Vec<String> {
    let Some(Curve { series, .. }) = frame.first() else { return Vec::new() };
    let unit = series.y.unit().map_or("", |unit| unit.text.as_str());
    let is_one = frame.iter().all(|curve| curve.series.y.name() == series.y.name());
    let upwards = match (is_one, unit.is_empty()) {
        (true, _) => series.y.to_string(),
        (false, true) => "values".to_string(),
        (false, false) => unit.to_string(),
    };
    let mut parts = vec![format!("{upwards} over {}", series.x)];
    let limits = ["low", "high"].iter().zip(series.limits);
    parts
        .extend(limits.filter_map(|(name, at)| Some(format!("{name} {}", show_number(at?, None)))));
    let [_, _, upright] = charset.lines();
    parts.extend(mark.map(|mark| format!("{} ({upright})", mark.words)));
    let legend = frame.iter().enumerate().filter(|_| frame.len() > 1).map(|(at, curve)| {
        let sign = if lying { bars::sign(at, charset) } else { canvas::sign(at, charset) };
        format!("{sign} {}", cut(&curve.name, MAX_LEGEND))
    });
    let lines = [parts.join(", "), legend.collect::<Vec<_>>().join(", ")];
    let lines =
        lines.iter().filter(|line| !line.is_empty()).map(|line| wrapped(&charset.text(line), "  "));
    lines.collect::<String>().lines().map(str::to_string).collect()
}

/// A recorded list as the script wants it drawn, the first number over what lies along; none where there is
/// nothing to draw.
pub(crate) fn plot_text(label: &str, shown: &Shown, plot: Option<&PlotOf>) -> Option<String> {
    let series = Series::all(label, shown, plot?).into_iter().next()?;
    let curve = Curve { name: label.to_string(), group: String::new(), series };
    let (lines, _) = printed(vec![curve], None, MAX_RECORDED);
    Some(lines.iter().map(|line| format!("{line}\n")).collect())
}

#[cfg(test)]
mod tests {
    use super::{Charset, Curve, Mark, figure};
    use crate::paper::series::Series;
    use spintrue_head::Dimension;
    use spintrue_language::{PlotOf, PlotSort, Shown};

    fn list(values: &[f64]) -> Shown {
        let item = |value: &f64| Shown::Quantity {
            value: value * 1e-6,
            unit: "m".to_string(),
            asked: None,
            text: String::new(),
        };
        Shown::List(values.iter().map(item).collect())
    }

    fn curve(name: &str, values: &[f64], sort: PlotSort, high: Option<f64>) -> Curve {
        let plot = PlotOf { sort, low: None, high };
        let series = Series::all(name, &list(values), &plot).remove(0);
        Curve { name: name.to_string(), group: String::new(), series }
    }

    fn drawn(curves: Vec<Curve>, size: (usize, usize), charset: Charset) -> Vec<String> {
        let (lines, left_out) = figure(curves, None, size, 0, charset);
        assert!(left_out.is_empty());
        lines
    }

    /// Where the row of a mark lies that stands in a column, from the top.
    fn row_of(lines: &[String], glyph: char, column: usize) -> usize {
        let at = |line: &String| line.chars().nth(column) == Some(glyph);
        lines.iter().position(at).unwrap_or_else(|| panic!("{glyph} {column}: {lines:#?}"))
    }

    #[test]
    fn a_line_passes_where_its_values_lie() {
        let lines = drawn(
            vec![curve("bow", &[0.0, 4.0, 2.0], PlotSort::Line, None)],
            (43, 14),
            Charset::Ascii,
        );
        assert_eq!(lines.len(), 14, "{lines:#?}");
        assert_eq!(lines[0], "  bow in um over element");
        // Eleven rows from 4 um at the top to 0; the frame begins behind ` 4 |`.
        let left = lines[1].find('|').unwrap() + 1;
        let right = 43 - 1;
        assert_eq!(row_of(&lines, '*', left), 11, "{lines:#?}");
        assert_eq!(row_of(&lines, '*', (left + right) / 2), 1, "{lines:#?}");
        assert_eq!(row_of(&lines, '*', lines[6].len() - 1), 6, "{lines:#?}");
        assert!(lines[1].starts_with(" 4 |") && lines[11].starts_with(" 0 |"), "{lines:#?}");
        assert_eq!(lines[13].split_whitespace().collect::<Vec<_>>(), ["0", "1", "2"]);
    }

    /// Nothing is too small to be seen: the scale fits the data.
    #[test]
    fn a_scale_fits_the_data() {
        let points: Vec<(f64, f64)> =
            (0..60).map(|k| (f64::from(k), 500.0 * (1.0 + 1e-6 * f64::from(k % 2)))).collect();
        let series = Series::over_time("speed", &points, Dimension::ROTATION, None).unwrap();
        let speed = Curve { name: String::new(), group: String::new(), series };
        let mark = Mark { at: 30.0, words: "lock at 30 s".to_string() };
        let (lines, _) = figure(vec![speed], Some(&mark), (70, 16), 0, Charset::Ascii);
        assert_eq!(lines[0], "  speed in rpm over head time in s, lock at 30 s (:)");
        assert!(lines[1].contains('*') && lines[13].contains('*'), "{lines:#?}");
        // The mark stands in its column where no curve does.
        let flat = curve("flat", &[1.0, 1.0], PlotSort::Line, None);
        let mark = Mark { at: 0.5, words: "half".to_string() };
        let (lines, _) = figure(vec![flat], Some(&mark), (71, 12), 0, Charset::Ascii);
        let column = lines[1].find(':').unwrap();
        assert!((36..=38).contains(&column), "{lines:#?}");
        assert_eq!(lines[1..].iter().filter(|line| line.contains(':')).count(), 8, "{lines:#?}");
    }

    #[test]
    fn curves_of_one_unit_share_a_frame_and_have_a_legend() {
        let two = || {
            vec![
                curve("a", &[1.0, 2.0, 3.0], PlotSort::Line, Some(2e-6)),
                curve("b", &[3000.0, 2000.0, 1000.0], PlotSort::Line, None),
            ]
        };
        for (charset, first) in [(Charset::Ascii, '*'), (Charset::Braille, '⠒')] {
            for columns in [40, 60, 80, 120] {
                let lines = drawn(two(), (columns, 20), charset);
                assert!(lines.iter().all(|line| line.chars().count() <= columns), "{lines:#?}");
                assert_eq!(lines[0], "  mm over element, high 0.002");
                assert_eq!(lines[1], format!("  {first} a, o b"));
                assert!(lines.iter().any(|line| line.contains("oooo")), "{lines:#?}");
                let is_ascii = lines.iter().all(|line| line.is_ascii());
                assert_eq!(is_ascii, charset == Charset::Ascii, "{lines:#?}");
            }
        }
    }

    /// A value that is no number takes no other bar with it.
    #[test]
    fn bars_beside_each_other_are_of_the_same_element() {
        let bars = |name: &str, values: &[f64]| curve(name, values, PlotSort::Bars, None);
        let all = || vec![bars("a", &[1.0, 2.0, 3.0]), bars("b", &[4.0, 5.0, 6.0])];
        let lines = drawn(all(), (60, 30), Charset::Ascii);
        assert_eq!(lines.len(), 8, "{lines:#?}");
        let holed = || vec![bars("a", &[1.0, 2.0, 3.0]), bars("b", &[4.0, f64::NAN, 6.0])];
        let lines = drawn(holed(), (60, 30), Charset::Ascii);
        let names: Vec<&str> = lines.iter().filter_map(|l| l.split_whitespace().next()).collect();
        assert_eq!(names, ["a", "0", "1", "2", "b", "0", "2"], "{lines:#?}");
        let row = |(name, value): (&str, f64)| {
            let Shown::List(mut value) = list(&[value]) else { panic!("no list") };
            let fields = [("name", Shown::Text(name.to_string())), ("height", value.remove(0))];
            Shown::Record(fields.into_iter().map(|(name, shown)| (name.into(), shown)).collect())
        };
        let rows = Shown::List([("p", 1.0), ("q", f64::NAN), ("r", 3.0)].map(row).to_vec());
        let plot = PlotOf { sort: PlotSort::Bars, low: None, high: None };
        let series = Series::all("", &rows, &plot).remove(0);
        let curve = Curve { name: String::new(), group: String::new(), series };
        let lines = drawn(vec![curve], (60, 30), Charset::Ascii);
        assert!(lines[1].starts_with("  p ") && lines[2].starts_with("  r "), "{lines:#?}");
    }

    #[test]
    fn odd_numbers_are_drawn_too() {
        for values in [&[1.0][..], &[2.0, 2.0], &[1e300, -1e300], &[f64::MIN, f64::MAX], &[0.0]] {
            for sort in [PlotSort::Line, PlotSort::Points, PlotSort::Bars, PlotSort::Histogram] {
                for size in [(1, 1), (20, 6), (300, 200)] {
                    drawn(vec![curve("x", values, sort, Some(0.0))], size, Charset::Braille);
                }
            }
        }
    }

    #[test]
    fn frames_that_do_not_fit_are_named() {
        let group = |name: &str| Curve {
            group: name.to_string(),
            ..curve(name, &[1.0, 2.0], PlotSort::Line, None)
        };
        let all = ["a", "b", "c", "d"].map(group).into_iter().collect();
        let (lines, left_out) = figure(all, None, (80, 20), 0, Charset::Ascii);
        assert_eq!(left_out, ["c", "d"]);
        assert_eq!(lines.len(), 20);
    }
}
