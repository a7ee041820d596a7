//! A trend as text, 80 columns wide.

use crate::archive::store::day_and_minute;
use crate::archive::trend::series::{ASKED, Block, Indices, Trend, Trends, newest, shown_index};
use crate::paper::plot::ends;
use crate::terminal::columns::{Line, Side, columns, cut};
use crate::terminal::{BOLD, DIM, RED, beside, counted, styled, wrapped};
use spintrue_head::visible_line;

/// Newest runs that are drawn.
const MAX_RUNS: usize = 30;
/// Newest rule violations that are listed.
const MAX_VIOLATIONS: usize = 15;
/// Newest blocks of capability that are shown.
const MAX_BLOCKS: usize = 12;
/// Columns of a chart.
const COLUMNS: usize = 34;

/// All trends, behind a table of them where they are several.
pub(crate) fn text(trends: &Trends, colour: bool) -> String {
    let several = trends.all.iter().any(|trend| !trend.series.group.is_empty());
    let mut text = if several { compared(trends, colour) } else { String::new() };
    for trend in &trends.all {
        let gap = if text.is_empty() { "" } else { "\n" };
        text.push_str(&format!("{gap}{}", one(trend, colour)));
    }
    text
}

/// A row for each group of runs.
fn compared(trends: &Trends, colour: bool) -> String {
    let heads = COMPARED.map(|head| match head {
        "group" => (head, Side::Wrap),
        head => (head, Side::Right),
    });
    let lines = trends.all.iter().map(|trend| Line {
        style: trend.newest_signals().then_some((4, RED)),
        ..Line::from(compared_cells(trend))
    });
    let mut text = columns(&heads, &lines.collect::<Vec<_>>(), colour);
    for without in &trends.without {
        let lines = wrapped(&visible_line(without), "");
        text.push_str(&format!("{}\n", styled(lines.trim_end(), DIM, colour)));
    }
    text
}

/// What groups of runs are compared by.
pub(super) const COMPARED: [&str; 6] = ["runs", "centre", "sigma", "Cpk", "signals", "group"];

/// The cells of a group under those heads.
pub(super) fn compared_cells(trend: &Trend) -> Vec<String> {
    let signals = trend.violations.len();
    let newest = if trend.newest_signals() { ", newest too" } else { "" };
    let capability = trend.capability.as_ref();
    vec![
        trend.series.points.len().to_string(),
        format!("{}{}", trend.number(trend.charts.values.centre), trend.unit("")),
        format!("{}{}", trend.number(trend.charts.deviation), trend.unit("")),
        capability.map_or_else(|| "–".to_string(), |of| shown_index(of.short.nearer)),
        format!("{signals}{newest}"),
        trend.series.group.clone(),
    ]
}

/// One trend.
fn one(trend: &Trend, colour: bool) -> String {
    let charts = &trend.charts;
    let number = |value: f64| trend.number(value);
    let unit = trend.unit("");
    let title = wrapped(&title(trend, &trend.unit("in ")), "");
    let mut text = format!("{}\n", styled(title.trim_end(), BOLD, colour));
    let limits = match trend.lower() {
        Some(lower) => format!("limits {} .. {}", number(lower), number(charts.values.high)),
        None => format!("upper limit {}", number(charts.values.high)),
    };
    text.push_str(&format!(
        "  individuals   centre {}, {limits}{unit}\n",
        number(charts.values.centre),
    ));
    text.push_str(&format!(
        "  moving range  centre {}, limit {}{unit}; sigma {}{unit}\n",
        number(charts.ranges.centre),
        number(charts.ranges.high),
        number(charts.deviation)
    ));
    for (word, note) in trend.notes() {
        text.push_str(&beside(&format!("  {word:<13}"), &note));
    }
    text.push_str(&capability(trend, colour));
    let values = trend.values();
    let marks = |at: usize| trend.rules_at(at).next().is_some();
    let lines = [trend.lower(), Some(charts.values.centre), Some(charts.values.high)];
    text.push_str(&chart("Individuals", trend, &values, 0, lines, &marks, colour));
    let lines = [charts.ranges.low, charts.ranges.centre, charts.ranges.high].map(Some);
    let marks = |at: usize| trend.leaps_at(at);
    text.push_str(&chart("Moving ranges", trend, &trend.ranges, 1, lines, &marks, colour));
    text.push_str(&named(trend, colour));
    text + &excluded(trend, colour)
}

