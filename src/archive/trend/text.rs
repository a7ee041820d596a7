//! A trend as text, 80 columns wide.

use crate::archive::trend::series::{ASKED, Block, Indices, Trend, day_and_minute, newest};
use crate::terminal::{BOLD, DIM, RED, YELLOW, styled, wrapped};
use spintrue_head::visible_line;

/// Newest runs that are drawn.
const MAX_RUNS: usize = 30;
/// Newest rule violations that are listed.
const MAX_VIOLATIONS: usize = 15;
/// Newest blocks of capability that are shown.
const MAX_BLOCKS: usize = 12;
/// Columns of a chart.
const COLUMNS: usize = 34;

/// At most `most` characters; of a longer text the end, which says more of a path.
pub(crate) fn cut(text: &str, most: usize) -> String {
    let length = text.chars().count();
    if length <= most {
        return text.to_string();
    }
    let end: String = text.chars().skip(length - most.saturating_sub(1)).collect();
    format!("…{end}")
}

/// An index of capability, with limits to what is shown.
pub(crate) fn index(value: f64) -> String {
    match value {
        value if !value.is_finite() => "–".to_string(),
        value if value >= 999.995 => "> 999".to_string(),
        value if value <= -999.995 => "< -999".to_string(),
        value => format!("{value:.2}"),
    }
}

/// The whole trend.
pub(crate) fn text(trend: &Trend, colour: bool) -> String {
    let (series, charts) = (&trend.series, &trend.charts);
    let number = |value: f64| trend.number(value);
    let unit = trend.unit("");
    let mut text = format!("{}\n", styled(&title(trend), BOLD, colour));
    text.push_str(&format!(
        "  individuals   centre {}, limits {} .. {}{unit}\n",
        number(charts.values.centre),
        number(charts.values.low),
        number(charts.values.high)
    ));
    text.push_str(&format!(
        "  moving range  centre {}, limit {}{unit}; sigma {}{unit}\n",
        number(charts.ranges.centre),
        number(charts.ranges.high),
        number(charts.deviation)
    ));
    if let Some(rehearsals) = trend.rehearsals() {
        let lines = wrapped(&rehearsals, "  ");
        text.push_str(&format!("{}\n", styled(lines.trim_end(), YELLOW, colour)));
    }
    if series.left_out > 0 {
        text.push_str(&format!("  left out      {} without a number\n", series.left_out));
    }
    text.push_str(&capability(trend, colour));
    let values = trend.values();
    let marks = |at: usize| trend.rules_at(at).next().is_some();
    let lines = [charts.values.low, charts.values.centre, charts.values.high];
    text.push_str(&chart("Individuals", trend, &values, 0, lines, &marks, colour));
    let lines = [charts.ranges.low, charts.ranges.centre, charts.ranges.high];
    let marks = |at: usize| trend.leaps_at(at);
    text.push_str(&chart("Moving ranges", trend, &trend.ranges, 1, lines, &marks, colour));
    text.push_str(&named(trend, colour));
    text
}

/// Value, unit and runs of a trend.
pub(crate) fn title(trend: &Trend) -> String {
    let series = &trend.series;
    let of = trend.unit("in ");
    let day = |started: Option<&str>| -> String {
        started.unwrap_or_default().chars().take(10).collect()
    };
    let heads = trend.heads();
    format!(
        "{}{of}: {} runs on {heads} {}, {} to {}",
        visible_line(&series.label),
        series.points.len(),
        if heads == 1 { "head" } else { "heads" },
        day(series.points.first().map(|point| point.started.as_str())),
        day(series.points.last().map(|point| point.started.as_str())),
    )
}

