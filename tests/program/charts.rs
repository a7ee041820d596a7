//! `read_chart` from outside: what the simulated medium shows of a chart is given as its scan. How scans are read is
//! tested with models of scanners in `tests/extra/chart.sh`.

use crate::program::{Ended, shell, spintrue, typed};
use crate::support::Folder;
use std::fs;

/// A gauge that hardly errs, for the truth.
const GAUGE: &str =
    "[gauge]\nnoise = \"0.02 um\"\nresolution = \"0.001 um\"\nstated = \"0.02 um\"\n";

/// What scripts here begin with.
const BEGIN: &str = r#"
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 152.4 mm, resolution: 300 dpi)
"#;

/// Trims by charts. The gauge says how lines lie; all is against the mean of the facets.
const TRIMS: &str = r#"
routine exposed(chart: text, plan: plan) {
    arm at 35 % { record "exposed {chart}": expose(chart, plan) }
}
routine read(chart: text, plan: plan) -> list of line {
    for _try in 0..6 {
        let scan = ask "scan of {chart}": text
        try { return read_chart(chart, plan, scan) } catch problem {
            if problem.kind != "no_scan" { fail problem }
            note problem.message
        }
    }
    fail "no scan"
}
routine off(lines: list of line) -> list of length {
    let mean = worst(lines)
    let along = [line.in_scan - mean.in_scan_common for line in lines]
    return along + [line.cross_scan - mean.cross_scan_common for line in lines]
}
routine farthest(all: list of length) -> length { return largest([abs(one) for one in all]) }
routine gauged(plan: plan) -> list of line {
    arm at 35 % { return test_lines(plan, readings: 4) }
}

load(no_trims())
exposed("before.pbm", plan)
let before = read("before.pbm", plan)
let truth = gauged(plan)
let here = off(before)
let there = off(truth)
expect "they were off": farthest(there) >= 20 um
expect "as the gauge says": farthest([here[k] - there[k] for k in 0..count(here)]) <= 0.8 um
expect "no place": before[0].in_scan_u >= 5 mm and before[0].cross_scan_u >= 5 mm
expect "no length": before[0].length_error_u >= 1 mm
let trims = corrected(before, plan)
load(trims)
exposed("after.pbm", plan)
let after = read("after.pbm", plan)
expect "trims of the exposure": after[5].cross_scan_trim == loaded_trims()[5].cross_scan
let left = gauged(plan)
expect "trimmed": farthest(off(left)) <= 1.2 um
record "before": before
record "after": after
// Others are in force by now, and the lines still tell those of their exposure.
load(no_trims())
expect "remembered": corrected(read("after.pbm", plan), plan) == corrected(after, plan)
let told = read_chart("after.pbm", plan, "sheets/chart-2.png", trims: no_trims())
expect "others were told": told[5].cross_scan_trim == 0 urad
expect "what all share": gauged(plan)[0].in_scan_u <= 1 um
"#;

fn draw(folder: &Folder, chart: &str, more: &[&str]) {
    let own = ["--length", "152.4mm", "--sheet", "170x120mm", "--reach", "100um"];
    let ended = spintrue(folder, &[&["chart", "draw", chart], &own[..], more].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.words());
}

fn run(folder: &Folder, script: &str, more: &[&str]) -> Ended {
    folder.file("print.spt", format!("{BEGIN}{script}"));
    spintrue(folder, &[&["run", "print.spt"], more].concat())
}

fn answers(folder: &Folder, all: &[(&str, &[&str])]) {
    let lines = all.iter().map(|(chart, scans)| format!("\"scan of {chart}\" = {scans:?}\n"));
    folder.file("answers.toml", lines.collect::<String>());
}

