//! A trend as a page that needs no other file.

use crate::archive::store::day_and_minute;
use crate::archive::trend::series::{
    ASKED, Block, Capability, LEAP, MIN_RUNS, Trend, Trends, newest, shown_index as index,
};
use crate::archive::trend::text::{COMPARED, compared_cells, title};
use crate::paper::plot::{Across, Axis, Plot, Shape, WIDE};
use crate::paper::typeset;
use crate::paper::{self, Head};
use maud::{Markup, html};
use spintrue_head::visible_line;

/// Newest runs that are drawn.
const MAX_RUNS: usize = 500;
/// Newest runs with rule violations, and blocks of capability, that are listed.
const MAX_ROWS: usize = 60;

/// A trend with the number of its group, which keeps its ids apart from those of others.
#[derive(Clone, Copy)]
struct Part<'a> {
    trend: &'a Trend,
    at: usize,
}

impl Part<'_> {
    fn id(self, name: &str) -> String {
        if self.at == 0 { name.to_string() } else { format!("{name}-{}", self.at) }
    }
}

/// The unit behind a name, as people read it.
fn unit(trend: &Trend) -> String {
    typeset::unit(&trend.unit("in "))
}

/// A value in that unit.
fn number(trend: &Trend, value: f64) -> String {
    typeset::text(&trend.number(value)).into_owned()
}

pub(crate) fn page(trends: &Trends) -> String {
    let several = trends.all.iter().any(|trend| !trend.series.group.is_empty());
    let name = match (trends.all.first(), several) {
        (Some(trend), false) => title(trend, &unit(trend)),
        (Some(trend), true) => visible_line(&trend.series.label),
        (None, _) => String::new(),
    };
    let parts = trends.all.iter().enumerate().map(|(at, trend)| Part { trend, at });
    let body = html! {
        header {
            h1 { (name) }
            @if several { (compared(trends)) }
        }
        main { @for part in parts {
            @if several { h2 id=(part.id("group")) { (title(part.trend, &unit(part.trend))) } }
            (one(part))
        } }
        footer { (reading(trends)) }
    };
    paper::page(&name, &name, &body)
}

/// Groups of runs beside each other.
fn compared(trends: &Trends) -> Markup {
    let heads = COMPARED.map(|head| match head {
        "group" => Head::Text(head),
        head => Head::Number(head),
    });
    let rows = html! { @for (at, trend) in trends.all.iter().enumerate() { tr {
        @for (head, cell) in COMPARED.into_iter().zip(compared_cells(trend)) {
            @if head == "group" {
                @let link = format!("#{}", Part { trend, at }.id("group"));
                td { a href=(link) { (visible_line(&cell)) } }
            } @else { td.number { (typeset::text(&cell)) } }
        }
    } } };
    html! {
        (paper::table("of groups", None, &heads, &rows))
        @for without in &trends.without { p.soft { (visible_line(without)) } }
    }
}

/// The result of one trend and its charts.
fn one(part: Part<'_>) -> Markup {
    let Part { trend, .. } = part;
    let count = trend.series.points.len();
    html! {
        (summary(trend))
        (paper::section(&part.id("charts"), "Control charts", &html! {
            @if count > MAX_RUNS {
                p.soft { "The limits are those of all " (count) " runs; the newest " (MAX_RUNS) " are drawn." }
            }
            (individuals(part))
            (ranges(part))
        }))
        @if let Some(capability) = &trend.capability { (over_time(part, capability)) }
        (violations(part))
        (excluded(part))
    }
}

