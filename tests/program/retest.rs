//! Re-tests: attempts are numbered and have their reason, the rules of a data sheet are kept before anything
//! moves, and the yields of first and last attempts are told apart.

use crate::program::{Ended, command, json_lines};
use crate::support::Folder;
use serde_json::Value;
use std::path::Path;

const SCRIPT: &str =
    "param width = 1 um\nspin(3000 rpm)\nexpect \"width\": width ± 0.1 um <= 2 um\n";

const SHEET: &str = "[retest]\nattempts = 3\nby = [\"lead\"]\nafter = [\"failed\"]\n";

fn folder(name: &str) -> Folder {
    let folder = Folder::new(&format!("retest-{name}"));
    folder.file("s.spt", SCRIPT);
    folder.file("sheet.toml", SHEET);
    folder
}

fn spintrue(folder: &Folder, arguments: &[&[&str]]) -> (i32, String) {
    let mut program = command(folder, &arguments.concat());
    let ended = Ended::from(program.env("COLUMNS", "80").output().unwrap());
    (ended.code.unwrap(), ended.all())
}

const RUN: [&str; 4] = ["run", "s.spt", "--archive", "a.sqlite"];
const RULES: [&str; 2] = ["--set", "@sheet.toml"];
const WIDE: [&str; 2] = ["--set", "width=7 um"];
const LEAD: [&str; 2] = ["--operator", "lead"];
const AGAIN: [&str; 2] = ["--retest", "lens cleaned"];

/// Attempt and reason of each stored run.
fn attempts(folder: &Folder) -> Vec<(String, Option<String>)> {
    let (_, out) = spintrue(folder, &[&["history", "export", "a.sqlite", "--format", "jsonl"]]);
    let named = |run: &Value, name: &str| {
        let pairs = run["identity"].as_array().unwrap().iter();
        let mut pairs = pairs.filter(|pair| pair["name"] == name);
        pairs.next().map(|pair| pair["value"].as_str().unwrap().to_string())
    };
    let runs = json_lines(&out);
    runs.iter().map(|run| (named(run, "attempt").unwrap(), named(run, "reason"))).collect()
}

#[test]
fn runs_are_numbered_and_rules_are_kept() {
    let folder = folder("rules");
    let refused = |arguments: &[&[&str]], why: &str| {
        let before = attempts(&folder).len();
        let record = [&["--record", "r"][..], &RULES];
        let (code, told) = spintrue(&folder, &[&[&RUN[..]], &record[..], arguments].concat());
        let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(code == 2 && words.contains(why), "{code}: {told}");
        assert!(!Path::new(&folder.path("r")).exists() && !told.contains("0.000 s"), "{told}");
        assert_eq!(attempts(&folder).len(), before);
    };
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &WIDE]).0, 1);
    refused(&[], "this is a re-test: give its reason by `--retest REASON`");
    refused(&[&AGAIN], "a re-test is only for the operators lead");
    refused(&[&AGAIN, &["--operator", "day"]], "a re-test is only for the operators lead");
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &WIDE, &AGAIN, &LEAD]).0, 1);
    // Another script and another head have attempts of their own.
    folder.file("other.spt", SCRIPT);
    let other = ["run", "other.spt", "--archive", "a.sqlite"];
    assert_eq!(spintrue(&folder, &[&other, &RULES]).0, 0);
    folder.file("head.toml", "[head]\nserial = \"SIM-2\"\n");
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &["--head", "sim:head.toml"]]).0, 0);
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &AGAIN, &LEAD]).0, 0);
    refused(&[&AGAIN, &LEAD], "all attempts are used up, since the data sheet allows 3");
    refused(
        &[&AGAIN, &LEAD, &["--head", "sim:head.toml"]],
        "the last attempt is `passed`, and the data sheet allows another one only after: failed",
    );
    // Without rules attempts are only numbered.
    assert_eq!(spintrue(&folder, &[&RUN]).0, 0);
    let reason = || Some("lens cleaned".to_string());
    let wanted =
        [("1", None), ("2", reason()), ("1", None), ("1", None), ("3", reason()), ("4", None)];
    assert_eq!(attempts(&folder), wanted.map(|(number, reason)| (number.to_string(), reason)));
    let (_, told) = spintrue(&folder, &[&["history", "yield", "a.sqlite"]]);
    insta::assert_snapshot!(told);
    let (code, told) = spintrue(&folder, &[&["history", "yield", "a.sqlite", "--limit", "2"]]);
    assert!(code == 2 && told.contains("leave `--verdict` and `--limit` out"), "{told}");
    // The last two runs alone: neither is a first attempt.
    let (_, told) = spintrue(&folder, &[&["history", "yield", "a.sqlite", "--serial", "SIM-2"]]);
    assert!(told.contains("1/1 100.0 %") && !told.contains("other.spt"), "{told}");
}

