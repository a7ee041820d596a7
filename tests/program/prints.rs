//! `--gauge print` from outside: what the simulated medium shows is given as the scan. `tests/extra/print_gauge.py` plays a
//! person with a scanner.

use crate::program::{Ended, spintrue};
use crate::support::{Folder, repository};

/// What a person answers to the questions of sheets.
const READY: &str = "\"Medium in place, other pages out of the way, covers closed, eyewear on: may light come out?\" = \"yes\"";

fn run(folder: &Folder, script: &str, more: &[&str]) -> Ended {
    let script = repository(&format!("scripts/{script}.spt"));
    spintrue(folder, &[&["run", &script], more].concat())
}

fn answers(folder: &Folder, scans: &[&str]) {
    let scans: Vec<String> = scans.iter().map(|name| format!("\"sheets/{name}\"")).collect();
    let list = scans.join(", ");
    let scan = format!("\"File of the scan of the sheet just exposed\" = [{list}]");
    folder.file("answers.toml", format!("{READY}\n{scan}\n"));
}

const PRINT: [&str; 8] =
    ["--gauge", "print", "--sheets", "sheets", "--answers", "answers.toml", "--sheet", "170x120mm"];

/// The whole way: three sheets, trims that are stored, and a recording that plays back with the same scans.
#[test]
fn facets_are_trimmed_by_prints() {
    let folder = Folder::new("prints");
    // The chart instead of its scan, and an older sheet, are refused and asked for again.
    answers(
        &folder,
        &["sheet-1.pbm", "sheet-1.png", "sheet-1.png", "sheet-2.png", "none.png", "sheet-3.png"],
    );
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
        "the scan sheets/sheet-1.png: this is chart",
        "there is no file sheets/none.png",
        "trims stored",
        "laser is off. The polygon still turns",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
    assert!(folder.read("head.json").contains("in_scan"));
    let told: serde_json::Value =
        serde_json::from_str(&folder.read("sheets/sheet-3.json")).unwrap();
    for facet in told["facets"].as_array().unwrap() {
        for mark in facet["marks"].as_array().unwrap() {
            let off = mark["in_scan"]["value"].as_f64().unwrap();
            assert!(off.abs() < 6e-6, "{facet}");
        }
    }
    assert!(folder.read("kept/record.json").contains("\"--gauge\""));
    // The record shows the first sheet and the last, and holds the pictures of all three.
    let report = folder.read("kept/report.html");
    for says in
        ["Sheet 1, scanned as", "Sheet 3, scanned as", "Circles: sheet 1. Squares: sheet 3."]
    {
        assert!(report.contains(says), "{says}");
    }
    assert!(!report.contains("Sheet 2, scanned as"));
    for number in 1..=3 {
        let read = folder.read(&format!("kept/sheet-{number}.json"));
        assert_eq!(read, folder.read(&format!("sheets/sheet-{number}.json")));
    }
    let verified = spintrue(&folder, &["record", "verify", "kept"]);
    assert_eq!(verified.code, Some(0), "{}", verified.words());
    // The same sheets, so the same codes.
    answers(&folder, &["sheet-1.png", "sheet-2.png", "sheet-3.png"]);
    let again = ["--set", "length=150mm", "--head", "replay:run.trace", "--force"];
    let ended = run(&folder, "trim_facets", &[&PRINT[..], &again].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.words());
}

#[test]
fn what_cannot_be_measured_by_prints_is_refused_before_anything_moves() {
    let folder = Folder::new("no_prints");
    answers(&folder, &["sheet-1.png"]);
    folder.file("sheets_before/sheet-1.pbm", "x");
    let gauge = repository("scripts/gauges/line_gauge.toml");
    for (more, says) in [
        (&["--gauge", "print"][..], "--sheets <DIR>"),
        (&["--sheets", "sheets"], "--gauge <GAUGE>"),
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