/// What the numbers are.
fn reading(trends: &Trends) -> Markup {
    let any = |is: fn(&Trend) -> bool| trends.all.iter().any(is);
    html! {
        h2 { "How to read this" }
        p {
            "The centre is the mean of all runs, the control limits lie three sigma beside it, with "
            "sigma from the mean moving range of two over d2 = 1.128. A violation says where to look; "
            "whether a head conforms is the script's to say."
        }
        @if any(|trend| trend.frozen.is_some()) {
            p {
                "Frozen limits are those of the runs that they were frozen from, and stay as they were. Runs "
                "before those are drawn and not judged."
            }
        }
        @if any(|trend| trend.capability.is_some()) {
            p {
                "Cp is the width between the limits over six standard deviations, Cpk the distance "
                "from the mean to the nearer limit over three. The doubt of a Cpk is 1.96 times the "
                "root of 1/(9 n) + Cpk\u{b2}/(2 (n - 1)), for 25 runs or more that are normally "
                "distributed (NIST/SEMATECH e-Handbook 6.1.6)."
            }
        }
        @if any(|trend| trend.skewed.is_some()) {
            p {
                "Cnpk is the distance from the median to the nearer limit over that to the percentile 99.5 or "
                "0.5 of the values on that side; it assumes no distribution (the same chapter)."
            }
        }
    }
}

/// The result, in a box at the top.
fn summary(trend: &Trend) -> Markup {
    let counted = trend.counted();
    let number = |value: f64| number(trend, value);
    let unit = typeset::unit(&trend.series.unit);
    let charts = &trend.charts;
    let fits = trend.capability.as_ref().is_none_or(|of| of.short.nearer >= 1.0);
    html! {
        div class=(if counted.is_empty() && fits { "verdict good" } else { "verdict open" }) role="status" {
            strong { (if counted.is_empty() { "IN CONTROL" } else { "SIGNALS" }) }
            @if trend.newest_signals() { span { "The newest run breaks a rule." } }
            @if counted.is_empty() { span { "No run breaks a rule." } }
            @for (count, name) in &counted { span { (count) " \u{d7} " (name) } }
            @if !fits { span { "The values do not fit between the limits: Cpk is below 1.00." } }
            @if trend.frozen.is_none() && trend.series.points.len() < MIN_RUNS {
                span { "Control limits from fewer than " (MIN_RUNS) " runs are rough." }
            }
        }
        dl {
            dt { "centre" } dd { (number(charts.values.centre)) " " (unit) }
            dt { "control limits" }
            dd {
                @match trend.lower() {
                    Some(lower) => { (number(lower)) " .. " }
                    None => "at most ",
                }
                (number(charts.values.high)) " " (unit)
            }
            dt { "sigma" } dd { (number(charts.deviation)) " " (unit) }
            @if let Some(Capability { short, long, .. }) = &trend.capability {
                dt { "capability" }
                dd {
                    @if let Some(width) = short.width { "Cp " (index(width)) ", " }
                    "Cpk " (index(short.nearer)) " with sigma; "
                    @if let Some(width) = long.width { "Pp " (index(width)) ", " }
                    "Ppk " (index(long.nearer)) " with the standard deviation of all runs"
                }
            }
            @for (word, note) in trend.notes() { dt { (word) } dd { (typeset::text(&note)) } }
        }
    }
}

fn individuals(part: Part<'_>) -> Markup {
    let Part { trend, .. } = part;
    let limits = &trend.charts.values;
    let across = |at, name, class| Across { at, name, class };
    let mut lines = vec![
        across(limits.centre, "centre", "mark"),
        across(limits.high, "upper control", "two thin dashed"),
    ];
    lines.extend(trend.lower().map(|at| across(at, "lower control", "two thin dashed")));
    if let Some(Capability { tolerance, .. }) = &trend.capability {
        let limits = &tolerance.limits;
        lines.extend(limits.low.map(|at| across(at, "lower limit", "limit")));
        lines.extend(limits.high.map(|at| across(at, "upper limit", "limit")));
    }
    let values = trend.values();
    let told = "Runs with rule violations are diamonds.";
    let words = format!("{}{}", visible_line(&trend.series.label), unit(trend));
    chart(part, ["Individuals", told], &words, &values, 0, lines, &|at| {
        let names: Vec<&str> = trend.rules_at(at).collect();
        (!names.is_empty()).then(|| names.join("; "))
    })
}

