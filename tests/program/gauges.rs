//! The file of a gauge: what is refused before anything moves, what a record says of it, and how a study of
//! the gauge comes into it.

use crate::program::{Ended, at_root, command, spintrue};
use crate::support::{Folder, repository};
use serde_json::{Value, json};
use std::fs;

const SCRIPT: &str = "let gauge = gauge_file()\nnote \"{gauge.id}, {gauge.study_valid}\"\n";

fn certificate() -> String {
    fs::read_to_string(repository("scripts/gauges/line_gauge.toml")).unwrap()
}

fn folder(name: &str) -> Folder {
    let folder = Folder::new(&format!("gauges-{name}"));
    folder.file("s.spt", SCRIPT);
    folder.file("gauge.toml", certificate());
    folder
}

fn run(folder: &Folder, more: &[&str]) -> Ended {
    spintrue(folder, &[&["run", "s.spt", "--gauge-file", "gauge.toml"], more].concat())
}

const STUDY: &str = "\n[study]\nstation = \"bench-2\"\nmade = \"2026-01-20\"\ndue = \"2099-01-01\"\n\
                     in_scan = \"12 %\"\ncross_scan = \"13 %\"\n";

/// A file in which one piece of text is another.
fn refused(from: &str, to: &str) -> String {
    let folder = folder("refused");
    let text = certificate() + STUDY;
    assert!(text.contains(from), "{from}");
    folder.file("gauge.toml", text.replacen(from, to, 1));
    let mut program = command(&folder, &["run", "s.spt", "--gauge-file", "gauge.toml"]);
    let ended = Ended::from(program.env("COLUMNS", "80").output().unwrap());
    assert_eq!(ended.code, Some(2), "{to}: {}", ended.all());
    format!("## {from} -> {to}\n{}\n", ended.all())
}

#[test]
fn a_file_of_no_use_is_refused() {
    let all = [
        ("due = \"2099-01-17\"", "due = \"2020-01-17\""),
        ("calibrated = \"2026-01-17\"", "calibrated = \"2098-01-17\""),
        ("2026-01-17", "17.1.2026"),
        ("id = \"LG-1\"", ""),
        ("offset = \"0.3 um\"", "offset = \"0.3 V\""),
        ("slope", "slop"),
        ("[across]", "[acros]"),
        ("in_scan = \"12 %\"", ""),
    ];
    let told: String = all.iter().map(|(from, to)| refused(from, to)).collect();
    insta::assert_snapshot!(told);
}

