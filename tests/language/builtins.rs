//! The built-ins table: every example passes on the simulated head, and every entry says what
//! its reader needs.

use crate::inside::{Sources, run, station};
use spintrue_head::{Bitmap, Mark, Reading, Stated};
use spintrue_language::{
    ChartFacts, FileError, Files, Images, Prepared, SourceText, Verdict, builtin_records, builtins,
    prepare, read_image, render_diagnostics,
};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A script with the page that it exposes, which is a chart as well.
struct Script<'a>(Sources<'a>);

impl Files for Script<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        self.0.read(from, path)
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        self.0.bytes(from, path)
    }

    fn chart(&mut self, _: &str, _: &str) -> Result<ChartFacts, FileError> {
        Ok(ChartFacts {
            model: "ten-facet demonstration head (invented)".to_string(),
            serial: "SIM-0001".to_string(),
            facets: 10,
            speed: 4800.0 * TAU / 60.0,
            dots: 3600,
            length: 304.8e-3,
            pitch: 25.4e-3 / 300.0,
        })
    }
}

fn script(text: &str) -> Script<'_> {
    let image = [b"P4 3600 40\n".as_slice(), &[0x55; 450 * 40]].concat();
    Script(Sources::with_image(text, image))
}

/// A script without errors.
#[track_caller]
fn prepared(name: &str, text: &str) -> Prepared {
    let prepared = prepare(&mut script(text), name, &[]).unwrap();
    let reports = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
    assert!(prepared.errors() == 0, "{name}:\n{reports}");
    prepared
}

/// The image of every name.
struct Page;

impl Images for Page {
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        Ok(Arc::new(read_image(&mut script(""), "", name)?))
    }

    fn chart(&mut self, name: &str) -> Result<ChartFacts, String> {
        Ok(script("").chart("", name)?)
    }

    /// Facets are off by 1 µm each.
    fn read_chart(&mut self, _: &str, _: &str) -> Result<Vec<Reading>, String> {
        let u = Stated { random: 0.2e-6, offset: 10e-3, slope: 0.01, place: 100e-6 };
        let reading = |k: u8| {
            let off = 1e-6 * (f64::from(k) - 4.5);
            let mark = |at| Mark { at, in_scan: off, cross_scan: off, dose: f64::NAN, width: None };
            let marks = [-0.4, -0.2, 0.0, 0.2, 0.4].map(mark).to_vec();
            Reading { marks, in_scan_u: u, cross_scan_u: u, dose_u: f64::NAN, width_u: None }
        };
        Ok((0..10).map(reading).collect())
    }
}

#[test]
fn every_example_passes() {
    for builtin in builtins() {
        let name = builtin.name;
        let prepared = prepared(name, builtin.page().example);
        assert!(builtin.page().example.contains(name), "the example of {name} does not use it");
        // Of a head alone there is nothing to switch.
        let named = builtin.page().parameters.first().map(|parameter| parameter.kind);
        let around = matches!(named, Some("signal" | "channel"));
        let description = include_str!("../../scripts/heads/ten_with_station.toml");
        let mut station = station(around.then_some(description), 1);
        station.set_images(Box::new(Page));
        let (finished, events) = run(&prepared, &mut station);
        assert_eq!(finished.verdict(), Verdict::Passed, "{name}: {finished:?}\n{:#?}", events.0);
    }
}

#[test]
fn every_entry_is_complete() {
    let mut names = Vec::new();
    for builtin in builtins() {
        assert!(!names.contains(&builtin.name), "{} stands twice", builtin.name);
        names.push(builtin.name);
        assert!(builtin.page().meaning().ends_with('.'), "{}", builtin.name);
        let mut optional = false;
        for parameter in &builtin.page().parameters {
            assert!(!parameter.meaning().is_empty(), "{}: {}", builtin.name, parameter.name);
            let left_out = parameter.is_optional;
            assert!(left_out || !optional, "{}: a required one behind an optional", builtin.name);
            optional = left_out;
        }
        assert!(!spintrue_language::KEYWORDS.contains(&builtin.name), "{}", builtin.name);
        for parameter in &builtin.page().parameters {
            assert!(!spintrue_language::KEYWORDS.contains(&parameter.name), "{}", parameter.name);
        }
    }
    for record in builtin_records() {
        for field in &record.page().fields {
            assert!(!field.meaning().is_empty());
            let name = field.name;
            assert!(!spintrue_language::KEYWORDS.contains(&name), "{}.{name}", record.name);
        }
    }
}

/// Calls with an argument outside what the head takes, and the built-in whose reference says so.
const OUTSIDE: [(&str, &str); 6] = [
    ("spin", "spin(40000 rpm)"),
    ("spin", "spin(-1 rpm)"),
    ("steer", "steer(60 deg)"),
    ("load", "load([{cross_scan: 0 mrad, in_scan: 1 s} for k in facets()])"),
    ("load", "load([{cross_scan: 1 rad, in_scan: 0 s} for k in facets()])"),
    ("load", "load([{cross_scan: 0 mrad, in_scan: 0 s}])"),
];

/// What the reference says of an argument outside its range is what the run raises.
#[test]
fn an_argument_outside_its_range_is_of_the_kind_that_the_reference_says() {
    for (name, call) in OUTSIDE {
        let script = format!(
            "try {{ {call} }} catch problem {{\n expect \"kind\", needed: problem.kind == \"value\"\n}}\n"
        );
        let (finished, events) = run(&prepared(name, &script), &mut station(None, 1));
        assert_eq!(finished.verdict(), Verdict::Passed, "{call}: {:?}", events.0);
        let meaning = builtins().iter().find(|b| b.name == name).unwrap();
        let meaning = meaning.page().meaning();
        assert!(meaning.contains("with the kind `value`"), "{name}: {meaning}");
        assert!(!meaning.contains("is a fault"), "{name}: {meaning}");
    }
}
