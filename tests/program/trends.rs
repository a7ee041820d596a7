//! Charts and counts over an archive through the binary: limits that are stored, frozen or one-sided, runs that
//! are excluded, groups of runs, failing checks, yields, and the exit code on signals.

use crate::history::{folder, open, refused, spintrue, stored};
use crate::support::Folder;
use insta::assert_snapshot;
use serde_json::Value;
use std::fs;

/// What a command says, with its exit code 0; every line fits 80 columns.
#[track_caller]
fn said(folder: &Folder, arguments: &[&str]) -> String {
    let (code, out, error) = spintrue(folder, arguments);
    assert_eq!((code, error.as_str()), (0, ""), "{arguments:?}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    out
}

/// In one line.
fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

const SIGNED: [&str; 4] = ["--reason", "new bearing", "--author", "A. Name"];

fn signed<'a>(arguments: &[&'a str]) -> Vec<&'a str> {
    [&["history"], arguments, &SIGNED].concat()
}

/// Widths in um of runs that begin an hour apart, at the stations S1 and S2 in turn.
fn at_stations(folder: &Folder, widths: &[f64]) {
    for (at, width) in widths.iter().enumerate() {
        let station = format!("station=S{}", at % 2 + 1);
        let seen = format!("seen={width} um");
        let run = ["run", "s.spt", "--archive", "a.sqlite", "--identity", &station, "--set", &seen];
        assert!(spintrue(folder, &run).0 <= 4);
    }
    let sql =
        "UPDATE runs SET simulated = 0, seed = NULL, started = strftime('%Y-%m-%dT%H:%M:%S.000Z',
        '2026-01-01 12:00:00', '+' || (5 * id) || ' hours')";
    open(folder).execute(sql, []).unwrap();
}

/// The time of a decision is that of the test.
fn at_a_known_time(folder: &Folder) {
    let sql = "UPDATE decisions SET made = '2026-02-03T04:05:06.000Z'";
    assert!(open(folder).execute(sql, []).unwrap() > 0);
}

#[test]
fn limits_are_those_of_the_check_unless_they_are_given() {
    let folder = folder("stored-limits");
    stored(&folder, &[2.0, 2.1, 2.0, 1.9]);
    let trend = ["history", "trend", "a.sqlite", "width"];
    let out = said(&folder, &trend);
    let from_check = "limits at least 1000, at most 3000 nm, of the check in the newest run";
    assert!(words(&out).contains(from_check), "{out}");
    assert!(words(&out).contains("capability Cp") && !out.contains("changed"), "{out}");
    let script = folder.read("s.spt").replace("within 1 um .. 3 um", "<= 2500 nm");
    folder.file("s.spt", script);
    stored(&folder, &[2.2, 2.0]);
    let out = words(&said(&folder, &trend));
    assert!(out.contains("limits at most 2500 nm, of the check in the newest run"), "{out}");
    let before = "changed once, last on 2026-01-06 12:00: before, at least 1000, at most 3000 nm";
    assert!(out.contains(before) && out.contains("capability Cpk"), "{out}");
    let out = words(&said(&folder, &[&trend[..], &["--high", "4um"]].concat()));
    assert!(out.contains("limits at most 4000 nm ") && !out.contains("of the check"), "{out}");
    // Runs before the change have their own.
    let out = words(&said(&folder, &[&trend[..], &["--until", "2026-01-05"]].concat()));
    assert!(out.contains(from_check) && !out.contains("changed"), "{out}");
    // A value without a check has none.
    assert!(
        !said(&folder, &["history", "trend", "a.sqlite", "Größe 面 <b>"]).contains("capability")
    );
}

#[test]
fn skewed_magnitudes_have_one_limit_and_another_index() {
    let folder = folder("skewed");
    let widths: Vec<f64> = (0..16).map(|k| f64::from(k * 7 % 16).exp2() * 1e-5).collect();
    folder.file("s.spt", "param seen = 2 um\nexpect \"width\": seen within 0 um .. 3 um\n");
    stored(&folder, &widths);
    let out = said(&folder, &["history", "trend", "a.sqlite", "width", "--html", "t.html"]);
    assert_snapshot!(out);
    let page = fs::read_to_string(folder.path("t.html")).unwrap();
    assert!(page.contains("Cnpk") && !page.contains(">lower control<"));
}

