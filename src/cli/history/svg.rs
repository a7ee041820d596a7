//! Line charts as SVG: points over their number, lines across, axes with round numbers. Colours
//! and fonts come from the classes of the page that holds them.

use std::fmt::Write;

/// What is drawn.
pub(super) struct Chart<'a> {
    pub title: &'a str,
    /// In a sentence, for who cannot see it.
    pub description: &'a str,
    /// Name and unit of the upright axis.
    pub axis: &'a str,
    /// Number of the first point.
    pub first: usize,
    pub points: Vec<Dot>,
    /// Lines across: where, name, class.
    pub lines: Vec<(f64, &'a str, &'a str)>,
}

/// A point; with a remark it is marked.
pub(super) struct Dot {
    pub value: f64,
    pub remark: Option<String>,
}

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 90.0;
const RIGHT: f64 = 110.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 50.0;

/// Makes a text fit for SVG and HTML.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Round numbers from `low` to `high`, about so many, with the digits that they need.
fn ticks(low: f64, high: f64, about: f64) -> (Vec<f64>, usize) {
    let raw = (high - low) / about;
    let power = 10.0_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|k| k * power).find(|s| *s >= raw);
    let step = step.unwrap_or(raw);
    let first = (low / step).ceil();
    let count = ((high / step).floor() - first).clamp(0.0, 100.0) as u32;
    let digits = (-step.log10().floor()).clamp(0.0, 12.0) as usize;
    ((0..=count).map(|k| (first + f64::from(k)) * step).collect(), digits)
}

/// Draws a chart; `id` is unique on the page.
pub(super) fn draw(chart: &Chart<'_>, id: &str) -> String {
    let all = chart.points.iter().map(|dot| dot.value).chain(chart.lines.iter().map(|l| l.0));
    let (least, most) = all.fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)));
    // A line that nothing leaves still has room above and below.
    let room = ((most - least) * 0.05).max(most.abs().max(least.abs()) * 1e-9).max(1e-300);
    let (least, most) = (least - room, most + room);
    let last = chart.points.len().saturating_sub(1).max(1) as f64;
    let x = |at: f64| LEFT + at / last * (WIDTH - LEFT - RIGHT);
    let y = |value: f64| TOP + (most - value) / (most - least) * (HEIGHT - TOP - BOTTOM);
    let (right, low) = (WIDTH - RIGHT, HEIGHT - BOTTOM);
    let mut out = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\
         <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>\n",
        escaped(chart.title),
        escaped(chart.description)
    );
    let (values, digits) = ticks(least, most, 5.0);
    for value in values {
        let at = y(value);
        let _ = writeln!(
            out,
            "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{right}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>\
             <text class=\"end\" x=\"{}\" y=\"{:.1}\">{value:.digits$}</text>",
            LEFT - 8.0,
            at + 4.0
        );
    }
    let first = chart.first as f64;
    let (numbers, _) = ticks(first, first + last, 8.0);
    for number in numbers.iter().filter(|number| number.fract() == 0.0) {
        let at = x(number - first);
        let _ = writeln!(
            out,
            "<line class=\"axis\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{low}\" y2=\"{}\"/>\
             <text class=\"mid\" x=\"{at:.1}\" y=\"{}\">{number}</text>",
            low + 5.0,
            low + 20.0
        );
    }
    let _ = writeln!(
        out,
        "<path class=\"axis\" d=\"M{LEFT} {TOP}V{low}H{right}\"/>\
         <text class=\"mid\" x=\"{}\" y=\"{}\">run</text>\
         <text class=\"mid\" transform=\"translate(18 {}) rotate(-90)\">{}</text>",
        (LEFT + right) / 2.0,
        HEIGHT - 10.0,
        (TOP + low) / 2.0,
        escaped(chart.axis)
    );
    let mut lines = chart.lines.clone();
    lines.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut below = 0.0;
    for (value, name, class) in lines {
        let at = y(value);
        // Names of lines that lie close stand below each other.
        let named = (at + 4.0).max(below);
        below = named + 13.0;
        let _ = writeln!(
            out,
            "<line class=\"{class}\" x1=\"{LEFT}\" x2=\"{right}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>\
             <text x=\"{}\" y=\"{:.1}\">{}</text>",
            right + 6.0,
            named,
            escaped(name)
        );
    }
    out.push_str("<polyline class=\"series\" points=\"");
    for (at, dot) in chart.points.iter().enumerate() {
        let _ = write!(out, "{:.1},{:.1} ", x(at as f64), y(dot.value));
    }
    out.push_str("\"/>\n");
    for (at, dot) in chart.points.iter().enumerate() {
        let (x, y) = (x(at as f64), y(dot.value));
        let _ = match &dot.remark {
            // A mark differs in shape and size too, not in its colour alone.
            Some(remark) => writeln!(
                out,
                "<path class=\"mark\" d=\"M{x:.1} {:.1}l6 6l-6 6l-6 -6z\"><title>{}</title></path>",
                y - 6.0,
                escaped(remark)
            ),
            None => writeln!(out, "<circle class=\"dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2\"/>"),
        };
    }
    out.push_str("</svg>\n");
    out
}

#[cfg(test)]
mod tests {
    use super::{escaped, ticks};

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(ticks(0.0, 10.0, 5.0), (vec![0.0, 2.0, 4.0, 6.0, 8.0, 10.0], 0));
        let (values, digits) = ticks(0.13, 0.38, 5.0);
        assert_eq!((values.len(), digits), (5, 2));
        assert!((values[0] - 0.15).abs() < 1e-12 && (values[4] - 0.35).abs() < 1e-12);
    }

    #[test]
    fn nothing_of_a_text_is_markup() {
        assert_eq!(escaped("<b a=\"1\">&'\u{7}"), "&lt;b a=&quot;1&quot;&gt;&amp;&#39;\u{fffd}");
    }
}
