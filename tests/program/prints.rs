//! `--gauge print` from outside: what the simulated medium shows is given as the scan. `tests/extra/print_gauge.py` plays a
//! person with a scanner.

use crate::program::{Ended, shell, spintrue, typed};
use crate::support::{Folder, repository};

/// What a person answers to the questions of sheets.
const READY: &str = "\"Medium in place, other pages out of the way, covers closed, eyewear on: may light come out?\" = \"yes\"";

fn run(folder: &Folder, script: &str, more: &[&str]) -> Ended {
    let script = repository(&format!("scripts/{script}.spt"));
    spintrue(folder, &[&["run", &script], more].concat())
}

fn answers(folder: &Folder, scans: &[&str]) {
    answers_after(folder, &[], scans);
}

/// Answers where an earlier run exposed sheets.
fn answers_after(folder: &Folder, before: &[&str], scans: &[&str]) {
    let mut lines = READY.to_string();
    for (which, scans) in [("that an earlier run", before), ("just", scans)] {
        if !scans.is_empty() {
            let scans: Vec<String> =
                scans.iter().map(|name| format!("\"sheets/{name}\"")).collect();
            let list = scans.join(", ");
            lines += &format!("\n\"File of the scan of the sheet {which} exposed\" = [{list}]");
        }
    }
    folder.file("answers.toml", lines);
}

const PRINT: [&str; 8] =
    ["--gauge", "print", "--sheets", "sheets", "--answers", "answers.toml", "--sheet", "170x120mm"];