/// The runs that were left out by decision.
fn excluded(trend: &Trend, colour: bool) -> String {
    let all = &trend.series.excluded;
    if all.is_empty() {
        return String::new();
    }
    let mut text = format!("\n{}\n", styled("Excluded runs", BOLD, colour));
    let lines = all.iter().take(MAX_VIOLATIONS).map(|(point, decision)| {
        let value = format!("{}{}", trend.number(point.value), trend.unit(""));
        Line::from(vec![
            day_and_minute(&point.started),
            point.run.to_string(),
            value,
            decision.told(),
        ])
    });
    let heads = [
        ("started (UTC)", Side::Left),
        ("run", Side::Right),
        ("value", Side::Right),
        ("excluded (UTC)", Side::Wrap),
    ];
    text.push_str(&columns(&heads, &lines.collect::<Vec<_>>(), colour));
    text + &and_older(all.len().saturating_sub(MAX_VIOLATIONS), colour)
}

/// Value, unit and runs of a trend.
pub(crate) fn title(trend: &Trend, unit: &str) -> String {
    let series = &trend.series;
    let day = |started: Option<&str>| -> String {
        started.unwrap_or_default().chars().take(10).collect()
    };
    let group = match series.group.as_str() {
        "" => String::new(),
        group => format!(", {}", visible_line(group)),
    };
    format!(
        "{}{unit}{group}: {} on {}, {} to {}",
        visible_line(&series.label),
        counted(series.points.len(), "run"),
        counted(trend.heads(), "head"),
        day(series.points.first().map(|point| &*point.started)),
        day(series.points.last().map(|point| &*point.started)),
    )
}

fn capability(trend: &Trend, colour: bool) -> String {
    let Some(capability) = &trend.capability else { return String::new() };
    let both = |indices: &Indices, names: [&str; 2]| {
        let [width, nearer] = names;
        let wide = indices.width.map(|value| format!("{width} {}, ", shown_index(value)));
        format!("{}{nearer} {}", wide.unwrap_or_default(), shown_index(indices.nearer))
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
            block.indices.width.map_or_else(|| "–".to_string(), shown_index),
            shown_index(block.indices.nearer),
            shown_index(block.doubt)
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
            shown_index(nearer),
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
        let (least, most) = ends(values);
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
    lines: [Option<f64>; 3],
    marked: &dyn Fn(usize) -> bool,
    colour: bool,
) -> String {
    let (drawn, from) = newest(values, MAX_RUNS);
    let scale = Scale::of(drawn.iter().copied().chain(lines.into_iter().flatten()));
    let mut text = format!("\n{}\n", styled(title, BOLD, colour));
    for (at, value) in (from + later..).zip(drawn) {
        let Some(point) = trend.series.points.get(at) else { continue };
        let mark = marked(at);
        let mut cells = [' '; COLUMNS];
        for (line, sign) in lines.iter().zip(['|', ':', '|']) {
            line.iter().for_each(|line| scale.set(&mut cells, *line, sign));
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
    let newest = all.iter().rev().take(MAX_VIOLATIONS);
    let lines = newest.filter_map(|(at, name)| {
        let point = trend.series.points.get(*at)?;
        let (started, serial) = (day_and_minute(&point.started), point.serial.to_string());
        Some(Line::from(vec![started, point.run.to_string(), serial, name.to_string()]))
    });
    let heads = [
        ("started (UTC)", Side::Left),
        ("run", Side::Right),
        ("head", Side::Left),
        ("rule violation", Side::Wrap),
    ];
    text.push_str(&columns(&heads, &lines.collect::<Vec<_>>(), colour));
    text + &and_older(all.len().saturating_sub(MAX_VIOLATIONS), colour)
}