#[test]
fn a_record_names_the_gauge() {
    let folder = folder("named");
    let ended = run(&folder, &["--record", "r"]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    let record: Value = serde_json::from_str(&folder.read("r/record.json")).unwrap();
    let named = &record["identity"]["named"];
    assert_eq!(
        (&named["gauge"], &named["gauge_certificate"]),
        (&json!("LG-1"), &json!("2026-0117"))
    );
    let again = record["identity"]["again"].to_string();
    assert!(again.contains("\"--gauge-file\",\"gauge.toml\""), "{again}");
    let same = ["--record", "s", "--identity", "gauge=LG-1"];
    assert_eq!(run(&folder, &same).code, Some(0));
    let other = ["--record", "t", "--identity", "gauge=LG-2"];
    let told = run(&folder, &other);
    assert_eq!(told.code, Some(2));
    assert!(told.words().contains("the file of the gauge says LG-1"), "{}", told.all());
}

#[test]
fn a_study_holds_at_its_station() {
    let folder = folder("station");
    folder.file("gauge.toml", certificate() + STUDY);
    let at = |station: &str, record: &str| {
        run(&folder, &["--record", record, "--identity", &format!("station={station}")])
    };
    let here = at("bench-2", "r");
    assert!(here.code == Some(0) && here.words().contains("LG-1, true"), "{}", here.all());
    let there = at("bench-3", "s");
    let why = "was made at station bench-2, and this is bench-3";
    assert!(there.code == Some(2) && there.words().contains(why), "{}", there.all());
    folder.file("gauge.toml", certificate() + &STUDY.replace("2099-01-01", "2026-02-01"));
    let late = at("bench-2", "t");
    assert!(late.words().contains("LG-1, false"), "{}", late.all());
}

#[test]
fn a_study_that_passed_is_kept() {
    let folder = folder("kept");
    let gauge = folder.path("gauge.toml");
    let study = |record: &str, more: &[&str]| {
        let (record, answers) = (folder.path(record), "scripts/answers/gauge_study.toml");
        let own = ["run", "scripts/gauge_study.spt", "--answers", answers];
        at_root(&[&own[..], &["--gauge-file", &gauge, "--record", &record], more].concat())
    };
    let keep = |record: &str, due: &str| {
        let to = ["gauge", "keep", record, "gauge.toml", "--station", "bench-2", "--due", due];
        spintrue(&folder, &to)
    };
    let refused = |record: &str, due: &str, why: &str| {
        let (before, ended) = (folder.read("gauge.toml"), keep(record, due));
        assert!(ended.code == Some(2) && ended.words().contains(why), "{why}: {}", ended.all());
        assert_eq!(folder.read("gauge.toml"), before);
    };
    refused("none", "2098-12-31", "there is no folder none");
    assert_eq!(run(&folder, &["--record", "other"]).code, Some(0));
    refused("other", "2098-12-31", "it is not the record of scripts/gauge_study.spt");
    assert_eq!(study("bad", &["--set", "tolerance=1 um"]).code, Some(1));
    refused("bad", "2098-12-31", "its verdict is failed");
    let ended = study("study", &[]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    refused("study", "2020-01-01", "must be after the study");
    for _again in 0..2 {
        let ended = keep("study", "2098-12-31");
        assert_eq!(ended.code, Some(0), "{}", ended.all());
        let text = folder.read("gauge.toml");
        assert!(text.starts_with(certificate().trim_end()), "{text}");
        assert_eq!(text.matches("[study]").count(), 1, "{text}");
        assert!(run(&folder, &[]).words().contains("LG-1, true"));
    }
    folder.file("study/values.toml", folder.read("study/values.toml") + "# more\n");
    refused("study", "2098-12-31", "its record is not as it was written");
}

/// Outside the temperatures of its certificate a gauge proves nothing: the check fails, and what goes on is stopped.
#[test]
fn a_gauge_holds_at_the_temperatures_of_its_certificate() {
    let folder = folder("temperature");
    let channel = |name: &str, direction: &str, more: &str| {
        format!(
            "[[channel]]\nname = \"{name}\"\ndirection = \"{direction}\"\nunit = \"degC\"\n\
             least = \"0 degC\"\nmost = \"50 degC\"\n{more}\n"
        )
    };
    let heater = channel("heater", "output", "at_safe = \"keep\"\ninitially = \"22 degC\"");
    let room = channel("room", "input", "follows = \"heater\"\ntime_constant = \"10 s\"");
    folder.file("head.toml", heater + &room);
    folder.file("gauge.spt", fs::read_to_string(repository("scripts/lib/gauge.spt")).unwrap());
    let script = "use \"gauge.spt\"\nparam thermometer = \"room\"\ncheck_gauge_temperature(thermometer, true)
set_channel(\"heater\", to: 40 degC)\nhold gauge_in_range(thermometer) every 100 ms { wait 20 s }
note \"over\"\n";
    folder.file("s.spt", script);
    let head = ["--head", "sim:head.toml", "--record", "r"];
    let ended = run(&folder, &head);
    assert_eq!(ended.code, Some(1), "{}", ended.all());
    let told = ended.words();
    assert!(
        told.contains(
            "check temperature at the gauge: 22 degC within 18 degC .. 26 degC: conforms"
        ),
        "{told}"
    );
    assert!(
        told.contains(
            "the gauge is at 26.1 degC, and its certificate holds from 18 degC to 26 degC"
        ),
        "{told}"
    );
    assert!(folder.read("r/report.html").contains("the gauge is at 26.1 °C"));
    // Without a channel the record says that nothing reads it.
    let ended = run(&folder, &["--head", "sim:head.toml", "--set", "thermometer=\"\""]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    assert!(ended.words().contains("nothing reads the temperature there"), "{}", ended.all());
    // A head is not accepted.
    folder.file("head.toml", channel("room", "input", "initially = \"28 degC\""));
    let accept = repository("scripts/accept.spt");
    let gauge = ["run", &accept, "--gauge-file", "gauge.toml", "--head", "sim:head.toml"];
    let ended = spintrue(&folder, &[&gauge[..], &["--set", "gauge_thermometer=room"]].concat());
    assert_eq!(ended.code, Some(1), "{}", ended.all());
    assert!(
        ended.words().contains(
            "temperature at the gauge: 28 degC within 18 degC .. 26 degC: DOES NOT CONFORM"
        ),
        "{}",
        ended.all()
    );
}