fn ranges(part: Part<'_>) -> Markup {
    let Part { trend, .. } = part;
    let limits = &trend.charts.ranges;
    let lines = vec![
        Across { at: limits.centre, name: "centre", class: "mark" },
        Across { at: limits.high, name: "upper control", class: "two thin dashed" },
    ];
    let beyond = trend.violations.iter().filter(|(_, name)| *name == LEAP).count();
    let told = format!("From each run to the next; beyond the limit: {beyond}.");
    let words = format!("moving range{}", unit(trend));
    chart(part, ["Moving ranges", &told], &words, &trend.ranges, 1, lines, &|at| {
        trend.leaps_at(at).then(|| LEAP.to_string())
    })
}

/// A chart of the newest values; `later` is the index of the run of the first value.
fn chart(
    part: Part<'_>,
    [title, told]: [&str; 2],
    words: &str,
    values: &[f64],
    later: usize,
    lines: Vec<Across>,
    remark: &dyn Fn(usize) -> Option<String>,
) -> Markup {
    let (drawn, from) = newest(values, MAX_RUNS);
    let first = from + later;
    // Ranges begin at nothing.
    let least = (later > 0).then_some(0.0);
    let values = drawn.iter().copied().chain(lines.iter().map(|line| line.at)).chain(least);
    let (one, last) = ((first + 1) as f64, (first + drawn.len()) as f64);
    let plot = Plot {
        size: WIDE,
        title: title.to_string(),
        told: told.to_string(),
        x: Axis::whole(one, last, "point"),
        y: Axis::around(values, words),
    };
    let points = || (first..).zip(drawn).map(|(at, value)| (at, (at + 1) as f64, *value));
    let marks = html! {
        (plot.across(lines))
        (plot.line(points().map(|(_, x, value)| (x, value)), "one thin"))
        (plot.marks(points().filter(|(at, ..)| remark(*at).is_none()).map(|(_, x, value)| (x, value)), Shape::Point))
        @for (at, x, value) in points() { @if let Some(remark) = remark(at) {
            @let point = part.trend.series.points.get(at);
            @let of = point.map(|p| format!("run {}, {} {}: ", p.run, day_and_minute(&p.started), visible_line(&p.serial)));
            (plot.flag(x, value, &format!("point {}, {}{remark}", at + 1, of.unwrap_or_default())))
        } }
    };
    framed(&plot, &plot.drawn(marks, html! { (told) }))
}

/// A chart that can be moved under a narrow window.
fn framed(plot: &Plot, drawn: &Markup) -> Markup {
    html! {
        div.wide tabindex="0" role="region" aria-label=(format!("chart: {}", plot.title)) { (drawn) }
    }
}

/// Capability of each block, drawn and as a table.
fn over_time(part: Part<'_>, capability: &Capability) -> Markup {
    let Part { trend, .. } = part;
    let (blocks, older) = newest(&capability.blocks, MAX_ROWS);
    let number = |value: f64| number(trend, value);
    let [mean, sigma] = ["mean", "sigma"].map(|word| format!("{word}{}", unit(trend)));
    let numbers = ["points", &mean, &sigma, "Cp", "Cpk", "doubt of Cpk, 95 %"].map(Head::Number);
    let heads = [&[Head::Text("from (UTC)")], &numbers[..]].concat();
    let rows = html! { @for block in blocks { tr {
        th.whole scope="row" { (trend.started(block)) }
        td.number { (block.from + 1) " to " (block.from + block.count) }
        td.number { (number(block.mean)) }
        td.number { (number(block.deviation)) }
        td.number { (block.indices.width.map_or("–".to_string(), index)) }
        td.number { (index(block.indices.nearer)) }
        td.number { "± " (index(block.doubt)) }
    } } };
    paper::section(
        &part.id("capability"),
        "Capability over time",
        &html! {
            @if let (Some(first), Some(last)) = (blocks.first(), blocks.last()) {
                (indices(blocks, first, last))
                (paper::table("of capability", None, &heads, &rows))
                (and_older(older))
            } @else {
                p { "There are too few runs for a block of them." }
            }
        },
    )
}

/// How many rows are not shown.
fn and_older(count: usize) -> Markup {
    html! { @if count > 0 { p.soft { "and " (count) " older" } } }
}

