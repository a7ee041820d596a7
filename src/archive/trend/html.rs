//! A trend as a page that needs no other file.

use crate::archive::trend::series::{
    ASKED, Block, Capability, LEAP, Trend, day_and_minute, newest,
};
use crate::archive::trend::text::{index, title};
use crate::paper;
use crate::paper::plot::{Across, Axis, Plot, WIDE};
use crate::paper::typeset;
use maud::{Markup, html};
use spintrue_head::{show_number, visible_line};

/// Newest runs that are drawn.
const MAX_RUNS: usize = 500;
/// Newest runs with rule violations, and blocks of capability, that are listed.
const MAX_ROWS: usize = 60;
/// With fewer runs control limits are rough (common practice, no source).
const MIN_RUNS: usize = 25;

pub(crate) fn page(trend: &Trend) -> String {
    let name = title(trend);
    let count = trend.series.points.len();
    let body = html! {
        header {
            h1 { (name) }
            (summary(trend))
        }
        main {
            section aria-labelledby="charts" {
                h2 id="charts" { "Control charts" }
                @if count > MAX_RUNS {
                    p.soft { "The limits are those of all " (count) " runs; the newest " (MAX_RUNS) " are drawn." }
                }
                (individuals(trend))
                (ranges(trend))
            }
            @if let Some(capability) = &trend.capability { (over_time(trend, capability)) }
            (violations(trend))
        }
        footer {
            h2 { "How to read this" }
            p {
                "The centre is the mean of all runs, the control limits lie three sigma beside it, with "
                "sigma from the mean moving range of two over d2 = 1.128. A violation says where to look; "
                "whether a head conforms is the script's to say."
            }
            @if trend.capability.is_some() {
                p {
                    "Cp is the width between the limits over six standard deviations, Cpk the distance "
                    "from the mean to the nearer limit over three. The doubt of a Cpk is 1.96 times the "
                    "root of 1/(9 n) + Cpk\u{b2}/(2 (n - 1)), for 25 runs or more that are normally "
                    "distributed (NIST/SEMATECH e-Handbook 6.1.6)."
                }
            }
        }
    };
    paper::page(&name, &name, &body)
}

/// The result, in a box at the top.
fn summary(trend: &Trend) -> Markup {
    let counted = trend.counted();
    let number = |value: f64| trend.number(value);
    let unit = &trend.series.unit;
    let charts = &trend.charts;
    let fits = trend.capability.as_ref().is_none_or(|of| of.short.nearer >= 1.0);
    html! {
        div class=(if counted.is_empty() && fits { "verdict good" } else { "verdict open" }) role="status" {
            strong { (if counted.is_empty() { "IN CONTROL" } else { "SIGNALS" }) }
            @if counted.is_empty() { span { "No run breaks a rule." } }
            @for (count, name) in &counted { span { (count) " \u{d7} " (name) } }
            @if !fits { span { "The values do not fit between the limits: Cpk is below 1.00." } }
            @if trend.series.points.len() < MIN_RUNS {
                span { "Control limits from fewer than " (MIN_RUNS) " runs are rough." }
            }
        }
        @if let Some(rehearsals) = trend.rehearsals() { p.note { (rehearsals) "." } }
        dl {
            dt { "centre" } dd { (number(charts.values.centre)) " " (unit) }
            dt { "control limits" }
            dd { (number(charts.values.low)) " .. " (number(charts.values.high)) " " (unit) }
            dt { "sigma" } dd { (number(charts.deviation)) " " (unit) }
            @if let Some(Capability { limits, short, long, .. }) = &trend.capability {
                dt { "allowed" }
                dd {
                    @if let Some(low) = limits.low { "at least " (show_number(low, None)) " " (unit) }
                    @if limits.low.is_some() && limits.high.is_some() { ", " }
                    @if let Some(high) = limits.high { "at most " (show_number(high, None)) " " (unit) }
                }
                dt { "capability" }
                dd {
                    @if let Some(width) = short.width { "Cp " (index(width)) ", " }
                    "Cpk " (index(short.nearer)) " with sigma; "
                    @if let Some(width) = long.width { "Pp " (index(width)) ", " }
                    "Ppk " (index(long.nearer)) " with the standard deviation of all runs"
                }
            }
            @if trend.series.left_out > 0 {
                dt { "left out" } dd { (trend.series.left_out) " runs without a number" }
            }
        }
    }
}

fn individuals(trend: &Trend) -> Markup {
    let limits = &trend.charts.values;
    let mut lines = vec![
        Across { at: limits.low, name: "lower control", class: "two thin dashed" },
        Across { at: limits.centre, name: "centre", class: "mark" },
        Across { at: limits.high, name: "upper control", class: "two thin dashed" },
    ];
    if let Some(Capability { limits, .. }) = &trend.capability {
        let allowed = |at, name| Across { at, name, class: "allowed" };
        lines.extend(limits.low.map(|at| allowed(at, "least allowed")));
        lines.extend(limits.high.map(|at| allowed(at, "most allowed")));
    }
    let values = trend.values();
    let told = "Runs with rule violations are diamonds.";
    let words =
        format!("{}{}", visible_line(&trend.series.label), typeset::unit(&trend.unit("in ")));
    chart(trend, ["values", "Individuals", told], &words, &values, 0, lines, &|at| {
        let names: Vec<&str> = trend.rules_at(at).collect();
        (!names.is_empty()).then(|| names.join("; "))
    })
}

