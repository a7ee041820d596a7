//! Sheets that were scanned: the picture of a scan with its marks, what each facet draws along the line, and banding; and
//! the page of one scan alone.

use crate::paper;
use crate::paper::plot::{Axis, Plot, Shape};
use crate::paper::{Head, section, table};
use crate::record::html::caution;
use crate::record::scans::ScannedSheet;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};
use spintrue_chart::{FacetMark, Measured, ScanReading};
use spintrue_head::visible_line;

/// Coverage factor of intervals: 95 % of a normal distribution.
const COVERAGE: f64 = 1.96;

/// Most facets that have their names beside a plot.
const MAX_NAMES: usize = 12;

/// Places along, and values upwards.
type Points = Vec<(f64, f64)>;

/// What a mark has of a direction.
type Part = fn(&FacetMark) -> Measured;

const AXES: [(&str, Part); 2] =
    [("in-scan", |mark| mark.in_scan), ("cross-scan", |mark| mark.cross_scan)];

/// The sheets of a run: the first and the last one.
pub(super) fn scans(sheets: &[ScannedSheet]) -> Markup {
    let (first, last) = (sheets.first(), sheets.last());
    let ends = || first.into_iter().chain(last.filter(|_| sheets.len() > 1));
    let content = html! {
        @for sheet in ends() {
            h3 { "Sheet " (sheet.number) ", scanned as " (visible_line(&sheet.scan)) }
            @if let Some(blur) = sheet.reading.blur() { p { (blur) } }
            (picture(sheet))
        }
        @if sheets.len() > 2 { p.soft {
            "Pictures of the sheets between these are in the files sheet-2.png and so on."
        } }
        div.plots {
            @for (axis, part) in AXES {
                @let drawn = html! { @for sheet in ends() { (profiles(sheet, axis, part)) } };
                @if sheets.len() > 1 { div.pair { (drawn) } } @else { (drawn) }
            }
            (banding("in-scan", "amplitude in µm", ends(), |reading| &reading.banding.in_scan, 1e6))
            (banding("cross-scan", "amplitude in µm", ends(), |reading| &reading.banding.cross_scan, 1e6))
            (banding("darkness", "amplitude in %", ends(), |reading| &reading.banding.darkness, 1e2))
        }
    };
    section("scans", "Scanned sheets", &content)
}

/// The page of one scan.
pub(crate) fn scan_page(sheet: &ScannedSheet) -> String {
    let reading = &sheet.reading;
    let chart = &reading.chart;
    let [model, serial, trims, date] =
        [&chart.model, &chart.serial, &chart.trims, &chart.date].map(|text| visible_line(text));
    let title = format!("Chart {}: {model}, serial {serial}", reading.code);
    let body = html! {
        header {
            h1 { (title) }
            p.soft { (chart.facets) " facets; exposed " (date) "; trims in force: " (trims) }
        }
        main {
            (scans(std::slice::from_ref(sheet)))
            (values(reading))
            (section("missing", "Not measured, and why", &html! {
                ul { @for why in &reading.missing { li { (why) } } }
            }))
        }
        footer {
            h2 { "About this report" }
            (caution())
            p {
                "Written by spintrue " (env!("CARGO_PKG_VERSION")) ". A reading of a print judges nothing: it has no "
                "verdict."
            }
        }
    };
    paper::page(&title, &title, &body)
}

fn picture(sheet: &ScannedSheet) -> Markup {
    let picture = &sheet.picture;
    let (times, um) = (picture.exaggeration, picture.bar * 1e6);
    let told = format!(
        "The scan of sheet {} with {} marks that were found, and {} arrows to where they lie, {times} times as long as what \
         they show",
        sheet.number, picture.marks, picture.arrows
    );
    html! { div.wide tabindex="0" role="region" aria-label=(format!("scan of sheet {}", sheet.number)) { figure {
        img width=(picture.width) height=(picture.height) alt=(told)
            src=(format!("data:image/png;base64,{}", STANDARD.encode(&picture.png)));
        figcaption {
            "The scan, made small and lighter, and turned as the chart is: the first dots of lines on the left, the first "
            "lines above. Dots: the " (picture.marks) " marks that were found, " (sheet.reading.lines_seen) " lines at "
            (sheet.reading.places.len()) " places. "
            "Arrows: from where the mean of all facets draws a mark to where it lies, "
            (times) " times as long as that. The bar below the sheet is " (format!("{um}")) " µm long on this scale. "
            "So that arrows do not cover each other, " (picture.arrows) " are drawn, about as many of each facet. "
            @if picture.partial > 0 {
                (picture.partial) " of them show one direction only, since the other is not told. "
            }
            @match picture.wild {
                0 => "No mark was left out as wild.",
                wild => { "Crosses: " (wild) " marks that were left out as wild." }
            }
            " The same picture is " (sheet.picture_name()) "."
        }
    } } }
}

