//! Records of runs: what is in one, what verifying finds, and that a run that is cut off leaves what was
//! known.

use crate::program::{Ended, at_root, json_lines, recorded, spintrue};
use crate::support::{Folder, names};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;

const FILES: [&str; 8] = [
    "events.jsonl.gz",
    "junit.xml",
    "lines.csv.gz",
    "record.json",
    "report.html",
    "results.tap",
    "sources.json.gz",
    "values.toml",
];

/// A check of each outcome, values of each kind, and labels that every format must escape.
const FAILING: &str = r#"
expect "plain": 2 < 3
expect "rail # 1 \\ & <b>": 5.1 V ± 0.2 V within 4.75 V .. 5.25 V
expect "too large": 7 um <= 6 um
record "count": 3
record "count": 4
record "list": [1.5 mm, 2 mm]
record "room": 25 degC
record "said": "a \"quoted\" text"
record "good": 1 == 1
fail "the end # of it"
"#;

fn said(ended: &Ended) -> String {
    format!("{}{}", ended.out, ended.error)
}

fn verify(folder: &str) -> (i32, String) {
    let ended = at_root(&["record", "verify", folder]);
    (ended.code.unwrap(), said(&ended))
}

fn read(folder: &str, name: &str) -> String {
    recorded(format!("{folder}/{name}"))
}

/// Compressed as a file of a record.
fn packed(text: &str) -> Vec<u8> {
    let mut packed = GzEncoder::new(Vec::new(), Compression::default());
    packed.write_all(text.as_bytes()).unwrap();
    packed.finish().unwrap()
}

fn events(text: &str) -> Vec<Value> {
    json_lines(text)
}

/// A record is all that it takes to make the run again, to the same bytes, in another folder: every
/// text that it rests on, long and odd params, seed, faults from outside and from the script, answers,
/// an image, and what the head remembered before.
#[test]
fn a_run_is_made_again_from_its_record_alone() {
    let folder = Folder::new("record-again");
    let script = r#"use "lib/more.spt"
param offsets = [
    0.1 um, 0.2 um, 0.3 um, // three of them
    0.4 um, 0.5 um, 0.6 um, 0.7 um, 0.8 um, 0.9 um, 1.0 um, 1.1 um, 1.2 um
]
param points = [{facet: 0, shift: 1 um}]
param said = "two  blanks"
param word = "x"
param wide = 1 mm
param wider = wide * 2
let given = ask "gap": length within 0 mm .. 5 mm
record "gap": given
record "points": points
record "sum": sum(offsets) + twice(wider)
record "said": said + word
expect "{said}": offsets[0] + offsets[1] + offsets[2] + offsets[3] + offsets[4] + offsets[5] + offsets[6] <= 1 m
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
spin(4800 rpm)
wait until locked() within 20 s
provoke("gauge_lying(offset=3 um)", after: 0.1 s)
load(loaded_trims())
arm at 35 % {
    let seen = test_line(3, plan)
    let page = expose("dots.pbm", plan_line(4800 rpm, length: 8 / 300 dpi, resolution: 300 dpi))
    record "page": page
    record "seen": seen
}
store_trims()
"#;
    folder.file("first/s.spt", script);
    folder
        .file("first/lib/more.spt", "routine twice(x: length) -> length {\n    return 2 * x\n}\n");
    folder.file("first/head.toml", "[gauge]\nnoise = \"1.2 um\"\n");
    folder.file("first/sheet.toml", "wide = \"7 mm\"\n");
    folder.file("first/answers.toml", "gap = \"2 mm\"\n");
    folder.file("first/dots.pbm", b"P4\n8 2\n\xaa\x55");
    let run = |inside: &str, arguments: &[&str]| spintrue(folder.path(inside), arguments);
    let points = "points=[".to_string()
        + &(0..10)
            .map(|k| format!("{{facet: {k}, shift: {k}.5 um}}"))
            .collect::<Vec<_>>()
            .join(", ")
        + "]";
    let command = [
        &["run", "s.spt", "--head", "sim:head.toml?memory=kept.json", "--seed", "77"][..],
        &["--fault", "stuck_trim(facet=3)@400s", "--fault", "gauge_lying(offset=0.3um)@2.67min"],
        &["--set", "@sheet.toml", "--set", &points, "--set", "word=a  b"],
        &["--answers", "answers.toml"],
    ]
    .concat();
    // The first run leaves something in the memory of the head.
    let before = run("first", &command);
    assert_eq!(before.code, Some(0), "{}", said(&before));
    let made = run("first", &[&command[..], &["--record", "record"]].concat());
    assert_eq!(made.code, Some(0), "{}", said(&made));
    // Of a long text, people at the terminal see the beginning and are told so.
    assert!(said(&made).contains("... (shortened)"), "{}", said(&made));

    let first = folder.path("first/record");
    let record: Value = serde_json::from_str(&read(&first, "record.json")).unwrap();
    let sources: Value = serde_json::from_str(&read(&first, "sources.json")).unwrap();
    for file in sources["files"].as_array().unwrap() {
        let bytes = match file["text"].as_str() {
            Some(text) => text.as_bytes().to_vec(),
            None => STANDARD.decode(file["base64"].as_str().unwrap()).unwrap(),
        };
        folder.file(&format!("second/{}", file["name"].as_str().unwrap()), bytes);
    }
    let again = record["identity"]["again"].as_array().unwrap();
    let again: Vec<&str> = again.iter().map(|word| word.as_str().unwrap()).collect();
    let made = run("second", &[&again[..], &["--record", "record"]].concat());
    assert_eq!(made.code, Some(0), "{}", said(&made));
    let second = folder.path("second/record");
    for name in ["events.jsonl", "lines.csv", "values.toml", "answers.toml", "results.tap"] {
        assert_eq!(read(&first, name), read(&second, name), "{name}");
    }
    let faults =
        serde_json::json!(["stuck_trim(facet=3)@400 s", "gauge_lying(offset=0.3 um)@2.67 min"]);
    assert_eq!(record["identity"]["faults"], faults);
    assert!(
        record["identity"]["provoked"][0]
            .as_str()
            .unwrap()
            .starts_with("gauge_lying(offset=3 um)@")
    );
    // Nothing of it is cut anywhere.
    let points = points.strip_prefix("points=").unwrap();
    for name in ["events.jsonl", "record.json", "junit.xml", "report.html"] {
        assert!(read(&first, name).contains(points), "{name}");
    }
    for name in ["events.jsonl", "report.html"] {
        let condition = "offsets[4] + offsets[5] + offsets[6]";
        assert!(read(&first, name).contains(condition), "{name}");
        assert!(!read(&first, name).contains("(shortened)"), "{name}");
    }
}

