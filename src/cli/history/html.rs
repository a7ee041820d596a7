//! A trend as a page of its own: charts inside, light and dark, nothing to be fetched.

use crate::cli::history::series::{Capability, LEAP, Trend};
use crate::cli::history::svg::{Chart, Dot, draw, escaped};
use crate::cli::history::text::{day_and_minute, index, title};
use crate::units::show_number;
use std::fmt::Write;

/// Runs that are drawn, the newest ones.
const DRAWN: usize = 500;
/// Signals and blocks that are listed, the newest ones.
const LISTED: usize = 200;

const STYLE: &str = include_str!("page.css");

pub(super) fn page(trend: &Trend) -> String {
    let name = escaped(&title(trend));
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{name}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<h1>{name}</h1>\n"
    );
    let count = trend.series.points.len();
    if count > DRAWN {
        let _ = writeln!(
            out,
            "<p>The limits are those of all {count} runs; the newest {DRAWN} are drawn.</p>"
        );
    }
    out.push_str(&individuals(trend));
    out.push_str(&ranges(trend));
    out.push_str(&signals(trend));
    if let Some(capability) = &trend.capability {
        out.push_str(&blocks(trend, capability));
    }
    out.push_str("</body>\n</html>\n");
    out
}

fn unit(trend: &Trend) -> String {
    match trend.series.unit.as_str() {
        "" => String::new(),
        unit => format!(" in {unit}"),
    }
}

fn individuals(trend: &Trend) -> String {
    let (limits, unit) = (&trend.charts.values, unit(trend));
    let number = |value: f64| show_number(value, trend.decimals());
    let mut lines = vec![
        (limits.low, "lower limit", "limit"),
        (limits.centre, "centre", "centre"),
        (limits.high, "upper limit", "limit"),
    ];
    if let Some(Capability { limits, .. }) = &trend.capability {
        lines.extend(limits.low.map(|at| (at, "least allowed", "allowed")));
        lines.extend(limits.high.map(|at| (at, "most allowed", "allowed")));
    }
    let description = format!(
        "Centre {}, limits {} and {}{unit}; signals: {}.",
        number(limits.centre),
        number(limits.low),
        number(limits.high),
        trend.signals.len()
    );
    let values: Vec<f64> = trend.series.points.iter().map(|point| point.value).collect();
    let points = dots(trend, &values, 0, &|at| {
        let names: Vec<&str> = trend.rules_at(at).map(|rule| rule.text()).collect();
        (!names.is_empty()).then(|| names.join("; "))
    });
    let axis = format!("{}{unit}", trend.series.label);
    section("Individuals", &description, &axis, (values.len(), 1), points, lines, "values")
}

fn ranges(trend: &Trend) -> String {
    let (limits, unit) = (&trend.charts.ranges, unit(trend));
    let number = |value: f64| show_number(value, trend.decimals());
    let lines = vec![(limits.centre, "centre", "centre"), (limits.high, "upper limit", "limit")];
    let description = format!(
        "Centre {}, limit {}{unit}; beyond it: {}.",
        number(limits.centre),
        number(limits.high),
        trend.leaps.len()
    );
    let points = dots(trend, &trend.ranges, 1, &|at| {
        trend.leaps.binary_search(&at).is_ok().then(|| LEAP.to_string())
    });
    let axis = format!("moving range{unit}");
    let count = (trend.ranges.len(), 2);
    section("Moving ranges", &description, &axis, count, points, lines, "ranges")
}

/// The newest values as points; `later` is the index of the run of the first value.
fn dots(
    trend: &Trend,
    values: &[f64],
    later: usize,
    remark: &dyn Fn(usize) -> Option<String>,
) -> Vec<Dot> {
    let from = values.len().saturating_sub(DRAWN);
    let told = |(at, value): (usize, &f64)| {
        let remark = remark(at).map(|remark| match trend.series.points.get(at) {
            Some(point) => {
                format!("{} {}: {remark}", day_and_minute(&point.started), point.serial)
            }
            None => remark,
        });
        Dot { value: *value, remark }
    };
    (from + later..).zip(values.iter().skip(from)).map(told).collect()
}

/// A chart under its heading; `counted` says how many values there are, and which run is the first.
fn section(
    title: &str,
    description: &str,
    axis: &str,
    counted: (usize, usize),
    points: Vec<Dot>,
    lines: Vec<(f64, &str, &str)>,
    id: &str,
) -> String {
    let (count, first) = counted;
    let first = first + count - points.len();
    let chart = draw(&Chart { title, description, axis, first, points, lines }, id);
    let (title, description) = (escaped(title), escaped(description));
    format!("<section>\n<h2>{title}</h2>\n<p>{description}</p>\n{chart}</section>\n")
}

fn signals(trend: &Trend) -> String {
    let mut out = "<section>\n<h2>Signals</h2>\n".to_string();
    let all = trend.named();
    if all.is_empty() {
        out.push_str("<p>None: the series is in control.</p>\n</section>\n");
        return out;
    }
    out.push_str(
        "<table>\n<tr><th>run</th><th>started (UTC)</th><th>head</th><th>signal</th></tr>\n",
    );
    for (at, name) in all.iter().rev().take(LISTED) {
        if let Some(point) = trend.series.points.get(*at) {
            let _ = writeln!(
                out,
                "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
                at + 1,
                escaped(&day_and_minute(&point.started)),
                escaped(&point.serial),
                escaped(name)
            );
        }
    }
    out.push_str("</table>\n");
    let older = all.len().saturating_sub(LISTED);
    if older > 0 {
        let _ = writeln!(out, "<p>and {older} older</p>");
    }
    out.push_str("</section>\n");
    out
}

fn blocks(trend: &Trend, capability: &Capability) -> String {
    let mut out = "<section>\n<h2>Capability over time</h2>\n<table>\n<tr><th>from (UTC)</th>\
        <th class=\"number\">runs</th><th class=\"number\">mean</th><th class=\"number\">sigma</th>\
        <th class=\"number\">Pp</th><th class=\"number\">Ppk</th></tr>\n"
        .to_string();
    let number = |value: f64| show_number(value, trend.decimals());
    let older = capability.blocks.len().saturating_sub(LISTED);
    for block in capability.blocks.iter().skip(older) {
        let started = trend.series.points.get(block.from).map_or("", |p| p.started.as_str());
        let cells = [
            block.count.to_string(),
            number(block.mean),
            number(block.deviation),
            block.indices.width.map_or_else(|| "–".to_string(), index),
            index(block.indices.nearer),
        ];
        let _ = write!(out, "<tr><td>{}</td>", escaped(&day_and_minute(started)));
        for cell in cells {
            let _ = write!(out, "<td class=\"number\">{}</td>", escaped(&cell));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</table>\n");
    if older > 0 {
        let _ = writeln!(out, "<p>and {older} older blocks</p>");
    }
    out.push_str("</section>\n");
    out
}