fn capability(trend: &Trend, colour: bool) -> String {
    let Some(capability) = &trend.capability else { return String::new() };
    let both = |indices: &Indices, names: [&str; 2]| {
        let [width, nearer] = names;
        let wide = indices.width.map(|value| format!("{width} {}, ", index(value)));
        format!("{}{nearer} {}", wide.unwrap_or_default(), index(indices.nearer))
    };
    let mut text = format!(
        "  capability    {}; {} over all\n",
        both(&capability.short, ["Cp", "Cpk"]),
        both(&capability.long, ["Pp", "Ppk"])
    );
    if capability.blocks.is_empty() {
        return text;
    }
    let head = "  from (UTC)        runs          mean         sigma     Cp    Cpk  +/- 95 %";
    text.push_str(&format!("\n{}\n", styled("Capability over time", BOLD, colour)));
    text.push_str(&format!("{}\n", styled(head, DIM, colour)));
    let (blocks, older) = newest(&capability.blocks, MAX_BLOCKS);
    for block in blocks {
        text.push_str(&format!(
            "  {}  {:>4}  {:>12}  {:>12}  {:>5}  {:>5}  {:>8}\n",
            trend.started(block),
            block.count,
            trend.number(block.mean),
            trend.number(block.deviation),
            block.indices.width.map_or_else(|| "–".to_string(), index),
            index(block.indices.nearer),
            index(block.doubt)
        ));
    }
    let drawn = blocks.iter().flat_map(Block::ends).filter(|end| end.is_finite());
    let scale = Scale::of(drawn.chain(ASKED.map(|(asked, _)| asked)));
    let head = "  from (UTC)                       Cpk  * with its 95 %, o Cp, | 1.00 and 1.33";
    text.push_str(&format!("\n{}\n", styled(head, DIM, colour)));
    for block in blocks {
        let Indices { width, nearer } = block.indices;
        let mut cells = [' '; COLUMNS];
        if nearer.is_finite() {
            let (from, to) = (nearer - block.doubt, nearer + block.doubt);
            let (from, to) = (scale.column(from), scale.column(to));
            for cell in cells.iter_mut().take(to + 1).skip(from) {
                *cell = '-';
            }
        }
        for (asked, _) in ASKED {
            scale.set(&mut cells, asked, '|');
        }
        for (value, sign) in [(width.unwrap_or(f64::NAN), 'o'), (nearer, '*')] {
            if value.is_finite() {
                scale.set(&mut cells, value, sign);
            }
        }
        let cells: String = cells.iter().collect();
        text.push_str(&format!(
            "  {}  {:<12} {:>11}  {}\n",
            trend.started(block),
            format!("{} runs", block.count),
            index(nearer),
            cells.trim_end()
        ));
    }
    text + &and_older(older, colour)
}

/// A line on what is not shown; empty where everything is.
fn and_older(older: usize, colour: bool) -> String {
    match older {
        0 => String::new(),
        older => format!("{}\n", styled(&format!("  and {older} older"), DIM, colour)),
    }
}

/// Where values are in a chart.
struct Scale {
    least: f64,
    most: f64,
}

impl Scale {
    fn of(values: impl Iterator<Item = f64>) -> Scale {
        let (least, most) = values.fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)));
        Scale { least, most }
    }

    fn column(&self, value: f64) -> usize {
        let Scale { least, most } = *self;
        let share = if most > least { (value - least) / (most - least) } else { 0.5 };
        (share * (COLUMNS - 1) as f64).round() as usize
    }

    fn set(&self, cells: &mut [char; COLUMNS], value: f64, sign: char) {
        if let Some(cell) = cells.get_mut(self.column(value)) {
            *cell = sign;
        }
    }
}

/// A line for each of the newest values; `later` is the index of the run of the first value.
fn chart(
    title: &str,
    trend: &Trend,
    values: &[f64],
    later: usize,
    lines: [f64; 3],
    marked: &dyn Fn(usize) -> bool,
    colour: bool,
) -> String {
    let (drawn, from) = newest(values, MAX_RUNS);
    let scale = Scale::of(drawn.iter().chain(&lines).copied());
    let mut text = format!("\n{}\n", styled(title, BOLD, colour));
    for (at, value) in (from + later..).zip(drawn) {
        let Some(point) = trend.series.points.get(at) else { continue };
        let mark = marked(at);
        let mut cells = [' '; COLUMNS];
        for (line, sign) in lines.iter().zip(['|', ':', '|']) {
            scale.set(&mut cells, *line, sign);
        }
        scale.set(&mut cells, *value, if mark { '#' } else { '*' });
        let cells: String = cells.iter().collect();
        let line = format!(
            "  {}  {:<12} {:>11}  {}",
            day_and_minute(&point.started),
            cut(&visible_line(&point.serial), 12),
            trend.number(*value),
            cells.trim_end(),
        );
        let style = if mark { RED } else { "0" };
        text.push_str(&format!("{}\n", styled(&line, style, colour && mark)));
    }
    text + &and_older(from, colour)
}

/// The rule violations by name and count, then the newest.
fn named(trend: &Trend, colour: bool) -> String {
    let mut text = format!("\n{}\n", styled("Rule violations", BOLD, colour));
    let all = &trend.violations;
    if all.is_empty() {
        text.push_str("  none: the series is in control\n");
        return text;
    }
    for (count, name) in trend.counted() {
        text.push_str(&format!("  {count:>6} x {name}\n"));
    }
    for (at, name) in all.iter().rev().take(MAX_VIOLATIONS) {
        if let Some(point) = trend.series.points.get(*at) {
            let serial = cut(&visible_line(&point.serial), 12);
            let started = day_and_minute(&point.started);
            text.push_str(&format!("  {started}  {serial:<12}  {name}\n"));
        }
    }
    text + &and_older(all.len().saturating_sub(MAX_VIOLATIONS), colour)
}
