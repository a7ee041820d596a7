//! Exposed pages as a run shows them: the banding of their lines, and their pictures.

use crate::terminal::{BOLD, DIM, styled};
use serde_json::{Value, json};
use spintrue_language::{Banding, banding};
use spintrue_sim::Sheet;

/// Columns of the longest bar.
const MAX_BAR: f64 = 40.0;

/// Peaks that are drawn, the largest ones.
const MAX_PEAKS: usize = 12;

/// An exposed page.
pub(super) struct ExposedPage {
    /// Its name, such as `before`.
    pub label: String,
    /// Lines drawn.
    pub lines: usize,
    /// Mean light of the lines against what exposes the medium fully, and what there is to say of it.
    light: Option<f64>,
    exposure: Option<String>,
    /// Banding across, where there are lines enough.
    pub banding: Option<Banding>,
    pub picture: Option<Picture>,
}

/// A picture that was written.
pub(super) struct Picture {
    pub path: String,
    pub width: u32,
    pub height: u32,
    pub spot: f64,
}

impl ExposedPage {
    pub(super) fn new(label: String, sheet: &Sheet, picture: Option<Picture>) -> ExposedPage {
        let banding = banding(&sheet.shifts(), sheet.facets).ok();
        let (light, exposure) = (sheet.light(), sheet.exposure());
        ExposedPage { label, lines: sheet.lines.len(), light, exposure, banding, picture }
    }
}

fn um(length: f64) -> f64 {
    length * 1e6
}

/// As text: pictures, then the peaks as bars on one scale.
pub(super) fn text(pages: &[ExposedPage], colour: bool) -> String {
    let mut text = String::new();
    let peaks = || pages.iter().filter_map(|page| page.banding.as_ref()).flat_map(|b| &b.peaks);
    let most = peaks().map(|peak| peak.amplitude).fold(0.0, f64::max);
    for page in pages {
        let title = format!("Page {}: {} lines", page.label, page.lines);
        text.push_str(&format!("{}\n", styled(&title, BOLD, colour)));
        if let Some(drawn) = &page.picture {
            let Picture { path, width, height, spot } = drawn;
            text.push_str(&format!(
                "  picture {path}: {width} x {height} pixels, spot {:.1} um\n",
                um(*spot)
            ));
        }
        if let Some(exposure) = &page.exposure {
            text.push_str(&format!("  {exposure}\n"));
        }
        let Some(banding) = &page.banding else {
            text.push_str("  too few lines to tell banding\n");
            continue;
        };
        let head = "  banding across   cycles/line  every .. lines  amplitude um";
        text.push_str(&format!("{}\n", styled(head, DIM, colour)));
        let mut largest: Vec<_> = banding.peaks.iter().collect();
        largest.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
        largest.truncate(MAX_PEAKS);
        largest.sort_by_key(|peak| peak.harmonic);
        for peak in largest {
            let share = if most > 0.0 { peak.amplitude / most } else { 0.0 };
            let bar = "#".repeat((share * MAX_BAR).round() as usize);
            let line = format!(
                "  harmonic {:<6}  {:>11.4}  {:>14.2}  {:>12.3}  {bar}",
                peak.harmonic,
                peak.frequency,
                1.0 / peak.frequency,
                um(peak.amplitude),
            );
            text.push_str(&format!("{}\n", line.trim_end()));
        }
        let hidden = banding.peaks.len().saturating_sub(MAX_PEAKS);
        if hidden > 0 {
            text.push_str(&format!("  ... and {hidden} smaller peaks\n"));
        }
        text.push_str(&format!(
            "  what does not come back with the turn: {:.3} um (r.m.s.)\n",
            um(banding.rest)
        ));
    }
    text
}

/// As JSON.
pub(super) fn value(page: &ExposedPage) -> Value {
    let metres = |value: f64| json!({"value": value, "unit": "m"});
    let peak = |peak: &spintrue_language::Peak| {
        json!({
            "harmonic": peak.harmonic,
            "frequency": peak.frequency,
            "amplitude": metres(peak.amplitude),
        })
    };
    json!({
        "event": "page",
        "label": page.label,
        "lines": page.lines,
        "light": page.light,
        "picture": page.picture.as_ref().map(|drawn| json!({
            "path": drawn.path,
            "width": drawn.width,
            "height": drawn.height,
            "spot": metres(drawn.spot),
        })),
        "banding": page.banding.as_ref().map(|banding| json!({
            "lines": banding.lines,
            "peaks": banding.peaks.iter().map(peak).collect::<Vec<_>>(),
            "rest": metres(banding.rest),
        })),
    })
}