fn ranges(trend: &Trend) -> Markup {
    let limits = &trend.charts.ranges;
    let lines = vec![
        Across { at: limits.centre, name: "centre", class: "mark" },
        Across { at: limits.high, name: "upper control", class: "two thin dashed" },
    ];
    let beyond = trend.violations.iter().filter(|(_, name)| *name == LEAP).count();
    let told = format!("From each run to the next; beyond the limit: {beyond}.");
    let words = format!("moving range{}", typeset::unit(&trend.unit("in ")));
    chart(trend, ["ranges", "Moving ranges", &told], &words, &trend.ranges, 1, lines, &|at| {
        trend.leaps_at(at).then(|| LEAP.to_string())
    })
}

/// A chart of the newest values; `later` is the index of the run of the first value.
fn chart(
    trend: &Trend,
    [id, title, told]: [&str; 3],
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
        id: id.to_string(),
        title: title.to_string(),
        told: told.to_string(),
        x: Axis::whole(one, last, "run"),
        y: Axis::around(values, words),
    };
    let points = || (first..).zip(drawn).map(|(at, value)| (at, (at + 1) as f64, *value));
    let marks = html! {
        (plot.across(lines))
        (plot.line(points().map(|(_, x, value)| (x, value)), "one thin"))
        @for (at, x, value) in points() {
            @match remark(at) {
                Some(remark) => {
                    @let point = trend.series.points.get(at);
                    @let of = point.map(|p| format!("{} {}: ", day_and_minute(&p.started), visible_line(&p.serial)));
                    (plot.flag(x, value, &format!("run {}, {}{remark}", at + 1, of.unwrap_or_default())))
                }
                None => (plot.point(x, value)),
            }
        }
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
fn over_time(trend: &Trend, capability: &Capability) -> Markup {
    let (blocks, older) = newest(&capability.blocks, MAX_ROWS);
    let number = |value: f64| trend.number(value);
    html! {
        section aria-labelledby="capability" {
            h2 id="capability" { "Capability over time" }
            @if let (Some(first), Some(last)) = (blocks.first(), blocks.last()) {
                (indices(blocks, first, last))
                div.wide tabindex="0" role="region" aria-label="table of capability" { table {
                    thead { tr {
                        th scope="col" { "from (UTC)" }
                        th.number scope="col" { "runs" }
                        th.number scope="col" { "mean" (trend.unit("in ")) }
                        th.number scope="col" { "sigma" (trend.unit("in ")) }
                        th.number scope="col" { "Cp" }
                        th.number scope="col" { "Cpk" }
                        th.number scope="col" { "doubt of Cpk, 95 %" }
                    } }
                    tbody { @for block in blocks { tr {
                        th.whole scope="row" { (trend.started(block)) }
                        td.number { (block.from + 1) " to " (block.from + block.count) }
                        td.number { (number(block.mean)) }
                        td.number { (number(block.deviation)) }
                        td.number { (block.indices.width.map_or("–".to_string(), index)) }
                        td.number { (index(block.indices.nearer)) }
                        td.number { "± " (index(block.doubt)) }
                    } } }
                } }
                @if older > 0 { p.soft { "and " (older) " older" } }
            } @else {
                p { "There are too few runs for a block of them." }
            }
        }
    }
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
        id: "indices".to_string(),
        title: "Cp and Cpk of each block of runs".to_string(),
        told: told.clone(),
        x: Axis::whole((first.from + 1) as f64, (last.from + last.count) as f64, "run"),
        y: Axis::around(ends.chain(ASKED.map(|(asked, _)| asked)).chain([0.0]), "index"),
    };
    let asked = ASKED.map(|(at, name)| Across { at, name, class: "mark" });
    let middle = |block: &Block| block.from as f64 + (block.count + 1) as f64 / 2.0;
    let drawn = || blocks.iter().filter(|block| block.indices.nearer.is_finite());
    let marks = html! {
        (plot.across(asked.to_vec()))
        (plot.line(drawn().map(|block| (middle(block), block.indices.nearer)), "one thin"))
        @for block in drawn() {
            @let (x, nearer) = (middle(block), block.indices.nearer);
            (plot.whisker(x, [nearer - block.doubt, nearer + block.doubt], "one", 0.0))
            @if let Some(width) = block.indices.width { (plot.dot(x, width, true, 0.0)) }
            (plot.dot(x, nearer, false, 0.0))
        }
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
fn violations(trend: &Trend) -> Markup {
    let mut runs: Vec<(usize, Vec<&str>)> = Vec::new();
    for (at, name) in trend.violations.iter().copied().rev() {
        match runs.last_mut().filter(|(last, _)| *last == at) {
            Some((_, names)) => names.push(name),
            None => runs.push((at, vec![name])),
        }
    }
    let older = runs.len().saturating_sub(MAX_ROWS);
    html! {
        section aria-labelledby="violations" {
            h2 id="violations" { "Runs with rule violations" }
            @if runs.is_empty() { p { "None: the series is in control." } } @else {
                div.wide tabindex="0" role="region" aria-label="table of rule violations" { table {
                    thead { tr {
                        th.number scope="col" { "run" }
                        th scope="col" { "started (UTC)" }
                        th scope="col" { "head" }
                        th.number scope="col" { "value" (trend.unit("in ")) }
                        th scope="col" { "rule violations" }
                    } }
                    tbody { @for (at, names) in runs.iter().take(MAX_ROWS) {
                        @if let Some(point) = trend.series.points.get(*at) { tr {
                            th.number scope="row" { (at + 1) }
                            td.whole { (day_and_minute(&point.started)) }
                            td.whole { (visible_line(&point.serial)) }
                            td.number { (trend.number(point.value)) }
                            td.wordy { (names.join("; ")) }
                        } }
                    } }
                } }
                @if older > 0 { p.soft { "and " (older) " older" } }
            }
        }
    }
}
