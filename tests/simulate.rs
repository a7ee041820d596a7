//! Campaigns over many simulated heads, through the binary.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;

use common::Folder;
use insta::assert_snapshot;
use std::fs;
use std::process::{Command, Output};

fn simulate(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_spintrue")).arg("simulate").args(arguments).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn seen(output: &Output) -> String {
    let errors = String::from_utf8_lossy(&output.stderr);
    let errors = if errors.is_empty() {
        String::new()
    } else {
        format!("{errors}──── standard error above\n")
    };
    format!("{errors}{}──── exit code {:?}", out(output), output.status.code())
}

const SCRIPT: &str = "scripts/bring_up.spt";

#[test]
fn neither_threads_nor_shards_nor_their_order_change_a_result() {
    let folder = Folder::new("simulate-shards");
    let file = |k: u32| folder.path(&format!("{k}.json"));
    let common = [SCRIPT, "--heads", "23", "--seed", "5"];
    let whole = |threads: &str| {
        let path = file(0);
        let output =
            simulate(&[&common[..], &["--threads", threads, "--out", &path, "--force"]].concat());
        assert_eq!(output.status.code(), Some(0));
        (out(&output), fs::read_to_string(path).unwrap())
    };
    let one = whole("1");
    assert_eq!(one, whole("3"));
    for (k, shard) in [(1, "1/3"), (2, "2/3"), (3, "3/3")] {
        let path = file(k);
        let output = simulate(&[&common[..], &["--shard", shard, "--out", &path]].concat());
        assert_eq!(output.status.code(), Some(0));
    }
    let merged = simulate(&["--merge", &file(3), &file(1), &file(2)]);
    assert_eq!(out(&merged), one.0);
    // A campaign of one shard and one of three differ in nothing else.
    let again = simulate(&["--merge", &file(2), &file(3), &file(1), "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(json["heads"], 23);
    assert_eq!(json["campaign"]["shards"], 3);
}

/// The heads of a campaign are those that `run` makes from the same seeds.
#[test]
fn a_head_of_a_campaign_can_be_run_again() {
    let output = simulate(&[SCRIPT, "--heads", "4", "--seed", "11", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let values = json["values"].as_array().unwrap();
    let worst = values.iter().find(|v| v["label"] == "worst in-scan").unwrap();
    let seed = worst["most"]["seed"].to_string();
    let run = Command::new(env!("CARGO_BIN_EXE_spintrue"))
        .args(["run", SCRIPT, "--json", "--seed", &seed])
        .output()
        .unwrap();
    let lines = out(&run);
    let recorded = lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .find(|event| event["name"] == "worst in-scan")
        .unwrap();
    assert_eq!(recorded["value"]["value"], worst["most"]["value"]);
}

#[test]
fn what_people_see() {
    let folder = Folder::new("simulate-seen");
    let text = "[facets]\nfacet_to_axis = \"7 arcsec\"\n[gauge]\nnoise = \"1.2 um\"\n\
                [trims]\ncross_scan_range = \"85 urad\"\n";
    let address = format!("sim:{}", folder.file("wide.toml", text).display());
    let output = simulate(&[SCRIPT, "--heads", "40", "--head", &address, "--yield-least", "95 %"]);
    let text = seen(&output).replace(&folder.0.display().to_string(), "FOLDER");
    // Names of files aside, it fits 80 columns.
    let fits = |line: &str| line.chars().count() <= 80 || line.contains("FOLDER");
    assert!(text.lines().all(fits), "{text}");
    assert_snapshot!(text);
}

/// Every head is answered from the first answer on; without a file nobody is asked, terminal or not.
#[test]
fn every_head_gets_the_same_answers() {
    let folder = Folder::new("simulate-answers");
    let path = |name: &str, text: &str| folder.file(name, text).display().to_string();
    let script = "\
repeat 2 times {
    let gap = ask \"gap\": length within 0 mm .. 5 mm
    record \"gap\": gap
}
";
    let script = path("asks.spt", script);
    let answers = path("answers.toml", "gap = [\"1 mm\", \"2 mm\"]\n");
    let few = path("few.toml", "gap = [\"1 mm\"]\n");
    let wrong = path("wrong.toml", "gap = [\"1 s\"]\n");
    let run = |answers: &str| {
        simulate(&[&script, "--heads", "5", "--threads", "2", "--json", "--answers", answers])
    };
    let results = |output: &Output| -> serde_json::Value {
        assert_eq!(output.status.code(), Some(0), "{}", seen(output));
        serde_json::from_str(&out(output)).unwrap()
    };
    let all = results(&run(&answers));
    assert_eq!(all["passed"], 5, "{all}");
    assert_eq!(results(&run(&few))["passed"], 0);
    for (arguments, code) in [
        (&[script.as_str(), "--heads", "2"][..], "E0905"),
        (&[&script, "--heads", "2", "--answers", &wrong], "E0906"),
    ] {
        let output = simulate(arguments);
        assert_eq!(output.status.code(), Some(2), "{}", seen(&output));
        assert!(seen(&output).contains(code), "{}", seen(&output));
    }
}

#[test]
fn mistakes_are_told_before_any_head_is_run() {
    let folder = Folder::new("simulate-mistakes");
    let path = |name: &str, text: &str| folder.file(name, text).display().to_string();
    let wrong = path("wrong.spt", "spin(4800)\n");
    let bad_head = path("bad.toml", "[facets]\ncount = 0\n");
    let no_results = path("no.json", "{}\n");
    let bad_head = format!("sim:{bad_head}");
    let results = |name: &str, seed: &str| {
        let path = folder.path(name);
        simulate(&[SCRIPT, "--heads", "2", "--seed", seed, "--out", &path]);
        path
    };
    let (whole, other) = (results("whole.json", "1"), results("other.json", "2"));
    let mut cut: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&whole).unwrap()).unwrap();
    cut["rows"].as_array_mut().unwrap().pop();
    let cut_short = path("cut.json", &cut.to_string());
    let nowhere = folder.path("nowhere/out.json");
    let cases: &[&[&str]] = &[
        &[&wrong],
        &[SCRIPT, "--head", &bad_head],
        &[SCRIPT, "--head", "sim?seed=3"],
        &[SCRIPT, "--out", &nowhere],
        &[SCRIPT, "--seed", "18446744073709551615", "--heads", "2"],
        &["--merge", &no_results],
        &["--merge", &nowhere],
        &["--merge", &cut_short],
        &["--merge", &whole, &other],
        &[SCRIPT, "--shard", "3/2"],
        &[SCRIPT, "--heads", "0"],
        &[SCRIPT, "--yield-least", "2"],
    ];
    let mut text = String::new();
    for case in cases {
        let output = simulate(case);
        assert_eq!(output.status.code(), Some(2), "{case:?}");
        text.push_str(&format!("$ simulate {}\n{}\n\n", case.join(" "), seen(&output)));
    }
    assert_snapshot!(text.replace(&folder.0.display().to_string(), "FOLDER"));
}