#[test]
fn what_cannot_be_a_retest_is_refused() {
    let folder = folder("wrong");
    let cases: [(&[&[&str]], &str); 7] = [
        (&[&RUN, &AGAIN], "this would be its first attempt, which is no re-test"),
        (&[&["run", "s.spt", "--record", "r"], &AGAIN], "only an archive knows"),
        (&[&["run", "s.spt", "--record", "r"], &RULES], "only an archive knows"),
        (&[&["run", "s.spt"], &AGAIN], "--archive"),
        (&[&RUN, &["--retest", " "]], "write the reason"),
        (&[&RUN, &["--set", "@bad.toml"]], "bad.toml:2: [retest]: unknown field `most`"),
        (
            &[&["check", "s.spt", "--set", "@bad.toml"]],
            "bad.toml:2: [retest]: unknown field `most`",
        ),
    ];
    folder.file("bad.toml", "[retest]\nmost = 3\n");
    for (arguments, wanted) in cases {
        let (code, told) = spintrue(&folder, arguments);
        let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(code == 2 && words.contains(wanted), "{code}: {told}");
    }
    // Nothing is kept of a run for oneself, so no rule is asked.
    assert_eq!(spintrue(&folder, &[&["run", "s.spt"], &RULES]).0, 0);
}

/// A batch tests again what did not pass, into folders of their own, and goes on where it was cut off.
#[test]
fn a_batch_tests_again_what_did_not_pass() {
    let folder = folder("batch");
    let list = |width: &str| {
        folder.file("heads.csv", format!("serial,width\nSN-1,1 um\nSN-2,{width}\nSN-3,7 um\n"));
    };
    list("7 um");
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
    let all: &[&[&str]] = &[&batch, &RULES];
    assert_eq!(spintrue(&folder, all).0, 1);
    // Nothing is repeated by itself.
    let (_, told) = spintrue(&folder, all);
    assert!(told.contains("3 finished before, 0 to go"), "{told}");
    let (code, told) = spintrue(&folder, &[all, &[&AGAIN[..]]].concat());
    assert!(code == 1 && told.matches("not tested: a re-test is only").count() == 2, "{told}");
    assert!(told.contains("1 finished before, 2 to go"), "{told}");
    list("1 um");
    let again = [all, &[&AGAIN[..], &LEAD, &["--despite-changes"]]].concat();
    let (code, told) = spintrue(&folder, &again);
    assert_eq!(code, 1, "{told}");
    insta::assert_snapshot!("batch.told", told);
    let summary = folder.read("out/summary.csv");
    let rows: Vec<Vec<&str>> = summary.lines().map(|line| line.split(',').collect()).collect();
    let column = |name: &str| rows[0].iter().position(|column| *column == name).unwrap();
    assert_eq!(rows[2][column("record")], "SN-2.2");
    assert!(summary.lines().nth(2).unwrap().ends_with(",lens cleaned"), "{summary}");
    let (code, told) = spintrue(&folder, &[&["record", "verify", "out"]]);
    assert!(code == 0 && told.contains("with 5 records"), "{told}");
    let (_, told) = spintrue(&folder, &[&again[..], &[&["--json"]]].concat());
    let end = json_lines(told.lines().last().unwrap());
    assert_eq!(end[0]["passed"], serde_json::json!({"first_attempt": 1, "last_attempt": 2}));
    assert!(Path::new(&folder.path("out/SN-3.3")).exists(), "{told}");
    // The third was the last one.
    let (_, told) = spintrue(&folder, &again);
    assert!(
        told.contains("the data sheet allows 3") && !Path::new(&folder.path("out/SN-3.4")).exists()
    );
    assert_eq!(spintrue(&folder, &[&["record", "verify", "out"]]).0, 0);
}