/// Two charts against a faultless gauge of the same head: lines, the trims that follow, and what these make of the lines.
/// Scans of no use are refused and asked for again; the record holds, and a recording gives the same.
#[test]
fn a_script_trims_by_charts() {
    let folder = Folder::new("charts");
    folder.file("head.toml", GAUGE);
    draw(&folder, "before.pbm", &["--date", "2026-05-01"]);
    draw(&folder, "after.pbm", &["--date", "2026-05-02"]);
    folder.file("text.png", "no image");
    let wrong = ["none.png", ".", "text.png", "before.pbm"];
    let good = ["sheets/chart-1.png", "sheets/chart-2.png", "sheets/chart-2.png"];
    answers(&folder, &[("before.pbm", &[&wrong[..], &good[..1]].concat()), ("after.pbm", &good)]);
    let by = ["--answers", "answers.toml"];
    let more = ["--head", "sim:head.toml", "--sheets", "sheets", "--record", "kept"];
    let ended = run(&folder, TRIMS, &[&by[..], &more, &["--trace", "run.trace"]].concat());
    let said = ended.words();
    assert_eq!(ended.code, Some(0), "{said}");
    for says in [
        "there is no file none.png",
        ". is a folder, not a file",
        "the scan text.png: it is no PNG, TIFF, PGM or JPEG image",
        "the scan before.pbm: it has only black and white",
        "the scan sheets/chart-1.png: by its code this is chart",
        "9 of 9 conform",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
    let report = folder.read("kept/report.html");
    for says in ["Sheet 1, scanned as sheets/chart-1.png", "Sheet 4, scanned as sheets/chart-2.png"]
    {
        assert!(report.contains(says), "{says}");
    }
    let verified = spintrue(&folder, &["record", "verify", "kept"]);
    assert_eq!(verified.code, Some(0), "{}", verified.words());
    let replay = ["--head", "replay:run.trace", "--record", "again"];
    let ended = run(&folder, TRIMS, &[&by[..], &replay].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.words());
    for table in ["table_before.csv", "table_after.csv"] {
        assert_eq!(folder.read(&format!("kept/{table}")), folder.read(&format!("again/{table}")));
    }
}

/// A chart that is named by plain text is looked at before anything moves; one of another name when it is read.
#[test]
fn wrong_charts_are_refused() {
    let folder = Folder::new("wrong_charts");
    draw(&folder, "chart.pbm", &["--date", "2026-05-01"]);
    folder.file("other.toml", "[head]\nserial = \"SIM-0002\"\n");
    draw(&folder, "head.pbm", &["--date", "2026-05-01", "--head", "sim:other.toml"]);
    draw(&folder, "speed.pbm", &["--date", "2026-05-01", "--speed", "4000rpm"]);
    let mut bytes = fs::read(folder.path("chart.pbm")).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    folder.file("changed.pbm", &bytes);
    folder.file("short.pbm", &bytes[..20_000]);
    folder.file("page.pbm", [b"P4 1800 40\n".as_slice(), &[0x55; 225 * 40]].concat());
    for (chart, says) in [
        ("none.pbm", "there is no file none.pbm"),
        ("page.pbm", "it is no chart of spintrue"),
        ("changed.pbm", "its dots are not those of its header"),
        ("short.pbm", "the file ends after"),
        ("head.pbm", "a chart of another head"),
        ("speed.pbm", "a chart of another plan: give that one, plan_line(4000 rpm, length: 0.1523"),
    ] {
        let script = format!("record \"lines\": read_chart(\"{chart}\", plan, \"none.png\")");
        let ended = run(&folder, &script, &[]);
        let said = ended.words();
        assert!(ended.code == Some(2) && said.contains(says), "{says}: {said}");
        assert!(!said.contains("waiting until locked"), "{said}");
        let script = format!(
            "param name: text = \"{chart}\"
try {{ record \"lines\": read_chart(name, plan, \"none.png\") }} catch problem {{
    note \"{{problem.kind}}: {{problem.message}}\"
}}"
        );
        let ended = run(&folder, &script, &[]);
        let said = ended.words();
        assert!(ended.code == Some(0) && said.contains("value: "), "{said}");
        assert!(said.contains(says) || chart == "short.pbm", "{says}: {said}");
    }
    let print = ["head", "expose", "chart.pbm", "--out", "print.png", "--pixels-per-dot", "4"];
    let ended = spintrue(&folder, &print);
    assert_eq!(ended.code, Some(0), "{}", ended.words());
    for (statement, says) in [
        (r#"record "it": read_chart("chart.pbm", plan, "x", trims: [])"#, "0 trims for 10 facets"),
        (
            r#"record "it": corrected(read_chart("chart.pbm", plan, "print.png"), plan)"#,
            "give `trims` to `read_chart`",
        ),
        (r#"record "it": read_chart("chart.pbm", plan, "none.png")"#, "UNANSWERED"),
        // Light for a sheet that tells nothing is refused.
        (r#"arm at 35 % { record "it": expose("head.pbm", plan) }"#, "a chart of another head"),
        (r#"arm at 35 % { record "it": expose("speed.pbm", plan) }"#, "a chart of another plan"),
    ] {
        let ended = run(&folder, statement, &[]);
        let said = ended.words();
        assert!(ended.code != Some(0) && said.contains(says), "{says}: {said}");
    }
}

/// Options that serve charts where no print is the gauge.
#[test]
fn options_of_charts_are_refused_where_they_do_nothing() {
    let folder = Folder::new("chart_options");
    draw(&folder, "chart.pbm", &["--date", "2026-05-01"]);
    folder.file("before/chart-1.png", "x");
    let reads = "record \"lines\": read_chart(\"chart.pbm\", plan, \"none.png\")";
    for (script, more, says) in [
        ("", &["--sheets", "sheets"][..], "or to a script with `read_chart`"),
        ("", &["--ruler", "ruler.toml"], "or to a script with `read_chart`"),
        (reads, &["--sheets", "before"], "chart-1.png is there already"),
        (reads, &["--ruler", "ruler.toml"], "there is no file ruler.toml"),
        (reads, &["--places", "3"], "add `--gauge print`"),
    ] {
        let ended = run(&folder, script, more);
        let said = ended.words();
        assert!(ended.code == Some(2) && said.contains(says), "{says}: {said}");
        assert!(!said.contains("waiting until locked"), "{said}");
    }
}

/// What is typed at the prompt: entries, and the answer to a question.
#[test]
fn the_shell_reads_charts() {
    let folder = Folder::new("charts_shell");
    draw(&folder, "chart.pbm", &["--date", "2026-05-01"]);
    let entries = "\
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 152.4 mm, resolution: 300 dpi)
arm at 35 % { let page = expose(\"chart.pbm\", plan) }
try { record \"none\": read_chart(\"chart.pbm\", plan, \"none.png\") } catch problem { note \"{problem.kind}: {problem.message}\" }
let scan = ask \"file of the scan\": text
sheets/chart-1.png
let lines = read_chart(\"chart.pbm\", plan, scan)
worst(lines).cross_scan_spread > 40 um
load(corrected(lines, plan))
arm at 35 % { record \"dark\": read_chart(\"chart.pbm\", plan, scan) }
";
    let (said, _) = typed(shell(&folder, &["--sheets", "sheets"]), entries);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for says in [
        "no_scan: there is no file none.png",
        "What the simulated medium shows is in sheets/chart-1.png",
        "chart.pbm: 81 of 81 lines are read",
        "true",
        "reads a scan while the laser is armed",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
}
