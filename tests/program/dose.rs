//! The dose from outside: the power calibration, what acceptance says of a drifting laser, and pages that are
//! exposed too little and too much.

use crate::program::{self, json_lines};
use crate::support::{Folder, repository};
use serde_json::Value;
use std::fs;
use std::io::BufReader;

/// The head with the meter and these keys more, or others in their place.
fn metered(folder: &Folder, name: &str, change: impl Fn(String) -> String, more: &str) -> String {
    let text = fs::read_to_string(repository("scripts/heads/ten_with_meter.toml")).unwrap();
    folder.file(name, format!("{}\n{more}", change(text)));
    format!("sim:{name}")
}

/// Exit code and events of a shipped script.
fn run(folder: &Folder, script: &str, head: &str, more: &[&str]) -> (i32, Vec<Value>) {
    let script = repository(&format!("scripts/{script}.spt"));
    let arguments = [&["run", &script, "--head", head, "--json"], more].concat();
    let ended = program::spintrue(folder, &arguments);
    (ended.code.unwrap(), json_lines(&ended.out))
}

fn recorded<'e>(events: &'e [Value], name: &str) -> &'e Value {
    let found = events.iter().find(|event| event["event"] == "recorded" && event["name"] == name);
    &found.unwrap_or_else(|| panic!("no `{name}` in {events:#?}"))["value"]
}

/// Labels of the checks that do not conform.
fn against(events: &[Value]) -> Vec<&str> {
    let checks = events.iter().filter(|event| event["event"] == "check");
    let against = checks.filter(|check| check["outcome"] != "conforms");
    against.map(|check| check["label"].as_str().unwrap()).collect()
}

/// One facet of ten reflects 60 %: the mean is 0.96.
const DIM: &str = "[facets]\nreflectivities = [1, 1, 1, 0.6, 1, 1, 1, 1, 1, 1]\n";

/// By hand: 50 mW · 0.96 · 0.6 of the time = 28.8 mW at full power, and no offset; alone, a facet has a tenth
/// of its share: 0.6 / 0.96 = 0.625 of the mean for the dim one and 1 / 0.96 = 1.0417 for the others.
#[test]
fn power_is_calibrated_with_a_meter() {
    let folder = Folder::new("power");
    let head = metered(&folder, "head.toml", |text| text, DIM);
    let (code, events) = run(&folder, "power", &head, &["--set", "largest_dose_spread=50 %"]);
    assert_eq!((code, against(&events)), (0, vec![]), "{events:#?}");
    let slope = recorded(&events, "slope")["value"].as_f64().unwrap();
    let offset = recorded(&events, "offset")["value"].as_f64().unwrap();
    assert!((slope / 28.8e-3 - 1.0).abs() < 2e-3 && offset.abs() < 40e-6, "{slope} {offset}");
    let doses = recorded(&events, "dose of each facet").as_array().unwrap();
    assert_eq!(doses.len(), 10);
    for (k, dose) in doses.iter().enumerate() {
        let dose = dose["value"].as_f64().unwrap();
        let should = if k == 3 { 0.625 } else { 1.0 / 0.96 };
        assert!((dose - should).abs() < 0.02, "{k}: {dose}");
    }
}

#[test]
fn what_the_calibration_does_not_pass() {
    let folder = Folder::new("power-limits");
    let weak = "[laser]\nstrength = 0.7\n";
    let narrow = |text: String| text.replace("60 mW", "20 mW");
    let kept = |text: String| text;
    for (head, label) in [
        (metered(&folder, "dim.toml", kept, DIM), "dose spread"),
        (metered(&folder, "weak.toml", kept, weak), "full power"),
        (metered(&folder, "narrow.toml", narrow, ""), "linearity error"),
    ] {
        let (code, events) = run(&folder, "power", &head, &[]);
        let told = against(&events);
        assert!(code == 1 && told.contains(&label), "{label}: {told:?}");
    }
    // The longest settling and reading fit into the longest drawing.
    let late = ["--set", "settling=40 s", "--set", "readings=100", "--set", "between=150 ms"];
    let head = metered(&folder, "head.toml", kept, "");
    let (code, _) = run(&folder, "power", &head, &late);
    assert_eq!(code, 0);
    let script = "spin(4800 rpm)\nwait until locked() within 30 s\n\
                  let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)\n\
                  arm at 10 % {\n    draw_steadily(plan, lasting: 61 s)\n}\n";
    folder.file("long.spt", script);
    let ended = program::spintrue(&folder, &["run", "long.spt", "--head", "sim:head.toml"]);
    assert_eq!(ended.code, Some(2));
    assert!(
        ended.all().contains("lines are drawn steadily for 0 s to 60 s, not for 61 s"),
        "{}",
        ended.all()
    );
    folder.file("bare.spt", script.replace("arm at 10 %", "if locked()"));
    let checked = program::spintrue(&folder, &["check", "bare.spt"]);
    assert!(checked.all().contains("`draw_steadily` lets light out"), "{}", checked.all());
}