/// Where the numbers come from stands in every file for people and machines.
#[test]
fn rehearsals_and_replays_are_marked_in_every_file() {
    let folder = Folder::new("record-marked");
    let script = folder.file("s.spt", "provoke(\"interlock_opened\", after: 400 s)\nwait 1 s\n");
    let (script, place) = (script.display().to_string(), folder.path("a"));
    let trace = folder.path("t.trace");
    let run = ["run", &script, "--record", &place, "--fault", "no_lock@160s", "--trace", &trace];
    assert_eq!(at_root(&run).code, Some(0));
    let replay = folder.path("b");
    let again = ["run", &script, "--record", &replay, "--head", &format!("replay:{trace}")];
    assert_eq!(at_root(&again).code, Some(0));
    for (place, replayed) in [(&place, false), (&replay, true)] {
        for name in ["junit.xml", "results.tap", "report.html", "record.json"] {
            let text = read(place, name);
            assert!(text.to_lowercase().contains("simulated"), "{name}");
            assert!(text.contains("no_lock@160 s"), "{name}");
            assert!(text.contains("interlock_opened@400 s"), "{name}: {text}");
            if name != "record.json" {
                assert_eq!(text.to_lowercase().contains("replay of"), replayed, "{name}");
            }
        }
        let shown = said(&at_root(&["record", "show", place]));
        let words = shown.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains("provoked by the script: interlock_opened@400 s"), "{shown}");
        assert!(words.contains("fails on purpose: no_lock@160 s"), "{shown}");
        assert_eq!(words.contains("head replay of "), replayed, "{shown}");
    }
}

/// What a check was decided on is drawn with its limits and told with its numbers, and nothing else is: not a
/// value that is near by chance, not the largest of negative values where the largest magnitude is another.
#[test]
fn a_report_draws_the_limits_of_what_was_decided_on() {
    let folder = Folder::new("record-decided");
    let script = r#"
let shifts = [{facet: k, shift: (k * 2 - 9) * 1 um, shift_u: 0.2 um} for k in 0..9]
record "seen": shifts
let rows = [{at: k * 1 min, place: 3 um + k * 0.1 um, other: 0.4 um - k * 0.13 um, far: -(k + 2) * 1 um} for k in 0..5]
record "over time", line: rows
expect "worst": largest([abs(s.shift) for s in shifts]) ± 1.5 um <= 8 um
expect "drift": linear_fit([r.at for r in rows], [r.place for r in rows]).slope ± 0.01 um/min <= 0.2 um/min
expect "largest": largest([r.far for r in rows]) ± 0.1 um <= 1 um
expect "near": 0.41 um ± 0.1 um <= 2 um
record "pitch": 84 um
expect "gap": 84.0 um ± 30 um <= 200 um
record "gain": 1.5 mm
expect "as recorded": 1.5 mm ± 0.1 mm <= 3 mm
"#;
    let script = folder.named("s.spt", script);
    let place = folder.path("record");
    let run = at_root(&["run", &script, "--record", &place]);
    assert_eq!(run.code, Some(4), "{}", said(&run));
    let page = read(&place, "report.html");
    let figure = |title: &str| {
        let (_, rest) = page.split_once(&format!("<b>{title}</b>")).expect(title);
        rest.split("</figure>").next().unwrap().to_string()
    };
    let (seen, over_time) = (figure("shift: seen"), |field| figure(&format!("over time: {field}")));
    let told = "Check “worst” (largest magnitude): 9.0 µm ± 1.5 µm, should be ≤ 8 µm: undecided.";
    assert!(seen.contains(told), "{seen}");
    // Two limits of a magnitude, each with the acceptance limit inside.
    assert_eq!((seen.matches(">limit<").count(), seen.matches(">accept<").count()), (2, 2));
    assert!(over_time("place").contains("Check “drift” (slope)"), "{}", over_time("place"));
    for field in ["other", "far"] {
        assert!(!over_time(field).contains("Check “"), "{}", over_time(field));
    }
    // The worst first, in a group of its own, with the margin to the acceptance limit.
    let (checks, _) = page.split_once("id=\"plots\"").unwrap();
    let order = ["must not ship", "undecided: 1", ">worst<", "−2.5 µm", "conforms: 5", ">drift<"];
    let places: Vec<usize> = order.iter().map(|words| checks.find(words).expect(words)).collect();
    assert!(places.is_sorted(), "{places:?}");
    // Equal numbers alone do not make one thing of two.
    assert!(
        page.contains("<td>84 µm</td>") && page.contains("<td>1.50 mm ± 0.10 mm</td>"),
        "{page}"
    );
}

