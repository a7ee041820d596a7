//! Whether what is stated is honest: over many random heads, intervals that are stated to hold the true
//! value with 95 % do so in 93 % to 99.9 % of the cases, for trims, for every coefficient of a line, and for marks of a map.
//!
//! The truth of a head is what its twin reads: the same facets and lens, drawn from the same seed, but
//! nothing scatters, hunts or is wild, and registers have no steps.

use crate::inside::{self, Sources, station};
use spintrue_language::{Event, Prepared, Shown, Verdict, prepare};
use std::collections::BTreeMap;

const SCRIPT: &str = "
param readings = 4
param lines = 1
spin(4800 rpm)
wait until locked() within 30 s else fail \"no lock\"
// Inside the lock window the speed goes on settling, and moves lines along: wait until it is even.
wait 10 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
var trims = no_trims()
load(trims)
var seen: list of line = []
var map: list of mark = []
arm at 35 % {
    repeat lines times {
        seen = seen + test_lines(plan, readings: readings)
    }
    map = line_map(3, plan, [-0.5, -0.42, -0.3, -0.2, -0.1, 0.05, 0.15, 0.25, 0.38, 0.5], readings: readings)
}
let u = trim_uncertainties(seen, plan)
trims = corrected(seen, plan)
record \"delay\": [trim.in_scan for trim in trims]
record \"delay U\": [2 * trim.in_scan for trim in u]
record \"angle\": [trim.cross_scan for trim in trims]
record \"angle U\": [2 * trim.cross_scan for trim in u]
let k = coverage_factor(95 %, degrees_of_freedom: worst(seen).degrees)
record \"in-scan\": [line.in_scan for line in seen]
record \"in-scan U\": [k * line.in_scan_u for line in seen]
record \"length\": [line.length_error for line in seen]
record \"length U\": [k * line.length_error_u for line in seen]
record \"even\": [line.even for line in seen]
record \"even U\": [k * line.even_u for line in seen]
record \"odd\": [line.odd for line in seen]
record \"odd U\": [k * line.odd_u for line in seen]
record \"end\": [line.in_scan_end for line in seen]
record \"end U\": [k * line.in_scan_end_u for line in seen]
record \"common\": [worst(seen).in_scan_common for _k in facets()]
record \"common U\": [k * worst(seen).in_scan_common_u for _k in facets()]
record \"cross-scan\": [line.cross_scan for line in seen]
record \"cross-scan U\": [k * line.cross_scan_u for line in seen]
record \"skew\": [line.skew for line in seen]
record \"skew U\": [k * line.skew_u for line in seen]
let factors = [coverage_factor(95 %, degrees_of_freedom: mark.degrees) for mark in map]
record \"map\": [mark.in_scan for mark in map]
record \"map U\": [factors[k] * map[k].in_scan_u for k in 0 .. count(map)]
record \"map across\": [mark.cross_scan for mark in map]
record \"map across U\": [factors[k] * map[k].cross_scan_u for k in 0 .. count(map)]
let dose_k = coverage_factor(95 %, degrees_of_freedom: worst(seen).dose_degrees)
record \"dose range\": [line.dose_range for line in seen]
record \"dose range U\": [dose_k * line.dose_range_u for line in seen]
record \"worst dose range\": [worst(seen).dose_range for _k in facets()]
record \"worst dose range U\": [dose_k * worst(seen).dose_range_u for _k in facets()]
let doses = [coverage_factor(95 %, degrees_of_freedom: mark.dose_degrees) for mark in map]
record \"map dose\": [mark.dose for mark in map]
record \"map dose U\": [doses[k] * map[k].dose_u for k in 0 .. count(map)]
";

/// Laid over the built-in head: nothing scatters, and the registers have no steps.
const TWIN: &str = "rotor.jitter = '0 ppm'
rotor.hunting = []
start_of_scan.jitter = '0 ns'
galvanometer.wobble = '0 urad'
gauge.noise = '0 um'
gauge.stated = '1 um'
gauge.resolution = '0.00001 um'
gauge.lost = '0 %'
gauge.dose_noise = '0.00001 %'
gauge.dose_resolution = '0.000001 %'
gauge.in_scan_bias = '0 um'
gauge.cross_scan_bias = '0 um'
trims.in_scan_step = '0.00001 ns'
trims.cross_scan_step = '0.00001 urad'";

struct Case {
    name: &'static str,
    /// What differs from the built-in head, as the twin is written.
    differs: &'static str,
    readings: u32,
    /// Measurements of all facets.
    lines: u32,
    /// What is uncertain mostly by what does not average out.
    fixed: &'static [&'static str],
    /// What is not told here, as docs/lines.md says: readings of one facet alone are not in random turns.
    untold: &'static [&'static str],
}