#[test]
fn groups_of_runs_have_charts_of_their_own() {
    let folder = folder("groups");
    at_stations(&folder, &[2.0, 1.0, 2.1, 1.1, 2.0, 1.0, 1.9, 1.1, 2.0, 1.0]);
    assert!(spintrue(&folder, &["run", "s.spt", "--archive", "a.sqlite"]).0 == 0);
    open(&folder).execute("UPDATE runs SET simulated = 0 WHERE id = 11", []).unwrap();
    let by = ["history", "trend", "a.sqlite", "width", "--by", "station", "--html", "t.html"];
    let out = said(&folder, &by);
    let (compared, charts) = out.split_once("\n\n").unwrap();
    assert_snapshot!(compared);
    assert_eq!(charts.matches("\nIndividuals\n").count(), 2, "{charts}");
    assert!(charts.contains("width in nm, station S2: 5 runs on 1 head"), "{charts}");
    // Each is that of its runs alone.
    let alone = ["history", "trend", "a.sqlite", "width", "--identity", "station=S2"];
    let alone = said(&folder, &alone);
    let (_, of_group) = charts.split_once("station S2: 5 runs").unwrap();
    let (_, alone) = alone.split_once(": 5 runs").unwrap();
    assert_eq!(of_group, alone);
    let page = fs::read_to_string(folder.path("t.html")).unwrap();
    let ids: Vec<&str> =
        page.split(" id=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    let mut once = ids.clone();
    once.sort_unstable();
    once.dedup();
    assert!(once.len() == ids.len() && ids.len() == 8, "{ids:?}");
    assert_eq!(page.matches("role=\"img\"").count(), 6);
    let both = ["history", "trend", "a.sqlite", "width", "--by", "model,station"];
    let out = said(&folder, &both);
    assert!(out.contains("model ten-facet demonstration head (invented), station S1"), "{out}");
    refused(
        &folder,
        &[&alone_by("serial,model,script,operator,day")[..]].concat(),
        "4 names at most",
    );
    let far = ["history", "trend", "a.sqlite", "width", "--by", "serial", "--limit", "1"];
    refused(&folder, &far, "at least two runs");
}

fn alone_by(names: &str) -> Vec<&str> {
    vec!["history", "trend", "a.sqlite", "width", "--by", names]
}

#[test]
fn frozen_limits_judge_later_runs_until_they_are_released() {
    let folder = folder("frozen");
    let base = [2.0, 2.1, 2.0, 1.9, 2.0, 2.1, 2.0, 1.9];
    stored(&folder, &base);
    let trend = ["history", "trend", "a.sqlite", "width"];
    let freeze = signed(&["freeze", "a.sqlite", "width", "--since", "2026-01-04"]);
    let out = said(&folder, &freeze);
    assert!(out.contains("the control limits of `width` are frozen, from 6 runs"), "{out}");
    at_a_known_time(&folder);
    stored(&folder, &[2.3, 2.3, 2.3, 2.2, 2.6]);
    let out = said(&folder, &[&trend[..], &["--html", "t.html"]].concat());
    assert_snapshot!(out);
    let page = fs::read_to_string(folder.path("t.html")).unwrap();
    assert!(page.contains("by A. Name: new bearing") && page.contains("Frozen limits are those"));
    // They are those of these runs only.
    let other = said(&folder, &[&trend[..], &["--serial", "SIM-0001"]].concat());
    assert!(!other.contains("frozen"), "{other}");
    // One run can be judged by them.
    let newest = said(&folder, &[&trend[..], &["--limit", "1"]].concat());
    assert!(
        newest.contains("width in nm: 1 run on 1 head") && newest.contains("   13  SIM-0001"),
        "{newest}"
    );
    said(&folder, &signed(&["freeze", "a.sqlite", "width", "--undo"]));
    assert!(!said(&folder, &trend).contains("frozen"));
    at_a_known_time(&folder);
    assert_snapshot!("decisions", said(&folder, &["history", "decisions", "a.sqlite"]));
    let undo = signed(&["freeze", "a.sqlite", "width", "--undo"]);
    refused(&folder, &undo, "no limits of `width` are frozen for such runs");
    let alike = signed(&["freeze", "a.sqlite", "Größe 面 <b>"]);
    refused(&folder, &alike, "two runs or more with different values");
    refused(&folder, &["history", "freeze", "a.sqlite", "width"], "--reason");
    refused(&folder, &signed(&["freeze", "none.sqlite", "width"]), "there is no archive");
}

#[test]
fn a_line_stops_on_a_signal_of_the_newest_run() {
    let folder = folder("signals");
    at_stations(&folder, &[2.0, 2.0, 2.1, 2.1, 2.0, 2.0, 1.9, 1.9]);
    said(&folder, &signed(&["freeze", "a.sqlite", "width", "--by", "station"]));
    let code = |which: &str, station: &str| {
        let station = format!("station={station}");
        let trend = ["history", "trend", "a.sqlite", "width", "--identity", &station];
        spintrue(&folder, &[&trend[..], &["--fail-on", which]].concat()).0
    };
    assert_eq!((code("newest", "S1"), code("any", "S1")), (0, 0));
    at_stations(&folder, &[2.9, 2.0]);
    assert_eq!((code("newest", "S1"), code("newest", "S2"), code("any", "S2")), (1, 0, 0));
    // Without the option, signals change no exit code.
    assert!(
        said(&folder, &["history", "trend", "a.sqlite", "width", "--by", "station"])
            .contains("newest too")
    );
    let all = ["history", "trend", "a.sqlite", "width", "--by", "station", "--fail-on", "newest"];
    assert_eq!(spintrue(&folder, &all).0, 1);
    at_stations(&folder, &[2.0, 2.0, 2.0, 2.0]);
    assert_eq!((code("newest", "S1"), code("any", "S1")), (0, 1));
}

#[test]
fn excluded_runs_are_shown_and_nothing_of_them_changes() {
    let folder = folder("excluded");
    for width in ["seen=2 um", "seen=2.1 um", "seen=9 um", "seen=2 um"] {
        let run = ["run", "s.spt", "--archive", "a.sqlite", "--set", width];
        assert!(spintrue(&folder, &run).0 <= 1);
    }
    let trend = ["history", "trend", "a.sqlite", "width", "--with-simulated"];
    assert!(said(&folder, &trend).contains("4 runs on"));
    let exclude = signed(&["exclude", "a.sqlite", "3"]);
    assert!(said(&folder, &exclude).contains("run 3 (SIM-0001, 20"));
    let out = said(&folder, &[&trend[..], &["--html", "t.html"]].concat());
    assert!(out.contains("3 runs on") && out.contains("\nExcluded runs\n"), "{out}");
    assert!(words(&out).contains(" 3 9000 nm 20"), "{out}");
    assert!(words(&out).contains("by A. Name: new bearing"), "{out}");
    let page = fs::read_to_string(folder.path("t.html")).unwrap();
    assert!(page.contains("Excluded runs") && page.contains("by A. Name: new bearing"));
    let list = said(&folder, &["history", "a.sqlite"]);
    assert_eq!(list.matches("    excluded 20").count(), 1, "{list}");
    let export = ["history", "export", "a.sqlite", "--format", "jsonl"];
    let runs = said_wide(&folder, &export);
    let excluded: Vec<Value> = runs
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap()["excluded"].clone())
        .collect();
    assert!(excluded[2].as_str().unwrap().ends_with("by A. Name: new bearing"), "{excluded:?}");
    assert_eq!(excluded.iter().filter(|why| why.is_null()).count(), 3);
    // Yields count every attempt.
    assert!(words(&said(&folder, &["history", "yield", "a.sqlite"])).contains("simulated 1 3 1/1"));
    said(&folder, &["record", "verify", "a.sqlite"]);
    refused(&folder, &exclude, "run 3 is excluded already, 20");
    refused(&folder, &signed(&["exclude", "a.sqlite", "1", "77"]), "there is no run 77");
    refused(&folder, &signed(&["exclude", "a.sqlite", "1", "--undo"]), "run 1 is not excluded");
    said(&folder, &signed(&["exclude", "a.sqlite", "3", "--undo"]));
    assert!(said(&folder, &trend).contains("4 runs on"));
    let decided = said(&folder, &["history", "decisions", "a.sqlite"]);
    assert!(
        decided.contains("  exclude  run 3") && decided.contains("  include  run 3"),
        "{decided}"
    );
}