#[test]
fn a_passing_run_is_recorded_whole() {
    let folder = Folder::new("record-whole");
    let place = folder.path("new/record");
    let run =
        at_root(&["run", "scripts/bring_up.spt", "--record", &place, "--operator", "shift 3"]);
    assert_eq!(run.code, Some(0), "{}", said(&run));
    let tables = |name: &String| name.starts_with("table_");
    let (tables, files): (Vec<_>, Vec<_>) = names(&place).into_iter().partition(tables);
    assert_eq!(files, FILES);
    assert_eq!(tables, ["table_after.csv", "table_before.csv", "table_trims.csv"]);
    let (code, told) = verify(&place);
    assert_eq!(code, 0, "{told}");
    assert!(told.contains("verdict: passed"), "{told}");

    let events = events(&read(&place, "events.jsonl"));
    let count = |kind: &str| events.iter().filter(|event| event["event"] == kind).count();
    assert_eq!(events[0]["event"], "start");
    assert_eq!(events[events.len() - 1]["exit_code"], 0);
    assert_eq!(count("check"), 27);
    assert!(count("call") > 50 && count("waiting") > 0 && count("recorded") == 17);
    let times = events.iter().filter_map(|event| event["time"].as_f64()).collect::<Vec<_>>();
    assert!(times.is_sorted(), "head time goes back");

    // What the gauge said stands in the rows of lines, and a call only where the order of lines changes.
    let lines = read(&place, "lines.csv");
    let rows: Vec<&str> = lines.split_terminator("\r\n").collect();
    let called = |name: &str| events.iter().filter(|event| event["call"]["name"] == name).count();
    assert_eq!((called("expose"), called("measure")), (1, 1), "and one reading that was lost");
    let heads: Vec<&str> = rows[0].split(',').collect();
    let cells = |row: usize| -> BTreeMap<&str, &str> {
        let cells: Vec<&str> = rows[row].split(',').collect();
        assert_eq!(cells.len(), heads.len());
        heads.iter().copied().zip(cells).collect()
    };
    let unread = (1..rows.len()).filter(|row| cells(*row)["marks_at"].is_empty());
    assert_eq!(unread.count(), 1);
    let first = cells(1);
    let in_scan: f64 = first["in_scan_um"].parse().unwrap();
    let numbers = first["marks_in_scan_um"].split(' ').map(|number| number.parse().unwrap());
    let shifts: Vec<f64> = numbers.collect();
    let (low, high) =
        shifts.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
    assert!(shifts.len() == 5 && (low..high).contains(&in_scan), "{in_scan} {shifts:?}");

    let manifest: Value = serde_json::from_str(&read(&place, "record.json")).unwrap();
    assert_eq!(manifest["identity"]["operator"], "shift 3");
    assert_eq!(manifest["identity"]["sources"].as_array().unwrap().len(), 7);
    let report = read(&place, "report.html");
    for wanted in ["PASSED", "Lasers and rotors", "Simulated", "shift 3", "lock 6.34 s", "<svg"] {
        assert!(report.contains(wanted), "{wanted}");
    }
    for from_elsewhere in ["http://", "https://", "<script", "<link"] {
        assert!(!report.contains(from_elsewhere), "{from_elsewhere}");
    }
}

/// Same script and seed, same bytes: only what tells the time of day differs.
#[test]
fn the_same_run_gives_the_same_bytes() {
    let folder = Folder::new("record-same");
    let places = [folder.path("one"), folder.path("two")];
    for place in &places {
        let run = at_root(&["run", "scripts/measure_only.spt", "--seed", "5", "--record", place]);
        assert!(run.code.is_some_and(|code| code < 2), "{}", said(&run));
    }
    for name in ["events.jsonl", "lines.csv", "values.toml", "results.tap"] {
        assert_eq!(read(&places[0], name), read(&places[1], name), "{name}");
    }
}