/// What was cut off is run again with its number and reason, without the option.
#[test]
fn a_retest_that_was_cut_off_goes_on() {
    let folder = folder("cut-off");
    folder.file("heads.csv", "serial,width\nSN-1,7 um\n");
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
    assert_eq!(spintrue(&folder, &[&batch, &RULES, &LEAD]).0, 1);
    assert_eq!(spintrue(&folder, &[&batch, &RULES, &LEAD, &AGAIN]).0, 1);
    let journal = folder.read("out/journal.jsonl");
    let at = journal.rfind("{\"event\":\"done\"").unwrap();
    folder.file("out/journal.jsonl", &journal[..at]);
    std::fs::remove_file(folder.path("out/SN-1.2/record.json")).unwrap();
    let (code, told) = spintrue(&folder, &[&batch, &RULES, &LEAD]);
    assert!(code == 1 && told.contains("SN-1 was not finished and is run again"), "{told}");
    let record: Value = serde_json::from_str(&folder.read("out/SN-1.2/record.json")).unwrap();
    let named = &record["identity"]["named"];
    assert_eq!((&named["attempt"], &named["reason"]), (&"2".into(), &"lens cleaned".into()));
}

/// A station at which all heads failed stays on the page, also where they passed at another one later.
#[test]
fn a_page_counts_all_attempts() {
    let folder = folder("page");
    let batch = ["batch", "s.spt", "--list", "heads.csv", "--record", "out"];
    folder.file("heads.csv", "serial,width\nSN-1,7 um\nSN-2,7 um\n");
    assert_eq!(spintrue(&folder, &[&batch, &["--station", "BAD=sim"]]).0, 1);
    folder.file("heads.csv", "serial,width\nSN-1,1 um\nSN-2,1 um\n");
    let again = ["--station", "GOOD=sim", "--retest", "other bench", "--despite-changes"];
    let (code, told) = spintrue(&folder, &[&batch, &again]);
    assert_eq!(code, 0, "{told}");
    let page = folder.read("out/report.html");
    let rows: Vec<&str> = page.split("<tr>").collect();
    for (name, count) in [
        ("first attempt", "0 of 2"),
        ("last attempt", "2 of 2"),
        ("station BAD, all attempts", "0 of 2"),
        ("station GOOD, all attempts", "2 of 2"),
        (">width</th>", ">2</td>"),
    ] {
        let row = rows.iter().find(|row| row.contains(name));
        assert!(row.is_some_and(|row| row.contains(count)), "{name}: {page}");
    }
    assert!(
        page.contains("All attempts are counted.") && page.contains("The last one ended 20"),
        "{page}"
    );
}

/// The order of attempts is that in which they were stored, also where the clock stepped back between them.
#[test]
fn a_clock_that_steps_back_reverses_no_attempts() {
    let folder = folder("clock");
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &WIDE]).0, 1);
    assert_eq!(spintrue(&folder, &[&RUN, &RULES, &AGAIN, &LEAD]).0, 0);
    let archive = rusqlite::Connection::open(folder.path("a.sqlite")).unwrap();
    archive
        .execute("UPDATE runs SET started = '2001-01-01T00:00:00.000Z' WHERE id = 2", [])
        .unwrap();
    drop(archive);
    let (_, told) = spintrue(&folder, &[&["history", "yield", "a.sqlite"]]);
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("0/1 0.0 % 1/1 100.0 %"), "{told}");
    let (_, told) = spintrue(&folder, &[&RUN, &RULES, &["--record", "r"], &AGAIN, &LEAD]);
    assert!(told.contains("the last attempt is `passed`"), "{told}");
}