/// What is drawn of each facet along the line, against the mean of all.
fn profiles(sheet: &ScannedSheet, axis: &str, part: Part) -> Markup {
    let reading = &sheet.reading;
    let length = reading.chart.length() * 1e3;
    let points = |marks: &[FacetMark]| -> Points {
        let all = marks.iter().map(|mark| (mark.at * length, part(mark).value * 1e6));
        all.filter(|(_, value)| value.is_finite()).collect()
    };
    let facets: Vec<(u32, Points)> =
        reading.facets.iter().map(|facet| (facet.facet, points(&facet.marks))).collect();
    let all = || facets.iter().flat_map(|(_, points)| points);
    let marks = reading.facets.iter().flat_map(|facet| &facet.marks);
    let halves = marks.map(|mark| COVERAGE * part(mark).combined() * 1e6);
    let half = halves.filter(|half| half.is_finite()).fold(0.0, f64::max);
    let worst = |points: &[(f64, f64)]| points.iter().map(|(_, y)| y.abs()).fold(0.0, f64::max);
    let told = match all().next() {
        None => format!("It is not told {axis}."),
        Some(_) => {
            let most = facets.iter().map(|(_, points)| worst(points)).fold(0.0, f64::max);
            format!(
                "The farthest mark lies {most:.2} µm off, known within ±{half:.2} µm (95 %) or better."
            )
        }
    };
    let x = Axis::around(
        reading.places.iter().map(|place| place.at * length),
        "place along the line in mm from the middle of the chart",
    );
    let y = Axis::around(all().map(|(_, y)| *y).chain([0.0]), format!("{axis} in µm"));
    let title = format!("Each facet {axis}: sheet {}", sheet.number);
    let plot = Plot::small(title, &told, x, y);
    let mut named: Vec<(f64, String)> = facets
        .iter()
        .filter_map(|(facet, points)| Some((points.last()?.1, facet.to_string())))
        .collect();
    named.sort_by(|one, other| other.0.abs().total_cmp(&one.0.abs()));
    let nameless = named.len().saturating_sub(MAX_NAMES);
    named.truncate(MAX_NAMES);
    named.sort_by(|one, other| other.0.total_cmp(&one.0));
    let styles = ["one thin", "two thin", "one thin dashed", "two thin dashed"];
    let drawn = html! {
        @for ((_, points), style) in facets.iter().zip(styles.into_iter().cycle()) {
            (plot.line(points.iter().copied(), style))
            (plot.marks(points.iter().copied(), Shape::Point))
        }
        (plot.names(&named))
    };
    let caption = html! {
        (told) " A line for each facet, against the mean of all; its number is beside its end"
        @if nameless > 0 { ", but for the " (nameless) " that end nearest to zero" }
        "."
    };
    plot.drawn(drawn, caption)
}

/// Amplitudes of what comes back with the turn, on the first and on the last sheet.
fn banding<'a>(
    what: &str,
    words: &str,
    sheets: impl Iterator<Item = &'a ScannedSheet>,
    of: fn(&ScanReading) -> &Vec<f64>,
    scale: f64,
) -> Markup {
    let spectra = sheets.map(|sheet| {
        let facets = f64::from(sheet.reading.chart.facets);
        let peaks = (1_u32..).zip(of(&sheet.reading));
        let peaks = peaks.map(|(k, height)| (f64::from(k) / facets, height * scale));
        let peaks: Points = peaks.filter(|(_, height)| height.is_finite()).collect();
        let most = peaks.iter().map(|(_, height)| *height).fold(0.0, f64::max);
        (sheet.number, peaks, most)
    });
    let spectra: Vec<(u32, Points, f64)> = spectra.collect();
    let heights = spectra.iter().flat_map(|(_, peaks, _)| peaks.iter().map(|peak| peak.1));
    let numbers: Vec<String> = spectra.iter().map(|(number, ..)| number.to_string()).collect();
    let largest = spectra.iter().map(|(number, _, most)| {
        let unit = words.rsplit(' ').next().unwrap_or_default();
        format!("The largest peak of sheet {number} is {most:.2} {unit}.")
    });
    let told = largest.collect::<Vec<_>>().join(" ");
    let x = Axis::around([0.0, 0.5].into_iter(), "cycles per line");
    let y = Axis::around(heights.chain([0.0]), words);
    let title = format!("Banding, {what}: sheet {}", numbers.join(" and "));
    let plot = Plot::small(title, &told, x, y);
    let styles = [("one", Shape::Circle), ("two", Shape::Square)];
    let drawn = html! {
        @for ((_, peaks, _), (class, shape)) in spectra.iter().zip(styles) {
            (plot.whiskers(peaks.iter().map(|(x, y)| (*x, [0.0, *y])), class))
            (plot.marks(peaks.iter().copied(), shape))
        }
    };
    let caption = html! {
        (told)
        @if let [first, last] = numbers.as_slice() {
            " Circles: sheet " (first) ". Squares: sheet " (last) "."
        }
        " Of the means over all places."
    };
    plot.drawn(drawn, caption)
}

/// Every value as tables.
fn values(reading: &ScanReading) -> Markup {
    let cell = |measured: Measured| match measured.value.is_nan() {
        true => "–".to_string(),
        false => {
            let half = COVERAGE * measured.combined() * 1e6;
            format!("{:.2} ± {half:.2}", measured.value * 1e6).replace('-', "\u{2212}")
        }
    };
    let places = reading.places.iter();
    let places: Vec<String> =
        places.map(|place| format!("at {:+.3}", place.at).replace('-', "\u{2212}")).collect();
    let heads = [Head::Number("facet")].into_iter();
    let heads: Vec<Head<'_>> = heads.chain(places.iter().map(|at| Head::Number(at))).collect();
    let content = html! {
        @for (axis, part) in AXES {
            h3.first { (axis) " against the mean of all facets, in µm (± for 95 %)" }
            (table(&format!("of values {axis}"), Some("numbers"), &heads, &html! {
                @for facet in &reading.facets { tr {
                    th.number scope="row" { (facet.facet) }
                    @for mark in &facet.marks { td { (cell(part(mark))) } }
                } }
            }))
        }
        p.soft { "Places are shares of the line from its middle. sheet-1.json has all numbers, in SI units." }
    };
    section("values", "Values", &content)
}