#[test]
fn recording_changes_nothing_of_a_run() {
    let folder = Folder::new("record-nothing");
    let plain = at_root(&["run", "scripts/bring_up.spt"]);
    let recorded = at_root(&["run", "scripts/bring_up.spt", "--record", &folder.path("record")]);
    assert_eq!(said(&plain), said(&recorded));
}

fn failing() -> (Folder, String) {
    let folder = Folder::new(&format!("record-failing-{:?}", std::thread::current().id()));
    folder.file("failing.spt", FAILING);
    let place = folder.path("record");
    let run = spintrue(&folder, &["run", "failing.spt", "--record", &place]);
    assert_eq!(run.code, Some(1), "{}", said(&run));
    (folder, place)
}

#[test]
fn results_of_a_failing_run() {
    let (_folder, place) = failing();
    insta::assert_snapshot!("failing.tap", read(&place, "results.tap"));
    insta::assert_snapshot!("failing.junit", redacted(&read(&place, "junit.xml")));
    insta::assert_snapshot!("failing.values", read(&place, "values.toml"));
    assert_eq!(verify(&place).0, 0);
    let report = read(&place, "report.html");
    assert!(report.contains("rail # 1 \\ &amp; &lt;b&gt;"), "labels are escaped");
    assert!(!report.contains("id=\"plots\""), "there is nothing to plot");
}

#[test]
fn results_of_a_passing_run() {
    let folder = Folder::new("record-passing");
    let place = folder.path("record");
    let run = at_root(&["run", "scripts/spin_only.spt", "--record", &place]);
    assert_eq!(run.code, Some(0), "{}", said(&run));
    insta::assert_snapshot!("passing.tap", read(&place, "results.tap"));
    insta::assert_snapshot!("passing.junit", redacted(&read(&place, "junit.xml")));
}

/// Without what differs from day to day and from version to version.
fn redacted(junit: &str) -> String {
    let mut text = String::new();
    for line in junit.lines() {
        if line.contains("name=\"started\"")
            || line.contains("name=\"spintrue\" value")
            || line.contains("name=\"sha256")
            || line.contains("name=\"host\"")
            || line.contains("name=\"commit\"")
            || line.contains("name=\"description\"")
        {
            continue;
        }
        match line.split_once(" timestamp=\"") {
            Some((before, after)) => {
                let after = after.split_once('"').unwrap().1;
                text.push_str(&format!("{before} timestamp=\"[time]\"{after}\n"));
            }
            None => text.push_str(&format!("{line}\n")),
        }
    }
    text
}

/// Every recorded value reads back: a script is given each by `--set`.
#[test]
fn values_read_back() {
    let folder = Folder::new("record-values");
    folder.file(
        "out.spt",
        "record \"a\": 1 mm / 3\nrecord \"b\": -2.5e-9 s\nrecord \"c\": 21 degC\n",
    );
    folder.file("in.spt", "param value = 0 mm\nrecord \"a\": value\n");
    let place = folder.path("record");
    assert_eq!(at_root(&["run", &folder.path("out.spt"), "--record", &place]).code, Some(0));
    let values: toml::Table = read(&place, "values.toml").parse().unwrap();
    let length = values["values"]["a"].as_str().unwrap().to_string();
    assert_eq!(values["values"]["c"].as_str(), Some("21 degC"));
    let again = folder.path("again");
    let set = format!("value={length}");
    let run = at_root(&["run", &folder.path("in.spt"), "--set", &set, "--record", &again]);
    assert!(run.code == Some(0), "{}", said(&run));
    let read_back: toml::Table = read(&again, "values.toml").parse().unwrap();
    assert_eq!(read_back["values"]["a"].as_str(), Some(length.as_str()));
}

#[test]
fn verifying_names_what_was_changed_missing_or_added() {
    let (_folder, place) = failing();
    for name in FILES {
        let path = format!("{place}/{name}");
        let whole = fs::read(&path).unwrap();
        let mut changed = whole.clone();
        let middle = changed.len() / 2;
        changed[middle] ^= 1;
        fs::write(&path, &changed).unwrap();
        let (code, told) = verify(&place);
        assert_eq!(code, 1, "{name}: {told}");
        assert!(told.contains(name), "{name}: {told}");
        fs::remove_file(&path).unwrap();
        let (code, told) = verify(&place);
        assert!(code == 1 && told.contains(&format!("{name} is missing")), "{name}: {told}");
        fs::write(&path, &whole).unwrap();
        assert_eq!(verify(&place).0, 0, "{name}");
    }
    fs::write(format!("{place}/more.txt"), "").unwrap();
    let (code, told) = verify(&place);
    assert_eq!(code, 1);
    assert!(told.contains("more.txt was added"), "{told}");
    fs::remove_file(format!("{place}/more.txt")).unwrap();

    fs::write(format!("{place}/record.json"), "{\n  \"format\": 7,\n  oops\n}\n").unwrap();
    let (code, told) = verify(&place);
    assert_eq!(code, 1);
    assert!(told.contains("record.json:3:3: key must be a string\n"), "{told}");
    assert_eq!(verify(&format!("{place}/nowhere")).0, 2);
    assert_eq!(verify("src").0, 2);
}