/// Share of the intervals that must hold the truth, where what averages out dominates.
const AVERAGING: (f64, f64) = (0.93, 0.999);

/// The same of the mean of all facets, of which a thousand heads tell it to 0.8 %.
const MEAN_LOW: f64 = 0.91;

/// Where what does not average out dominates: stated on the safe side.
const FIXED: (f64, f64) = (0.95, 1.0);

const CASE: Case = Case { name: "", differs: "", readings: 4, lines: 1, fixed: &[], untold: &[] };

const fn case(name: &'static str, differs: &'static str) -> Case {
    Case { name, differs, ..CASE }
}

/// Too fast for the time of a turn, which lasts 12.5 ms.
const fn fast(name: &'static str, differs: &'static str) -> Case {
    Case { untold: &["map"], ..case(name, differs) }
}

/// No reading can tell what the gauge does not state and what single lines do not repeat.
const STATED: &str = "rotor.jitter = '0 ppm'
start_of_scan.jitter = '0 ns'
galvanometer.wobble = '0 urad'
gauge.stated = '0.5 um'";

const ACROSS: &[&str] = &["angle", "cross-scan", "map across", "skew"];

const CASES: [Case; 27] = [
    case("default head", ""),
    Case { readings: 9, ..case("default head, nine readings", "") },
    Case { readings: 1, ..case("one reading each, as stated", STATED) },
    Case { readings: 1, lines: 4, ..case("four lines of one reading", "") },
    Case { readings: 2, lines: 2, ..case("two lines of two readings", "") },
    case("coarse registers", "trims.in_scan_step = '3 ns'\ntrims.cross_scan_step = '1 urad'"),
    case("10 ppm at 0.3 Hz", "rotor.hunting = [{ frequency = '0.3 Hz', amplitude = '10 ppm' }]"),
    case("10 ppm at 1 Hz", "rotor.hunting = [{ frequency = '1 Hz', amplitude = '10 ppm' }]"),
    case("10 ppm at 2 Hz", "rotor.hunting = [{ frequency = '2 Hz', amplitude = '10 ppm' }]"),
    case("10 ppm at 5 Hz", "rotor.hunting = [{ frequency = '5 Hz', amplitude = '10 ppm' }]"),
    case("30 ppm at 0.3 Hz", "rotor.hunting = [{ frequency = '0.3 Hz', amplitude = '30 ppm' }]"),
    case("30 ppm at 1 Hz", "rotor.hunting = [{ frequency = '1 Hz', amplitude = '30 ppm' }]"),
    case("30 ppm at 2 Hz", "rotor.hunting = [{ frequency = '2 Hz', amplitude = '30 ppm' }]"),
    case("30 ppm at 5 Hz", "rotor.hunting = [{ frequency = '5 Hz', amplitude = '30 ppm' }]"),
    case("110 ppm at 0.3 Hz", "rotor.hunting = [{ frequency = '0.3 Hz', amplitude = '110 ppm' }]"),
    case("110 ppm at 1 Hz", "rotor.hunting = [{ frequency = '1 Hz', amplitude = '110 ppm' }]"),
    case("110 ppm at 2 Hz", "rotor.hunting = [{ frequency = '2 Hz', amplitude = '110 ppm' }]"),
    case("110 ppm at 5 Hz", "rotor.hunting = [{ frequency = '5 Hz', amplitude = '110 ppm' }]"),
    fast("55 ppm at 13 Hz", "rotor.hunting = [{ frequency = '13 Hz', amplitude = '55 ppm' }]"),
    fast("55 ppm at 20 Hz", "rotor.hunting = [{ frequency = '20 Hz', amplitude = '55 ppm' }]"),
    fast("55 ppm at 26.7 Hz", "rotor.hunting = [{ frequency = '26.7 Hz', amplitude = '55 ppm' }]"),
    fast("55 ppm at 40 Hz", "rotor.hunting = [{ frequency = '40 Hz', amplitude = '55 ppm' }]"),
    fast("55 ppm at 50 Hz", "rotor.hunting = [{ frequency = '50 Hz', amplitude = '55 ppm' }]"),
    case("2 % of wild marks", "gauge.wild = '2 %'\ngauge.wild_error = '30 um'"),
    Case {
        fixed: &["angle", "cross-scan", "delay", "end", "in-scan", "map", "map across"],
        ..case(
            "bias of half its statement",
            "gauge.in_scan_bias = '1 um'\ngauge.cross_scan_bias = '1 um'\ngauge.stated_offset = '2 um'",
        )
    },
    // Along the line the jitter of pulses dithers the digit.
    Case { fixed: ACROSS, ..case("digit of 1 um", "gauge.resolution = '1 um'") },
    Case {
        fixed: ACROSS,
        ..case("digit of 1 um, no noise", "gauge.resolution = '1 um'\ngauge.noise = '0.05 um'")
    },
];