/// Of machines, as wide as it comes.
#[track_caller]
fn said_wide(folder: &Folder, arguments: &[&str]) -> String {
    let (code, out, error) = spintrue(folder, arguments);
    assert_eq!((code, error.as_str()), (0, ""), "{arguments:?}");
    out
}

#[test]
fn failing_checks_are_counted_and_ranked() {
    let folder = folder("failing");
    let script = "\
param seen = 2 um
expect \"width\": seen ± 0.1 um within 1 um .. 3 um
for k in 0 .. 2 {
    expect \"height\": seen <= 4 um
}
expect \"at least 1.5 um, a label that is longer than its column\": seen >= 1.5 um
if seen > 8 um {
    fail \"far off\"
}
expect \"end\": seen < 7 um
";
    folder.file("s.spt", script);
    at_stations(&folder, &[2.0, 5.0, 1.2, 3.05, 9.0, 2.0, 1.3, 2.0]);
    let failing = ["history", "failing", "a.sqlite"];
    assert_snapshot!(said(&folder, &failing));
    assert_snapshot!("by_station", said(&folder, &[&failing[..], &["--by", "station"]].concat()));
    open(&folder).execute("UPDATE runs SET simulated = 1 WHERE id = 5", []).unwrap();
    let out = said(&folder, &failing);
    assert!(out.contains("7 runs; 1 on simulated heads left out") && !out.contains("end"), "{out}");
    let out = said(&folder, &[&failing[..], &["--with-simulated"]].concat());
    assert!(out.contains("8 runs, 1 of them on simulated heads"), "{out}");
    let none = said(&folder, &[&failing[..], &["--until", "2020-01-01"]].concat());
    assert_eq!(none, "no such runs\n");
    refused(&folder, &[&failing[..], &["--verdict", "failed"]].concat(), "leave `--verdict`");
}