/// A file under another name is one that is missing and one that was added; a shorter one is changed.
#[test]
fn verifying_tells_renamed_and_shortened_files() {
    let (_folder, place) = failing();
    for name in FILES {
        let (path, other) = (format!("{place}/{name}"), format!("{place}/x-{name}"));
        let whole = fs::read(&path).unwrap();
        fs::rename(&path, &other).unwrap();
        let (code, told) = verify(&place);
        assert_eq!(code, 1, "{name}: {told}");
        assert!(told.contains(&format!("{name} is missing")), "{name}: {told}");
        fs::rename(&other, &path).unwrap();
        fs::write(&path, &whole[..whole.len() / 2]).unwrap();
        let (code, told) = verify(&place);
        assert!(code == 1 && told.contains(name), "{name}: {told}");
        fs::write(&path, &whole).unwrap();
    }
    assert_eq!(verify(&place).0, 0);
}

#[test]
fn what_is_no_record_of_this_program_is_told_apart() {
    let (folder, place) = failing();
    let path = format!("{place}/record.json");
    let manifest = fs::read_to_string(&path).unwrap();
    fs::write(&path, manifest.replace("\"version\": 2", "\"version\": 3")).unwrap();
    let (code, told) = verify(&place);
    assert!(code == 2 && told.contains("version 3 of the format"), "{told}");
    assert!(told.contains("use a newer spintrue"), "{told}");
    let (code, told) = verify(&folder.path("failing.spt"));
    assert!(code == 2 && told.contains("is not an archive"), "{told}");
}

fn show(folder: &str, more: &[&str]) -> (i32, String) {
    let output = at_root(&[&["record", "show", folder], more].concat());
    (output.code.unwrap(), said(&output))
}