fn indices(blocks: &[Block], first: &Block, last: &Block) -> Markup {
    let ends = blocks.iter().flat_map(Block::ends);
    let told = format!(
        "From {} in the first of {} blocks to {} in the last.",
        index(first.indices.nearer),
        blocks.len(),
        index(last.indices.nearer)
    );
    let plot = Plot {
        size: WIDE,
        title: "Cp and Cpk of each block of runs".to_string(),
        told: told.clone(),
        x: Axis::whole((first.from + 1) as f64, (last.from + last.count) as f64, "point"),
        y: Axis::around(ends.chain(ASKED.map(|(asked, _)| asked)).chain([0.0]), "index"),
    };
    let asked = ASKED.map(|(at, name)| Across { at, name, class: "mark" });
    let middle = |block: &Block| block.from as f64 + (block.count + 1) as f64 / 2.0;
    let drawn = || blocks.iter().filter(|block| block.indices.nearer.is_finite());
    let marks = html! {
        (plot.across(asked.to_vec()))
        (plot.line(drawn().map(|block| (middle(block), block.indices.nearer)), "one thin"))
        (plot.whiskers(drawn().map(|block| {
            let [low, high, _] = block.ends();
            (middle(block), [low, high])
        }), "one"))
        (plot.marks(drawn().filter_map(|block| Some((middle(block), block.indices.width?))), Shape::Square))
        (plot.marks(drawn().map(|block| (middle(block), block.indices.nearer)), Shape::Circle))
    };
    let caption = html! {
        "Circle: Cpk, with how far the true one may lie at 95 %. "
        @if first.indices.width.is_some() { "Square: Cp. " }
        (told)
        " A process whose Cpk is 1.00 just fits; 1.33 is what is commonly asked for."
    };
    framed(&plot, &plot.drawn(marks, caption))
}

/// The runs with rule violations, newest first.
fn violations(part: Part<'_>) -> Markup {
    let Part { trend, .. } = part;
    let mut runs: Vec<(usize, Vec<&str>)> = Vec::new();
    for (at, name) in trend.violations.iter().copied().rev() {
        match runs.last_mut().filter(|(last, _)| *last == at) {
            Some((_, names)) => names.push(name),
            None => runs.push((at, vec![name])),
        }
    }
    let rows = html! { @for (at, names) in runs.iter().take(MAX_ROWS) {
        @if let Some(point) = trend.series.points.get(*at) { tr {
            th.number scope="row" { (at + 1) }
            td.number { (point.run) }
            td.whole { (day_and_minute(&point.started)) }
            td.whole { (visible_line(&point.serial)) }
            td.number { (number(trend, point.value)) }
            td.wordy { (names.join("; ")) }
        } }
    } };
    let value = format!("value{}", unit(trend));
    let heads = [
        Head::Number("point"),
        Head::Number("run"),
        Head::Text("started (UTC)"),
        Head::Text("head"),
        Head::Number(&value),
        Head::Text("rule violations"),
    ];
    paper::section(
        &part.id("violations"),
        "Runs with rule violations",
        &html! {
            @if runs.is_empty() { p { "None: the series is in control." } } @else {
                (paper::table("of rule violations", None, &heads, &rows))
                (and_older(runs.len().saturating_sub(MAX_ROWS)))
            }
        },
    )
}

/// The runs that were left out by decision, newest first.
fn excluded(part: Part<'_>) -> Markup {
    let all = &part.trend.series.excluded;
    let rows = html! { @for (point, decision) in all.iter().take(MAX_ROWS) { tr {
        th.number scope="row" { (point.run) }
        td.whole { (day_and_minute(&point.started)) }
        td.whole { (visible_line(&point.serial)) }
        td.number { (number(part.trend, point.value)) }
        td.wordy { (decision.told()) }
    } } };
    let unit = format!("value{}", unit(part.trend));
    let heads = [
        Head::Number("run"),
        Head::Text("started (UTC)"),
        Head::Text("head"),
        Head::Number(&unit),
        Head::Text("excluded"),
    ];
    html! { @if !all.is_empty() {
        (paper::section(&part.id("excluded"), "Excluded runs", &html! {
            (paper::table("of excluded runs", None, &heads, &rows))
            (and_older(all.len().saturating_sub(MAX_ROWS)))
        }))
    } }
}