#[test]
fn yields_are_told_by_day_and_station() {
    let folder = folder("yields");
    at_stations(&folder, &[2.0, 5.0, 2.0, 9.0, 9.0, 2.0, 2.0, 2.0, 2.0]);
    open(&folder).execute("UPDATE runs SET serial = 'H-' || (id / 2)", []).unwrap();
    let by = ["history", "yield", "a.sqlite", "--by", "day,station"];
    assert_snapshot!(said(&folder, &by));
    assert_snapshot!("of_a_script", said(&folder, &["history", "yield", "a.sqlite"]));
    // The page has the same rows and a bar for each.
    said(&folder, &[&by[..], &["--html", "yield.html"]].concat());
    let page = fs::read_to_string(folder.path("yield.html")).unwrap();
    let rows = page.matches("<th class=\"number\" scope=\"row\">").count();
    let path = page.split("<path d=\"").find(|path| path.contains("class=\"one full\"")).unwrap();
    assert_eq!((rows, path.split('"').next().unwrap().matches('M').count()), (6, 6), "{page}");
    refused(&folder, &[&by[..], &["--html", "yield.html"]].concat(), "--force");
    let since = ["history", "yield", "a.sqlite", "--since", "2026-01-02"];
    let of_some = "s.spt real 4 3 2/3 66.7 % 3/4 75.0 %";
    assert!(words(&said(&folder, &since)).contains(of_some), "{}", said(&folder, &since));
}

/// Pages of an export begin where the last ended, also among runs that began at the same time.
#[test]
fn a_long_export_has_every_run_once() {
    let folder = folder("pages");
    stored(&folder, &[2.0]);
    let more = "WITH RECURSIVE n (k) AS (SELECT 2 UNION ALL SELECT k + 1 FROM n WHERE k < 650)
        INSERT INTO runs (id, started, script, digest, version, serial, model, simulated, faults, verdict,
            exit_code, not_reached)
        SELECT k, printf('2026-02-01T00:00:00.%03dZ', k / 300 * 7), script, digest, version, serial, model,
            simulated, faults, verdict, exit_code, not_reached FROM n, runs";
    open(&folder).execute(more, []).unwrap();
    let exported = |more: &[&str]| -> Vec<i64> {
        let export = ["history", "export", "a.sqlite", "--format", "jsonl"];
        let out = said_wide(&folder, &[&export[..], more].concat());
        let id = |line: &str| serde_json::from_str::<Value>(line).unwrap()["id"].as_i64().unwrap();
        out.lines().map(id).collect()
    };
    assert_eq!(exported(&[]), (1..=650).collect::<Vec<_>>());
    assert_eq!(exported(&["--limit", "450"]), (201..=650).collect::<Vec<_>>());
    assert_eq!(exported(&["--limit", "200"]), (451..=650).collect::<Vec<_>>());
    assert_eq!(exported(&["--until", "2026-01-31"]), [1]);
}