/// A head that warms up so slowly that it counts as warm, with a laser that loses 1 %/K: nothing but the drift
/// of its dose is wrong.
#[test]
fn a_drifting_dose_does_not_pass_acceptance() {
    let folder = Folder::new("dose-drift");
    let ramp = "[laser]\npower_drift = \"-1 %/K\"\n[thermal]\nrise = \"25 K\"\ntime_constant = \"40 min\"\n";
    let head = metered(&folder, "head.toml", |text| text, ramp);
    let (code, events) = run(&folder, "accept", &head, &[]);
    assert_eq!((code, against(&events)), (1, vec!["drift of dose"]));
}

/// Facets that reflect 15 % more and less in turn: bands of tone at half a cycle per line, whose amplitude is
/// 15 %, while no line is out of place.
#[test]
fn banding_of_the_dose_does_not_pass_acceptance() {
    let folder = Folder::new("dose-bands");
    let turns =
        "[facets]\nreflectivities = [1.14, 0.86, 1.14, 0.86, 1.14, 0.86, 1.14, 0.86, 1.14, 0.86]\n";
    let head = metered(&folder, "head.toml", |text| text, turns);
    let (code, events) = run(&folder, "accept", &head, &[]);
    assert_eq!((code, against(&events)), (1, vec!["largest dose peak"]));
    let peaks = recorded(&events, "dose banding").as_array().unwrap();
    let amplitude = |peak: &Value| peak["amplitude"]["value"].as_f64().unwrap();
    assert!((amplitude(&peaks[4]) - 0.14).abs() < 0.01 && amplitude(&peaks[0]) < 0.01, "{peaks:?}");
}

/// Mean blackness of a picture from 0 to 1, and the share of it that is darker than half.
fn darkness(folder: &Folder, name: &str) -> (f64, f64) {
    let file = BufReader::new(fs::File::open(folder.0.join(name)).unwrap());
    let mut reader = png::Decoder::new(file).read_info().unwrap();
    let mut gray = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut gray).unwrap();
    let count = gray.len() as f64;
    let black = 1.0 - gray.iter().map(|level| f64::from(*level)).sum::<f64>() / 255.0 / count;
    (black, gray.iter().filter(|level| **level < 128).count() as f64 / count)
}

#[test]
fn the_armed_share_shows_on_the_page() {
    let folder = Folder::new("armed-share");
    let image = repository("scripts/page.pbm");
    let seen = ["1 %", "35 %", "100 %"].map(|power| {
        let expose = ["head", "expose", &image, "--power", power, "--out", "page.png", "--force"];
        let ended = program::spintrue(&folder, &expose);
        assert_eq!(ended.code, Some(0), "{}", ended.all());
        let told = ["underexposed", "overexposed"].map(|word| ended.out.contains(word));
        (darkness(&folder, "page.png"), told)
    });
    let [(faint, less), (nominal, right), (over, more)] = seen;
    assert_eq!((less, right, more), ([true, false], [false, false], [false, true]));
    assert!(faint.0 < 1e-3 && faint.1 == 0.0, "{faint:?}");
    assert!(nominal.0 > 0.05, "{nominal:?}");
    // Broader lines: more of the page is dark, by far more than grain would make it.
    assert!(over.0 > 1.1 * nominal.0 && over.1 > 1.1 * nominal.1, "{nominal:?} {over:?}");
}