/// A record is shown as its run was: each line of a check that the run printed stands there.
#[test]
fn a_record_is_shown_as_its_run_was() {
    let folder = Folder::new("record-shown");
    let place = folder.path("record");
    let run = at_root(&["run", "scripts/bring_up.spt", "--record", &place, "--operator", "me"]);
    let (code, told) = show(&place, &[]);
    assert_eq!(code, 0, "{told}");
    let run = said(&run);
    let checks: Vec<&str> = run.lines().filter(|line| line.contains("  check ")).collect();
    assert_eq!(checks.len(), 27);
    for line in checks {
        assert!(told.contains(line), "{line}\n{told}");
    }
    // The recorded values and their tables are the same, down to the blanks.
    let from = run.find("  speed reached").unwrap();
    let values = &run[from..run.find("\n\n  checks").unwrap()];
    assert!(told.contains(values), "{told}");
    for wanted in ["whole and as it was written", " by me", "simulated (seed 1)", "margin "] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
    assert!(told.ends_with("PASSED\n"));
    let (_, json) = show(&place, &["--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["state"], "whole");
    assert_eq!(json["checks"].as_array().unwrap().len(), 27);
    assert_eq!(json["end"]["verdict"], "passed");
    assert_eq!(json["identity"]["operator"], "me");
}

/// Questions and answers stand between the checks, in the order and the words of the run.
#[test]
fn what_was_answered_is_shown_as_its_run_was() {
    let folder = Folder::new("record-answers");
    let place = folder.path("record");
    let answers = ["--answers", "scripts/answers/fit_spacer.toml", "--record", &place];
    let run = at_root(&[&["run", "scripts/fit_spacer.spt"], &answers[..]].concat());
    let (code, told) = show(&place, &[]);
    assert_eq!(code, 0, "{told}");
    let stamped = |text: &str| {
        let lines = text.lines().filter(|line| line.starts_with("    0.00"));
        lines.map(str::to_string).collect::<Vec<_>>()
    };
    assert_eq!(stamped(&told), stamped(&said(&run)));
    assert_eq!(stamped(&told).len(), 7, "{told}");
    let (_, json) = show(&place, &["--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["answers"].as_array().unwrap().len(), 5);
}

#[test]
fn a_record_that_is_changed_or_cut_off_is_shown_and_says_so() {
    let (_folder, place) = failing();
    let (code, told) = show(&place, &[]);
    assert_eq!(code, 0);
    insta::assert_snapshot!("failing.shown", shown(&told, &place));
    let events = read(&place, "events.jsonl");
    let edited = packed(&events.replacen("too large", "too small", 1));
    fs::write(format!("{place}/events.jsonl.gz"), edited).unwrap();
    let (code, told) = show(&place, &[]);
    assert_eq!(code, 1);
    assert!(told.contains("NOT AS IT WAS WRITTEN") && told.contains("events.jsonl.gz was changed"));
    // Cut off in the middle of a line, and of a check that cannot be read.
    for name in FILES {
        fs::remove_file(format!("{place}/{name}")).unwrap();
    }
    fs::write(format!("{place}/UNFINISHED"), "").unwrap();
    let whole: Vec<&str> = events.split_inclusive('\n').take(7).collect();
    let part = format!("{}{{\"event\":\"check\"}}\noops\n{{\"event\":\"no", whole.concat());
    fs::write(format!("{place}/events.jsonl"), part).unwrap();
    let (code, told) = show(&place, &[]);
    assert_eq!(code, 1);
    insta::assert_snapshot!("cut_off.shown", shown(&told, &place));
    fs::remove_file(format!("{place}/events.jsonl")).unwrap();
    let (code, told) = show(&place, &[]);
    assert!(code == 2 && told.contains("there is no "), "{told}");
    assert_eq!(show(&format!("{place}/nowhere"), &[]).0, 2);
}

/// Without what differs from day to day and from place to place.
fn shown(told: &str, place: &str) -> String {
    let told = told.replace(place, "RECORD");
    let kept = told.lines().filter(|line| !line.starts_with("  started"));
    kept.map(|line| format!("{line}\n")).collect()
}

#[test]
fn a_folder_in_use_is_refused_before_anything_moves() {
    let (folder, place) = failing();
    let before = read(&place, "events.jsonl");
    folder.file("other/notes.txt", "mine");
    let cases = [
        (place.clone(), "holds a record already"),
        (folder.path("other"), "is not empty"),
        (folder.path("failing.spt"), "is a file"),
        (folder.path("failing.spt/record"), "cannot be written"),
    ];
    for (place, wanted) in cases {
        let run = at_root(&["run", "scripts/spin_only.spt", "--record", &place]);
        assert_eq!(run.code, Some(2), "{}", said(&run));
        assert!(said(&run).contains(wanted), "{}", said(&run));
        assert!(!said(&run).contains("locked"), "something moved: {}", said(&run));
    }
    assert_eq!(read(&place, "events.jsonl"), before);
}

/// A run that is refused for another reason leaves no folder.
#[test]
fn a_refused_run_leaves_no_folder() {
    let folder = Folder::new("record-refused");
    let place = folder.path("record");
    let run = at_root(&["run", "scripts/bring_up.spt", "--at-most", "1s", "--record", &place]);
    assert_eq!(run.code, Some(2));
    assert!(folder.names().is_empty());
}

#[cfg(unix)]
mod cut_off {
    use super::{Ended, Folder, at_root, events, names, read, said, verify};
    use crate::program::{Typing, command};
    use crate::support::root;
    use std::os::unix::fs::PermissionsExt;
    use std::process::Command;

    /// The run has turned the polygon when it is killed; what was known until then is on the disk.
    #[test]
    fn a_killed_run_leaves_a_readable_part() {
        let folder = Folder::new("record-killed");
        let script = "spin(3000 rpm)\nwait 1 s\nnote \"so far\"\nvar x = 0\n\
            while x < 1e12 at most 1000000000 times { x = x + 1 }\n";
        folder.file("long.spt", script);
        let place = folder.path("record");
        let mut run =
            Typing::new(command(&folder, &["run", &folder.path("long.spt"), "--record", &place]));
        run.until("so far");
        run.signal("KILL");
        assert_eq!(run.end().1, None);
        assert_eq!(names(&place), ["UNFINISHED", "events.jsonl", "lines.csv"]);
        let events = events(&read(&place, "events.jsonl"));
        assert!(events.iter().any(|event| event["call"]["name"] == "spin"));
        assert_eq!(events.last().unwrap()["text"], "so far");
        let (code, told) = verify(&place);
        assert_eq!(code, 1);
        let lines = format!(
            "UNFINISHED: the run goes on or was cut off; events.jsonl holds {}",
            events.len()
        );
        assert!(told.contains(&lines), "{told}");
    }

    /// The disk takes 64 KiB of a file and no more: the head is made safe, the verdict is told, and
    /// what was written stays.
    #[test]
    fn a_disk_that_fills_up_stops_the_run() {
        let folder = Folder::new("record-full");
        let place = folder.path("record");
        let shell =
            "trap '' XFSZ; ulimit -f 128; exec \"$0\" run scripts/bring_up.spt --record \"$1\"";
        let run = Command::new("sh")
            .args(["-c", shell, env!("CARGO_BIN_EXE_spintrue"), &place])
            .current_dir(root())
            .output();
        let run = Ended::from(run.unwrap());
        let told = said(&run);
        assert_eq!(run.code, Some(2), "{told}");
        assert!(told.contains("events.jsonl cannot be written"), "{told}");
        assert!(told.contains("INTERRUPTED") && told.contains("polygon at rest"), "{told}");
        assert!(names(&place).contains(&"UNFINISHED".to_string()));
        let written = read(&place, "events.jsonl");
        let whole = &written[..=written.rfind('\n').unwrap()];
        assert!(events(whole).len() > 50);
        assert_eq!(verify(&place).0, 1);
    }

    /// A link or a pipe in place of a file is no part of a record, and a pipe is not waited for.
    #[test]
    fn a_link_or_a_pipe_is_no_part_of_a_record() {
        let (folder, place) = super::failing();
        for name in super::FILES {
            let (path, aside) = (format!("{place}/{name}"), folder.path("aside"));
            std::fs::rename(&path, &aside).unwrap();
            std::os::unix::fs::symlink(&aside, &path).unwrap();
            let (code, told) = verify(&place);
            assert!(code == 1 && told.contains(&format!("{name} is no plain file")), "{told}");
            std::fs::remove_file(&path).unwrap();
            assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
            let (code, told) = verify(&place);
            assert!(code == 1 && told.contains(&format!("{name} is no plain file")), "{told}");
            let (code, told) = super::show(&place, &[]);
            assert!(code > 0, "{told}");
            std::fs::rename(&aside, &path).unwrap();
        }
        assert_eq!(verify(&place).0, 0);
    }

    #[test]
    fn links_that_lead_nowhere_are_told() {
        let folder = Folder::new("record-links");
        let (round, gone) = (folder.path("round"), folder.path("gone"));
        std::os::unix::fs::symlink("round", &round).unwrap();
        std::os::unix::fs::symlink("nowhere", &gone).unwrap();
        for place in [round, gone] {
            let run = at_root(&["run", "scripts/spin_only.spt", "--record", &place]);
            assert_eq!(run.code, Some(2), "{}", said(&run));
            assert!(said(&run).contains("it is a link that leads nowhere"), "{}", said(&run));
            assert_eq!(verify(&place).0, 2);
        }
    }

    /// Any name that the disk takes is a name for a record; only a data sheet cannot be read there.
    #[test]
    fn a_path_need_not_be_text() {
        use std::os::unix::ffi::OsStrExt;
        let folder = Folder::new("record-bytes");
        folder.file("script.spt", "record \"width\": 1 mm\n");
        let place = folder.0.join(std::ffi::OsStr::from_bytes(b"no\xffutf"));
        let run = |option: &str| {
            let mut command = command(&folder, &["run", "script.spt", option]);
            Ended::from(command.arg(&place).output().unwrap())
        };
        assert_eq!(run("--record").code, Some(0));
        let mut verify = command(&folder, &["record", "verify"]);
        assert_eq!(verify.arg(&place).output().unwrap().status.code(), Some(0));
        let output = run("--last");
        assert_eq!(output.code, Some(2));
        assert!(said(&output).contains("give the folder another name"), "{}", said(&output));
    }

    #[test]
    fn a_folder_that_may_not_be_written_is_refused() {
        let folder = Folder::new("record-locked");
        let locked = folder.file("locked/x", "");
        let locked = locked.parent().unwrap();
        std::fs::remove_file(locked.join("x")).unwrap();
        std::fs::set_permissions(locked, std::fs::Permissions::from_mode(0o555)).unwrap();
        // This does not hold root back: then a folder that cannot be written at all.
        let place = if std::fs::write(locked.join("try"), "").is_ok() {
            "/proc/record".to_string()
        } else {
            locked.display().to_string()
        };
        let run = at_root(&["run", "scripts/spin_only.spt", "--record", &place]);
        assert_eq!(run.code, Some(2), "{}", said(&run));
        assert!(said(&run).contains("so nothing is run"), "{}", said(&run));
        std::fs::set_permissions(locked, std::fs::Permissions::from_mode(0o755)).unwrap();
    }
}

/// What is past the caps is counted, and told: a failing check among it fails the last but one test.
#[test]
fn a_long_run_is_bounded_and_says_so() {
    let folder = Folder::new("record-long");
    let script = "for k in 0 .. 12000 {\n    expect \"check {k}\": k < 11999\n    record \"value {k}\": \
        k\n    note \"step {k}\"\n}\n";
    let path = folder.named("long.spt", script);
    let place = folder.path("record");
    let run = at_root(&["run", &path, "--record", &place]);
    assert_eq!(run.code, Some(1), "{}", run.error);
    let tap = read(&place, "results.tap");
    assert!(tap.starts_with("TAP version 14\n1..10002\n"));
    assert!(tap.contains("not ok 10001 - 2000 further checks\n"));
    assert!(tap.contains("\nok 10002 - the run"));
    assert!(read(&place, "junit.xml").contains("1999 conform, 1 do not conform, 0 are undecided"));
    assert!(
        read(&place, "values.toml").contains("2000 further values are in events.jsonl.gz only")
    );
    let report = read(&place, "report.html");
    assert!(report.contains("10000 further checks are not shown here"));
    assert!(report.contains("11999 of 12000 checks conform"));
    assert!(report.contains("Among them, 1 do not conform and 0 are undecided."));
    let events = events(&read(&place, "events.jsonl"));
    assert_eq!(events.iter().filter(|event| event["event"] == "check").count(), 12000);
}

/// A head that fails makes the last test fail, and those that were not reached.
#[test]
fn a_head_that_fails_is_seen_in_the_results() {
    let folder = Folder::new("record-head");
    let place = folder.path("record");
    let fault = ["--fault", "interlock_opened@9s", "--record", &place];
    let run = at_root(&[&["run", "scripts/bring_up.spt"], &fault[..]].concat());
    assert_eq!(run.code, Some(3), "{}", said(&run));
    let tap = read(&place, "results.tap");
    assert!(tap.contains(" - in-scan residual"), "{tap}");
    assert!(tap.contains("outcome: \"planned and not reached\""), "{tap}");
    assert!(tap.contains(" - the run reaches its end"), "{tap}");
    assert!(tap.contains("# fails on purpose: interlock_opened"), "{tap}");
    assert!(read(&place, "junit.xml").contains("errors=\"1\""));
    let report = read(&place, "report.html");
    assert!(report.contains("HEAD FAILED") && report.contains("injected on purpose"));
}

/// A page is shown by its picture and its banding, and told of by its digest.
#[test]
fn a_page_is_recorded_with_its_picture() {
    let folder = Folder::new("record-page");
    let place = folder.path("record");
    let run = at_root(&["run", "scripts/expose_page.spt", "--record", &place]);
    assert_eq!(run.code, Some(0), "{}", said(&run));
    let report = read(&place, "report.html");
    assert!(report.contains("data:image/png;base64,iVBOR") && report.contains("Banding: page 1"));
    let events = events(&read(&place, "events.jsonl"));
    let page = events.iter().find(|event| event["call"]["name"] == "expose_page").unwrap();
    assert_eq!(page["call"]["image"]["sha256"].as_str().unwrap().len(), 64);
}

/// What an earlier record holds goes to the params that ask for it, if it is whole and of this head.
#[test]
fn a_head_is_compared_with_its_last_record() {
    let folder = Folder::new("last-record");
    let (accept, last) = (folder.path("accept.spt"), folder.path("last"));
    folder.file(
        "accept.spt",
        "record \"worst in-scan\": 3 um\nrecord \"list\": [1 mm, 2 mm]\nrecord \"warm\": 30 degC\n\
         record \"texts\": [\"1 mm\", \"a\\nb\"]\n",
    );
    let script = folder.file(
        "again.spt",
        "param last_worst_in_scan: length\nparam last_warm: temperature\n\
         param last_list: list of length\nexpect \"list\": last_list == [1 mm, 2 mm]\n\
         expect \"as it was\": 3.5 um - last_worst_in_scan <= 1 um\n\
         expect \"warm\": last_warm == 30 degC\n",
    );
    let again = script.display().to_string();
    let recorded = at_root(&["run", &accept, "--record", &last]);
    assert!(recorded.code == Some(0), "{}", said(&recorded));
    let compared = at_root(&["run", &again, "--last", &last]);
    assert!(compared.code == Some(0), "{}", said(&compared));
    let refused = |arguments: &[&str], why: &str| {
        let output = at_root(&[&["run", again.as_str()], arguments].concat());
        assert_eq!(output.code, Some(2), "{}", said(&output));
        assert!(said(&output).contains(why), "{}", said(&output));
    };
    refused(&[], "param `last_worst_in_scan` has no value");
    refused(&["--last", &folder.path("none")], "there is no folder");
    folder.file("other.toml", "[head]\nserial = \"SIM-0002\"\n");
    let other = format!("sim:{}", folder.path("other.toml"));
    refused(&["--last", &last, "--head", &other], "is the record of head SIM-0001");
    let values = format!("{last}/values.toml");
    let text = fs::read_to_string(&values).unwrap();
    fs::write(&values, text.replace("worst", "wurst")).unwrap();
    refused(&["--last", &last], "it is not as it was written");
}

/// The times of turns stand with the limits of both checks on them, and first, since one does not conform.
#[test]
fn turns_are_drawn_with_the_limits_of_their_checks() {
    let folder = Folder::new("record-turns");
    let script = "let speed = 3000 rpm\nspin(speed)\nwait until locked() within 20 s
let errors = series([turn.period * speed / 1 rev - 1 for turn in turns(300)])
expect \"mean speed\": errors.mean within -0.02 % .. 0.02 %
expect \"jitter\": errors.deviation <= 1 ppm\n";
    folder.file("s.spt", script);
    let ended = spintrue(&folder, &["run", "s.spt", "--record", "kept"]);
    assert_eq!(ended.code, Some(1), "{}", ended.all());
    let page = folder.read("kept/report.html");
    let figure = page.split("<figure>").nth(1).unwrap();
    let wanted =
        ["Times of turns", "mean speed\u{201d} (mean)", "jitter\u{201d} (standard deviation)"];
    for words in
        wanted.iter().chain(&[">limit<", ">σ limit<", "300 turns", "One turn in 2 is drawn"])
    {
        assert!(figure.contains(words), "{words}: {figure}");
    }
    // Two limits of the mean and two of the standard deviation, none with a guard band.
    assert_eq!(figure.matches("class=\"limit\"").count(), 4, "{figure}");
}