/// The whole way: two sheets, trims that are stored, and a recording that plays back with the same scans.
#[test]
fn facets_are_trimmed_by_prints() {
    let folder = Folder::new("prints");
    // The chart instead of its scan, and an older sheet, are refused and asked for again.
    answers(&folder, &["sheet-1.pbm", "sheet-1.png", "sheet-1.png", "none.png", "sheet-2.png"]);
    let more = [
        "--set",
        "length=150mm",
        "--head",
        "sim?memory=head.json",
        "--trace",
        "run.trace",
        "--record",
        "kept",
    ];
    let ended = run(&folder, "trim_facets", &[&PRINT[..], &more].concat());
    let said = ended.words();
    assert_eq!(ended.code, Some(0), "{said}");
    for says in [
        "sheet-1.pbm: it has only black and white",
        "the scan sheets/sheet-1.png: by its code this is chart",
        "there is no file sheets/none.png",
        "trims stored",
        "laser is off. The polygon still turns",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
    assert!(folder.read("head.json").contains("in_scan"));
    let told: serde_json::Value =
        serde_json::from_str(&folder.read("sheets/sheet-2.json")).unwrap();
    for facet in told["facets"].as_array().unwrap() {
        for mark in facet["marks"].as_array().unwrap() {
            let off = mark["in_scan"]["value"].as_f64().unwrap();
            assert!(off.abs() < 6e-6, "{facet}");
        }
    }
    assert!(folder.read("kept/record.json").contains("\"--gauge\""));
    // The record shows the first sheet and the last.
    let report = folder.read("kept/report.html");
    for says in
        ["Sheet 1, scanned as", "Sheet 2, scanned as", "Circles: sheet 1. Squares: sheet 2."]
    {
        assert!(report.contains(says), "{says}");
    }
    for number in 1..=2 {
        let read = folder.read(&format!("kept/sheet-{number}.json"));
        assert_eq!(read, folder.read(&format!("sheets/sheet-{number}.json")));
    }
    let verified = spintrue(&folder, &["record", "verify", "kept"]);
    assert_eq!(verified.code, Some(0), "{}", verified.words());
    // The same sheets, so the same codes.
    answers(&folder, &["sheet-1.png", "sheet-2.png"]);
    let again = ["--set", "length=150mm", "--head", "replay:run.trace", "--force"];
    let ended = run(&folder, "trim_facets", &[&PRINT[..], &again].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.words());
}

/// A run that ends while it waits for a scan goes on with it; `tests/extra/print_gauge.py` kills it instead.
#[test]
fn an_interrupted_run_goes_on_with_the_scan() {
    let folder = Folder::new("prints_resumed");
    let memory = ["--set", "length=150mm", "--head", "sim?memory=head.json"];
    let print = |more: &[&str]| run(&folder, "trim_facets", &[&PRINT[..], more].concat());
    let go = |more: &[&str]| print(&[&memory[..], more].concat());
    answers(&folder, &["sheet-1.png"]);
    let ended = go(&[]);
    assert_eq!(ended.code, Some(3), "{}", ended.words());
    assert!(folder.read("sheets/sheet-2.exposed.json").contains("pulses"));
    assert!(go(&[]).words().contains("is there already"));
    let kept = folder.read("sheets/sheet-1.exposed.json");
    let pulses = kept.find("\"pulses\":[").unwrap();
    let rest = &kept[pulses + kept[pulses..].find(']').unwrap()..];
    answers_after(&folder, &["sheet-1.png", "sheet-2.png"], &[]);
    for (text, more, says) in [
        (kept.clone(), &["--set", "length=145mm"][..], "exposed with another plan"),
        (kept.clone(), &["--seed", "2"], "another polygon"),
        (kept.clone(), &["--places", "4"], "another sheet, places, reach"),
        (kept.replace("\"power\":0.35", "\"power\":0.3"), &[], "exposed with another power"),
        (
            format!("{{\"at\":\"2026-02-01T00:00:00Z\"{}", &kept[kept.find(",").unwrap()..]),
            &[],
            "24 hours",
        ),
        (format!("{}\"pulses\":[{rest}", &kept[..pulses]), &[], "do not tell"),
        ("{".to_string(), &[], "is damaged"),
    ] {
        folder.file("sheets/sheet-1.exposed.json", &text);
        let length = ["--set", "length=150mm"];
        let length = if more.contains(&"--set") { &[] } else { &length[..] };
        let ended = print(&[&["--resume"], length, more].concat());
        let said = ended.words();
        assert!(ended.code == Some(3) && said.contains(says), "{says}: {said}");
        assert!(!said.contains("is to be exposed"), "{said}");
    }
    folder.file("sheets/sheet-1.exposed.json", &kept);
    let chart = || std::fs::read(folder.path("sheets/sheet-2.pbm")).unwrap();
    let exposed = chart();
    let ended = go(&["--resume", "--record", "kept"]);
    let said = ended.words();
    assert_eq!(ended.code, Some(0), "{said}");
    assert!(said.contains("trims stored") && !said.contains("is to be exposed"), "{said}");
    assert!(exposed == chart());
    let answer = "sheets/sheet-2.png (sheet 2, exposed 20";
    assert!(folder.read("kept/report.html").contains(answer) || said.contains(answer), "{said}");
    // What it stored is what a run without an interruption stores.
    let whole = Folder::new("prints_whole");
    answers(&whole, &["sheet-1.png", "sheet-2.png"]);
    let ended = run(&whole, "trim_facets", &[&PRINT[..], &memory].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.words());
    let stored = |folder: &Folder| {
        let memory: serde_json::Value = serde_json::from_str(&folder.read("head.json")).unwrap();
        memory["trims"].clone()
    };
    assert!(stored(&whole).is_array());
    assert_eq!(stored(&folder), stored(&whole));
}

#[test]
fn what_cannot_be_measured_by_prints_is_refused_before_anything_moves() {
    let folder = Folder::new("no_prints");
    answers(&folder, &["sheet-1.png"]);
    folder.file("sheets_before/sheet-1.pbm", "x");
    let gauge = repository("scripts/gauges/line_gauge.toml");
    for (more, says) in [
        (&["--gauge", "print"][..], "--sheets <DIR>"),
        (&["--sheets", "sheets"], "add `--gauge print`, or leave it out"),
        (&["--resume"], "--gauge <GAUGE>"),
        (&["--sheet", "A4"], "`--sheet` belongs to a print as the gauge"),
        (&["--gauge", "print", "--sheets", "sheets"], "needs a person with a scanner"),
        (&[&PRINT[..], &["--allow", "reads,spins,emits,trims,stores"]].concat(), "add `asks`"),
        (&[&PRINT[..], &["--gauge-file", &gauge]].concat(), "a print has none"),
        (&[&PRINT[..], &["--ruler", "none.toml"]].concat(), "there is no file none.toml"),
        (
            &["--gauge", "print", "--sheets", "sheets_before", "--answers", "answers.toml"],
            "is there already",
        ),
        (&["--answers", "answers.toml"], "the script does not ask"),
    ] {
        let ended = run(&folder, "trim_facets", more);
        let said = ended.words();
        assert!(ended.code == Some(2) && said.contains(says), "{more:?}: {said}");
        assert!(!said.contains("locked at"), "{said}");
    }
    // A sheet on which no chart fits is told where the script measures.
    let small = [&PRINT[..6], &["--sheet", "100x60mm"]].concat();
    let ended = run(&folder, "trim_facets", &small);
    assert_eq!(ended.code, Some(3), "{}", ended.words());
    assert!(ended.words().contains("no sheet can be exposed"), "{}", ended.words());
}

/// What is typed at the prompt: entries, and answers where sheets are asked for.
#[test]
fn the_shell_measures_by_prints() {
    let folder = Folder::new("prints_shell");
    let print = ["--gauge", "print", "--sheets", "sheets", "--sheet", "170x120mm"];
    let entries = "\
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 150 mm, resolution: 300 dpi)
routine seen(plan: plan) -> list of line { arm at 35 % { return test_lines(plan) } }
let first = seen(plan)
yes
none.png
sheets/sheet-1.png
status().armed
let second = seen(plan)
abs(first[3].in_scan - first[0].in_scan - second[3].in_scan + second[0].in_scan) < 3 um
load(step_pattern(plan))
let stepped = seen(plan)
yes
sheets/sheet-2.png
trim_response(second, stepped, plan).trouble == \"\"
load(no_trims())
let fourth = seen(plan)
no
";
    let (said, code) = typed(shell(&folder, &print), entries);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for says in [
        "there is no file none.png",
        "Sheet 2 is exposed, and the laser is off",
        "the operator says that no light may come out",
        "the laser was armed and is off again",
        "head: laser off",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
    let flags: Vec<&str> =
        said.split(' ').filter(|word| ["true", "false"].contains(word)).collect();
    assert_eq!(flags, ["false", "true", "true"], "{said}");
    assert_eq!(said.matches("is to be exposed").count(), 3, "{said}");
    assert_ne!(code, Some(0));
    let (said, code) = typed(shell(&folder, &[&print[..], &["--allow", "reads"]].concat()), "");
    assert!(code == Some(2) && said.contains("add `asks`"), "{said}");
}