/// A head file: the twin's keys and values, those of the case in their place.
fn description(layers: &[&str]) -> String {
    let lines = layers.iter().flat_map(|layer| layer.lines());
    let pairs = lines.filter_map(|line| line.split_once(" = "));
    let keys: BTreeMap<&str, &str> = pairs.collect();
    let mut tables: BTreeMap<&str, String> = BTreeMap::new();
    for (key, value) in keys {
        let (table, key) = key.split_once('.').unwrap();
        tables.entry(table).or_default().push_str(&format!("{key} = {value}\n"));
    }
    tables.iter().map(|(table, keys)| format!("[{table}]\n{keys}")).collect()
}

/// What is recorded, by its label: one number per facet.
type Recorded = BTreeMap<String, Vec<f64>>;

fn script(case: &Case) -> Prepared {
    let settings = [format!("readings={}", case.readings), format!("lines={}", case.lines)];
    let prepared = prepare(&mut Sources::of(SCRIPT), "trims.spt", &settings).unwrap();
    assert!(prepared.program.is_some(), "{:?}", prepared.diagnostics);
    prepared
}

fn run(prepared: &Prepared, description: &str, seed: u64) -> Recorded {
    let (finished, events) = inside::run(prepared, &mut station(Some(description), seed));
    assert_eq!(finished.verdict(), Verdict::Passed, "{finished:?}");
    let mut recorded = Recorded::new();
    for (_, event) in events.0 {
        let Event::Recorded { label, shown: Shown::List(list), .. } = event else { continue };
        let number = |shown: &Shown| match shown {
            Shown::Quantity { value, .. } => *value,
            other => panic!("{other:?}"),
        };
        recorded.insert(label, list.iter().map(number).collect());
    }
    recorded
}

/// For each label the errors over what is stated for 95 %.
fn errors(case: &Case, truths: &[Recorded]) -> BTreeMap<String, Vec<f64>> {
    let prepared = script(case);
    let description = description(&[NO_BIAS, case.differs]);
    let mut errors: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for (seed, truth) in (1..).zip(truths) {
        let seen = run(&prepared, &description, seed);
        for (label, values) in seen.iter().filter(|(label, _)| !label.ends_with(" U")) {
            let (right, stated) = (&truth[label], &seen[&format!("{label} U")]);
            let facets = right.iter().cycle();
            for ((value, right), stated) in values.iter().zip(facets).zip(stated) {
                errors.entry(label.clone()).or_default().push((value - right) / stated);
            }
        }
    }
    errors
}

/// A constant bias is in no statement of the built-in head, since no reading can tell it.
const NO_BIAS: &str = "gauge.in_scan_bias = '0 um'\ngauge.cross_scan_bias = '0 um'";

/// Checks every case; `slack` is what chance may take with few heads.
fn honest(heads: u64, slack: f64) {
    let twin = script(&Case { readings: 1, ..CASE });
    let truths: Vec<Recorded> =
        (1..=heads).map(|seed| run(&twin, &description(&[TWIN]), seed)).collect();
    let mut wrong = Vec::new();
    for case in CASES {
        let mut row = format!("{:<28}", case.name);
        for (label, errors) in errors(&case, &truths) {
            // One reading tells nothing of what moves a line as a whole; the lines together do.
            if case.lines > 1 && !["angle", "delay"].contains(&label.as_str()) {
                continue;
            }
            if case.untold.contains(&label.as_str()) {
                continue;
            }
            assert!(errors.len() as u64 >= 10 * heads);
            let inside = errors.iter().filter(|error| error.abs() <= 1.0).count() as f64;
            let share = inside / errors.len() as f64;
            row += &format!(" {label} {:.2}", 100.0 * share);
            let is_fixed = case.fixed.contains(&label.as_str());
            let (low, high) = if is_fixed { FIXED } else { AVERAGING };
            // One of a head, and on the safe side where nothing but noise is there.
            let is_one = label.starts_with("worst") || label == "common";
            let (high, slack) = if is_one { (1.0, 2.0 * slack) } else { (high, slack) };
            // Readings of neighbouring turns share a pulse of the index, which their mean does not count.
            let low = if label == "common" { MEAN_LOW } else { low };
            if share < low - slack || share > high + slack {
                wrong.push(format!("{}, {label}: {share}", case.name));
            }
        }
        println!("{row}");
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// With 200 intervals, correlated by head, the share strays by 0.02 and more.
#[test]
fn trims_and_lines_are_as_sure_as_they_say() {
    honest(20, 0.07);
}

#[test]
#[ignore = "takes minutes: tests/extra/trims.sh"]
fn trims_and_lines_of_a_thousand_heads_are_as_sure_as_they_say() {
    honest(1000, 0.0);
}
