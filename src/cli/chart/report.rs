//! What a scan of a chart tells, as tables for people and as JSON.

use crate::terminal::{BOLD, DIM, styled, wrapped};
use serde_json::{Value, json};
use spintrue_chart::{Measured, ScanReading};
use spintrue_head::visible_line;

/// Coverage factor of intervals: 95 % of a normal distribution.
const COVERAGE: f64 = 1.96;

/// As JSON, in SI units.
pub(super) fn as_json(reading: &ScanReading) -> Value {
    serde_json::to_value(reading).unwrap_or_else(|error| json!({"error": error.to_string()}))
}

fn um(length: f64) -> f64 {
    length * 1e6
}

/// A value with its interval in units of 1/`scale`; a dash where it is not known.
fn cell(measured: &Measured, scale: f64, places: usize) -> String {
    if measured.value.is_nan() {
        return format!("{:>15}", "-");
    }
    let half = COVERAGE * measured.combined();
    format!("{:>8.places$} ±{:>5.places$}", measured.value * scale, half * scale)
}

/// As text for people.
pub(super) fn as_text(reading: &ScanReading, colour: bool) -> String {
    let chart = &reading.chart;
    let (model, serial) = (visible_line(&chart.model), visible_line(&chart.serial));
    let mut text = format!(
        "{}\n{model}, serial number {serial}, {} facets; exposed {}; trims in force: {}\n",
        styled(&format!("Chart {}", reading.code), BOLD, colour),
        chart.facets,
        visible_line(&chart.date),
        visible_line(&chart.trims)
    );
    text.push_str(&scan_text(reading));
    let table = |of: &dyn Fn(&spintrue_chart::FacetMark) -> Measured, scale: f64, places: usize| {
        let mut text = String::from("  facet");
        for place in &reading.places {
            text.push_str(&format!("  {:>13} ", format!("at {:+.3}", place.at)));
        }
        text = format!("{}\n", styled(text.trim_end(), DIM, colour));
        for facet in &reading.facets {
            text.push_str(&format!("  {:>5}", facet.facet));
            for mark in &facet.marks {
                text.push_str(&format!(" {}", cell(&of(mark), scale, places)));
            }
            text.push('\n');
        }
        text
    };
    let mut section = |title: &str, body: String| {
        text.push_str(&format!("\n{}\n{body}", styled(title, BOLD, colour)));
    };
    section("In-scan against the mean of all facets, in µm", table(&|mark| mark.in_scan, 1e6, 2));
    section(
        "Cross-scan against the mean of all facets, in µm",
        table(&|mark| mark.cross_scan, 1e6, 2),
    );
    section(
        "Darkness of the line against the mean of all facets",
        table(&|mark| mark.darkness, 1.0, 4),
    );
    section("Banding of the means over all places", banding_text(reading));
    section("What all facets share", common_text(reading));
    let missing: String =
        reading.missing.iter().map(|why| wrapped(&format!("- {why}"), "  ")).collect();
    section("Not measured, and why", missing);
    text.push_str(&format!(
        "\n± is {COVERAGE} times the standard uncertainty (95 %): scatter between lines, and what does not average out.\n"
    ));
    text
}

fn scan_text(reading: &ScanReading) -> String {
    let scan = &reading.scan;
    let dpi = |per_m: f64| per_m * 25.4e-3;
    let stated = match scan.stated {
        [along, across] if along.is_finite() && across.is_finite() => {
            format!("stated {:.1} x {:.1}", dpi(along), dpi(across))
        }
        _ => "not stated".to_string(),
    };
    let wild = reading.places.iter().fold([0; 3], |sum, place| {
        [sum[0] + place.wild[0], sum[1] + place.wild[1], sum[2] + place.wild[2]]
    });
    format!(
        "{} {} x {} pixels, {:.1} dpi along and {:.1} dpi across the lines ({stated}); lines run {}, turned by {:.3}°{}\n\
         {} of {} fiducials, {} of {} isolated lines seen; left out as wild: {} in-scan, {} cross-scan, {} darkness\n\
         edges of dashes are {:.0} µm wide, from 10 % to 90 % of their darkness\n{}",
        scan.kind,
        scan.width,
        scan.height,
        dpi(scan.found[0]),
        dpi(scan.found[1]),
        if scan.lines_run_down { "down the image" } else { "across the image" },
        scan.turn.to_degrees(),
        if scan.mirrored { ", mirrored" } else { "" },
        scan.fiducials,
        scan.fiducials_of,
        reading.lines_seen,
        reading.lines,
        wild[0],
        wild[1],
        wild[2],
        um(scan.edge_width),
        reading.blur().map_or(String::new(), |blur| wrapped(&blur, "")),
    )
}

fn banding_text(reading: &ScanReading) -> String {
    let banding = &reading.banding;
    let mut text =
        String::from("  harmonic  cycles/line  in-scan µm  cross-scan µm   darkness %\n");
    let facets = f64::from(reading.chart.facets);
    let rows = banding.in_scan.iter().zip(&banding.cross_scan).zip(&banding.darkness);
    for (k, ((along, across), dark)) in (1_u32..).zip(rows) {
        text.push_str(&format!(
            "  {k:>8}  {:>11.4}  {:>10.3}  {:>13.3}  {:>11.2}\n",
            f64::from(k) / facets,
            um(*along),
            um(*across),
            dark * 100.0
        ));
    }
    text
}

fn common_text(reading: &ScanReading) -> String {
    let common = &reading.common;
    let mut text = String::new();
    if common.across_over_along.is_finite() {
        text.push_str(&format!(
            "  across the sheet it is {:+.3} % longer than along, against plan and stated resolution\n",
            (common.across_over_along - 1.0) * 100.0
        ));
    }
    let rows = [
        ("length of the line", &common.length, 1e6, "ppm"),
        ("even distortion", &common.even, 1e6, "µm"),
        ("odd distortion", &common.odd, 1e6, "µm"),
    ];
    for (name, measured, scale, unit) in rows.iter().filter(|row| row.1.value.is_finite()) {
        let half = COVERAGE * measured.combined() * scale;
        text.push_str(&format!("  {name}: {:+.2} ± {half:.2} {unit}\n", measured.value * scale));
    }
    for wave in &common.waves {
        text.push_str(&format!(
            "  wave across the sheet: {:.2} µm, every {:.2} mm ({:.2} Hz at the medium)\n",
            um(wave.amplitude),
            wave.period * 1e3,
            wave.frequency
        ));
    }
    if common.waves.is_empty() {
        text.push_str("  no wave across the sheet stands out of the noise\n");
    }
    text
}
