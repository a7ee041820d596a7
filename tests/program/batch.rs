//! Batches: what is checked before anything moves, what is kept of each head, and that no head is repeated
//! or lost when a batch is cut off.

use crate::program::{Ended, command, ended, json_lines, signal, started};
use crate::support::{self, Folder, root};
use rusqlite::Connection;
use serde_json::Value;
use std::fs;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

fn program(folder: &Folder, arguments: &[&str]) -> Command {
    let mut command = command(folder, arguments);
    command.env("COLUMNS", "80");
    command
}

fn spintrue(folder: &Folder, arguments: &[&str]) -> (i32, String) {
    let ended = Ended::from(program(folder, arguments).output().unwrap());
    (ended.code.unwrap_or(-1), ended.all())
}

/// A script that is quickly done, spins, and fails where its param says so.
const SCRIPT: &str = "\
param speed = 3000 rpm within 1000 rpm .. 6000 rpm
param width = 1 um
spin(speed)
wait until locked() within 20 s
expect \"width\": width <= 2 um
expect \"speed\": status().speed ± 1 rpm within speed - 30 rpm .. speed + 30 rpm
record \"worst width\": width
";

fn folder(name: &str, list: &str) -> Folder {
    let folder = Folder::new(&format!("batch-{name}"));
    folder.file("script.spt", SCRIPT);
    folder.file("heads.csv", list);
    folder
}

const BATCH: [&str; 6] = ["batch", "script.spt", "--list", "heads.csv", "--record", "out"];

fn batch(folder: &Folder, more: &[&str]) -> (i32, String) {
    spintrue(folder, &[&BATCH[..], more].concat())
}

fn journal(folder: &Folder) -> Vec<Value> {
    json_lines(&folder.read("out/journal.jsonl"))
}

/// The serial numbers of an event of the journal, in its order.
fn serials(folder: &Folder, event: &str) -> Vec<String> {
    let lines = journal(folder).into_iter().filter(|line| line["event"] == event);
    lines.map(|line| line["serial"].as_str().unwrap().to_string()).collect()
}

fn names(folder: &Folder, inside: &str) -> Vec<String> {
    support::names(folder.0.join(inside))
}

/// Each stored run's serial number, sorted.
fn stored(folder: &Folder) -> Vec<String> {
    let archive = Connection::open(folder.0.join("a.sqlite")).unwrap();
    let mut asked = archive.prepare("SELECT serial FROM runs ORDER BY serial").unwrap();
    let rows = asked.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

const THREE: &str = "serial,width\nSN-1,1 um\nSN-2,7 um\n\"SN/3, left\",1.5 um\n";

#[test]
fn every_head_has_its_record_and_the_summary_names_them_all() {
    let folder = folder("main", THREE);
    let (code, told) = batch(&folder, &["--archive", "a.sqlite", "--operator", "shift 3"]);
    assert_eq!(code, 1, "{told}");
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    insta::assert_snapshot!("batch.told", told);
    let heads = names(&folder, "out");
    assert_eq!(heads.len(), 8, "{heads:?}");
    for head in heads.iter().filter(|name| name.starts_with("SN")) {
        let (code, told) = spintrue(&folder, &["record", "verify", &format!("out/{head}")]);
        assert_eq!(code, 0, "{told}");
        let manifest =
            fs::read_to_string(folder.0.join(format!("out/{head}/record.json"))).unwrap();
        let manifest: Value = serde_json::from_str(&manifest).unwrap();
        assert_eq!(manifest["identity"]["operator"], "shift 3");
        // The list is told of once, and by the digest of the file.
        let sources = manifest["identity"]["sources"].as_array().unwrap().clone();
        assert_eq!(sources.len(), 2, "{sources:?}");
    }
    assert_eq!(stored(&folder), ["SN-1", "SN-2", "SN/3, left"]);
    let table = folder.read("out/summary.csv");
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 3);
    assert_eq!((&rows[1][0], &rows[1][1], &rows[1][3]), ("SN-2", "failed", "width"));
    assert_eq!(&rows[2][0], "SN/3, left");
    assert!(table.lines().count() * 2 == table.matches(['\r', '\n']).count(), "rows end with CRLF");
    let junit = folder.read("out/junit.xml");
    assert!(junit.contains("tests=\"3\" failures=\"1\""), "{junit}");
}

/// What does not conform, is undecided or was not reached is told apart, and rehearsals are marked.
#[test]
fn a_summary_says_why_and_on_what() {
    let folder = folder("why", "serial,width,fault\nA,1 um,\nB,7 um,lock_lost@400s\n");
    let script = "param width = 1 um\nexpect \"limit\": width <= 2 um\n\
        expect \"unsure\": width ± 6.5 um <= 7 um\nprovoke(\"link_silent\", after: 1 h)\n\
        if width > 5 um { fail \"stop\" }\nexpect \"late\": width <= 1 m\n";
    folder.file("script.spt", script);
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 1, "{told}");
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    let b = "stop; does not conform: limit; undecided: unsure; not reached: late; fails on purpose: \
        lock_lost@400 s; provoked by the script: link_silent@60 min";
    assert!(words.contains(b) && words.contains("simulated, all of them"), "{told}");
    let table = folder.read("out/summary.csv");
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let rows: Vec<std::collections::HashMap<String, String>> =
        rows.deserialize().map(Result::unwrap).collect();
    let cells = |row: usize| {
        ["does_not_conform", "undecided", "not_reached", "simulated", "seed", "faults", "provoked"]
            .map(|name| rows[row][name].as_str())
    };
    assert_eq!(cells(0), ["", "unsure", "", "yes", "1", "", "link_silent@60 min"]);
    assert_eq!(
        cells(1),
        ["limit", "unsure", "late", "yes", "1", "lock_lost@400 s", "link_silent@60 min"]
    );
    let junit = folder.read("out/junit.xml");
    for fact in ["simulated: yes", "fails on purpose: lock_lost@400 s", "not reached: late"] {
        assert!(junit.contains(fact), "{junit}");
    }
    let (_, told) = batch(&folder, &["--json"]);
    let head: Value = serde_json::from_str(told.lines().nth(1).unwrap()).unwrap();
    assert_eq!(head["not_reached"], serde_json::json!(["late"]));
    assert_eq!(
        (&head["simulated"], &head["provoked"][0]),
        (&true.into(), &"link_silent@60 min".into())
    );
}

/// Checks that were not reached are counted, so that they do not hide the cause; what the script puts into a label
/// is not shown as code; and long names of records stand whole.
#[test]
fn a_screen_shows_the_cause_and_whole_names() {
    let serial = "a-serial-number-as-long-as-some-factories-print-them";
    let folder = folder("cause", &format!("serial\n{serial}\n"));
    let checks = "for rail in rails() { expect \"rail {rail.name}\": rail.good }\n";
    let late: String = (0..5).map(|number| format!("expect \"late {number}\": 1 > 0\n")).collect();
    folder.file("script.spt", format!("if facet_count() > 1 {{ fail \"stop\" }}\n{checks}{late}"));
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 1, "{told}");
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("stop; 6 checks not reached"), "{told}");
    assert_eq!(words.matches(serial).count(), 3, "{told}");
    let table = folder.read("out/summary.csv");
    assert!(table.contains("rail …; late 0; late 1"), "{table}");
}

/// A batch that an older program began goes on, and what its journal does not tell is not guessed.
#[test]
fn a_batch_that_was_kept_goes_on() {
    let folder = Folder::new("batch-kept");
    let older = std::path::Path::new("tests/data/older");
    for name in ["old.spt", "old.csv", "batch/journal.jsonl"] {
        folder.file(name, fs::read(older.join(name)).unwrap());
    }
    for entry in fs::read_dir(older.join("batch/OLD-2")).unwrap().map(Result::unwrap) {
        let name = format!("batch/OLD-2/{}", entry.file_name().to_string_lossy());
        folder.file(&name, fs::read(entry.path()).unwrap());
    }
    let list = ["batch", "old.spt", "--list", "old.csv", "--record", "batch", "--despite-changes"];
    let (code, told) = spintrue(&folder, &list);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("1 finished before, 0 to go"), "{told}");
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("stop; not met or not decided: wrong, unsure, later"), "{told}");
    let table = folder.read("batch/summary.csv");
    let row = table.lines().nth(1).unwrap();
    assert!(row.starts_with("OLD-2,failed,1,,,,wrong; unsure; later,stop,"), "{table}");
    assert!(row.ends_with(",OLD-2,yes,yes,1,,unknown,"), "{table}");
    let (code, told) = spintrue(&folder, &["record", "verify", "batch/OLD-2"]);
    assert_eq!(code, 0, "{told}");
    let (code, told) = spintrue(&folder, &["record", "show", "batch/OLD-2"]);
    assert!(code == 0 && told.contains("simulated (seed 1)"), "{told}");
}

/// Questions are answered by a file, the same for every head; a batch never asks at the terminal.
#[test]
fn questions_are_answered_by_a_file() {
    let folder = folder("answers", "serial\nSN-1\nSN-2\n");
    folder.file(
        "script.spt",
        "let shut = ask \"is the cover closed?\": flag\nexpect \"asked\": shut\n",
    );
    folder.file("yes.toml", "\"is the cover closed?\" = \"yes\"\n");
    folder.file("wrong.toml", "\"is the cover closed?\" = 7\n\"is it blue?\" = true\n");
    let (code, told) = batch(&folder, &[]);
    assert!(code == 2 && told.contains("--answers"), "{told}");
    assert_eq!(told.matches("Error:").count(), 1, "each thing once: {told}");
    let (code, told) = batch(&folder, &["--answers", "wrong.toml"]);
    assert!(
        code == 2 && told.contains("wrong.toml:1:") && told.contains("wrong.toml:2:"),
        "{told}"
    );
    assert!(!folder.0.join("out").exists());
    let (code, told) = batch(&folder, &["--answers", "yes.toml"]);
    assert_eq!(code, 0, "{told}");
    folder.file("yes.toml", "# changed\n\"is the cover closed?\" = \"yes\"\n");
    let (code, told) = batch(&folder, &["--answers", "yes.toml"]);
    assert!(code == 2 && told.contains("yes.toml has changed"), "{told}");
}

/// What one head keeps is not another's.
#[test]
fn two_heads_share_no_memory() {
    let list = "serial,head\nSN-1,sim?memory=m.json\nSN-2,sim?memory=m.json\n";
    let folder = folder("memory", list);
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("heads.csv:3:6") && told.contains("a memory of its own"), "{told}");
    assert!(!folder.0.join("m.json").exists() && !folder.0.join("out").exists());
}

/// The list that is shipped, as docs/batch.md runs it.
#[test]
fn the_list_that_is_shipped() {
    let folder = Folder::new("batch-shipped");
    let list = "scripts/lists/demo_heads.csv";
    let out = folder.path("out");
    let mut command =
        program(&folder, &["batch", "scripts/bring_up.spt", "--list", list, "--record", &out]);
    let output = Ended::from(command.current_dir(root()).output().unwrap());
    let told = output.out;
    assert_eq!(output.code, Some(3), "{told}");
    assert!(told.contains("4 heads: 2 passed, 1 undecided, 1 head failed"), "{told}");
}

#[test]
fn all_mistakes_are_told_before_any_head_moves() {
    let list = "serial,head,fault,speed,widht\n\
        SN-1,sim:nowhere.toml,,3000,1 um\n\
        SN-2,sim:named.toml,,9000 rpm,1 um\n\
        SN-3,sim,,3000 mm,1 um\n\
        ,sim,,30 00 rpm,1 um\n\
        SN-3,sim,lock_list@2s,,1 um\n\
        SN-5,gpib:7,,3000 rpm,\"1 \"\"um\"\"\"\n\
        SN-6,sim\n";
    let folder = folder("mistakes", list);
    folder.file("named.toml", "[head]\nserial = \"SN-7\"\n");
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 2);
    insta::assert_snapshot!("batch.mistakes", told);
    assert!(!folder.0.join("out").exists());
}

#[test]
fn mistakes_in_the_form_of_a_list() {
    let cases: &[(&str, &str)] = &[
        ("", "heads.csv:1:1"),
        ("serial\n", "names columns and no head"),
        ("serial;width\nA;1 um\n", "not separated by commas"),
        ("serial,width,width\nA,1 um,2 um\n", "heads.csv:1:14"),
        ("head,width\nsim,1 um\n", "no column of this list is `serial`"),
        ("serial,,width\nA,,1 um\n", "heads.csv:1:8"),
        ("serial,width\nA,1 um\n\"B,1 um\nC,1 um\n", "heads.csv:3:1"),
        ("serial,width\nA\"x,1 um\n", "there is a quote inside this cell"),
        ("serial,width\n\"A\"x,1 um\n", "the quotes of this cell do not fit"),
        ("serial,width\nA,1 um,2\n", "heads.csv:2:8"),
        ("serial,width\n\"A\tB\",1 um\n", "invisible characters"),
        ("serial,width\r\n\r\n\r\nA,1\r\n", "heads.csv:4:3"),
    ];
    for (list, wanted) in cases {
        let folder = folder("form", list);
        let (code, told) = batch(&folder, &[]);
        assert_eq!(code, 2, "{list}: {told}");
        assert!(told.contains(wanted) && told.contains("[E0"), "{list}: {told}");
        assert!(!folder.0.join("out").exists());
    }
    let folder = folder("form", "serial,width\nA,\u{7}\n");
    fs::write(folder.0.join("heads.csv"), b"serial,width\nA,\xff\n").unwrap();
    let (code, told) = batch(&folder, &[]);
    assert!(code == 2 && told.contains("on line 2"), "{told}");
}

/// As spreadsheets write them: a byte order mark, CRLF, blanks, empty lines, quotes.
#[test]
fn what_spreadsheets_write_is_read() {
    let list = "\u{feff}serial,width\r\n\"A\",\"1 um\"\r\n\r\n B , 1.5 um \r\n";
    let folder = folder("spreadsheet", list);
    let (code, told) = batch(&folder, &["--json"]);
    assert_eq!(code, 0, "{told}");
    assert_eq!(serials(&folder, "done"), ["A", "B"]);
    let events: Vec<Value> = told.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(events[2]["verdicts"]["passed"], 2);
}

#[test]
fn a_finished_batch_repeats_nothing() {
    let folder = folder("again", THREE);
    batch(&folder, &["--archive", "a.sqlite"]);
    let before = fs::read(folder.0.join("out/journal.jsonl")).unwrap();
    let (code, told) = batch(&folder, &["--archive", "a.sqlite"]);
    assert_eq!(code, 1);
    assert!(told.contains("3 finished before, 0 to go"), "{told}");
    assert_eq!(fs::read(folder.0.join("out/journal.jsonl")).unwrap(), before);
    assert_eq!(stored(&folder).len(), 3);
    // An archive that is gone is not begun anew.
    let [archive, away] = ["a.sqlite", "away.sqlite"].map(|name| folder.0.join(name));
    fs::rename(&archive, &away).unwrap();
    let (code, told) = batch(&folder, &["--archive", "a.sqlite"]);
    assert!(
        code == 2 && told.contains("the archive a.sqlite is gone with what it holds"),
        "{told}"
    );
    assert!(!archive.exists());
    fs::rename(&away, &archive).unwrap();
    // A head that was added is run.
    folder.file("heads.csv", format!("{THREE}sn-1,1 um\n"));
    let (code, told) = batch(&folder, &["--archive", "a.sqlite"]);
    assert_eq!(code, 1);
    assert!(told.contains("3 finished before, 1 to go"), "{told}");
    assert_eq!(stored(&folder).len(), 4);
    assert!(names(&folder, "out").iter().any(|name| name.starts_with("sn1~")));
}

#[test]
fn what_has_changed_since_is_told_and_refused() {
    let folder = folder("changed", THREE);
    batch(&folder, &[]);
    let refused = |what: &str, more: &[&str]| {
        let (code, told) = batch(&folder, more);
        assert_eq!(code, 2, "{told}");
        assert!(told.contains(what) && told.contains("--despite-changes"), "{told}");
    };
    refused("`--set` was none, and is speed=2000rpm", &["--set", "speed=2000rpm"]);
    refused("the archive was none, and is a.sqlite", &["--archive", "a.sqlite"]);
    folder.file("script.spt", format!("{SCRIPT}note \"more\"\n"));
    refused("script.spt has changed", &[]);
    folder.file("script.spt", SCRIPT);
    folder.file("heads.csv", THREE.replace("7 um", "1 um"));
    refused("the row of SN-2 or its head has changed", &[]);
    folder.file("heads.csv", THREE.replace("SN-2", "SN-4"));
    refused("SN-2 is not in the list any more", &[]);
    let (code, told) = batch(&folder, &["--despite-changes"]);
    assert_eq!(code, 1, "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2", "SN/3, left", "SN-4"]);
    fs::write(folder.0.join("out/SN-1/record.json"), "{}").unwrap();
    refused("SN-1 is finished, but out/SN-1/record.json was changed", &[]);
    fs::remove_dir_all(folder.0.join("out/SN-1")).unwrap();
    refused("SN-1 is finished, but there is no file", &[]);
}

#[test]
fn a_folder_of_something_else_is_left_alone() {
    let folder = folder("foreign", THREE);
    folder.file("out/notes.txt", "mine");
    let (code, told) = batch(&folder, &[]);
    assert!(code == 2 && told.contains("is not empty and holds no batch"), "{told}");
    assert_eq!(names(&folder, "out"), ["notes.txt"]);
    let (code, told) =
        spintrue(&folder, &["batch", "script.spt", "--list", "heads.csv", "--record", "heads.csv"]);
    assert!(code == 2 && told.contains("heads.csv is a file"), "{told}");
    fs::remove_file(folder.0.join("out/notes.txt")).unwrap();
    let journals = [
        ("{\"event\":\"batch\"}\n", "out/journal.jsonl:1: this is no line of a batch"),
        ("oops\n", "out/journal.jsonl:1: this is no line of a batch"),
        (
            "{\"event\":\"begun\",\"serial\":\"A\",\"folder\":\"A\",\"row\":\"\",\"at\":\"\"}\n",
            "it does not say first what is run",
        ),
        (
            "{\"event\":\"batch\",\"format\":\"spintrue batch\",\"version\":4,\"spintrue\":\"9\",\
             \"script\":\"\",\"sources\":[],\"settings\":[],\"archive\":null,\"at\":\"\"}\n",
            "is of version 4 of the format",
        ),
    ];
    for (journal, wanted) in journals {
        folder.file("out/journal.jsonl", journal);
        let (code, told) = batch(&folder, &[]);
        assert!(code == 2 && told.contains(wanted), "{told}");
        assert_eq!(folder.read("out/journal.jsonl"), journal);
    }
}

/// A batch that cannot begin leaves no folder, so that the next one is not refused.
#[test]
fn an_archive_that_cannot_be_used_leaves_no_folder() {
    let folder = folder("archive", THREE);
    let archive = Connection::open(folder.0.join("a.sqlite")).unwrap();
    archive.execute_batch("CREATE TABLE other (x); PRAGMA user_version = 7;").unwrap();
    drop(archive);
    let (code, told) = batch(&folder, &["--archive", "a.sqlite"]);
    assert!(code == 2 && told.contains("is a database of something else"), "{told}");
    assert!(!folder.0.join("out").exists());
    let (code, told) = batch(&folder, &["--archive", "no/such/a.sqlite"]);
    assert!(code == 2 && told.contains("make it first"), "{told}");
    assert!(!folder.0.join("out").exists());
}

#[test]
fn a_batch_ends_early_where_that_is_asked_for() {
    let folder = folder("stop", THREE);
    let (code, told) = batch(&folder, &["--stop-at", "failed"]);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("1 of 3 heads are not finished"), "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"]);
    let (_, told) = batch(&folder, &["--stop-at", "failed"]);
    assert_eq!(serials(&folder, "done").len(), 3, "{told}");
}

/// The worst outcome decides; a head that fails does not keep the others from being run.
#[test]
fn a_head_that_fails_is_told_and_the_next_is_run() {
    let list = "serial,fault,width\nSN-1,interlock_opened@1s; lock_lost@2s,1 um\n\
                SN-2,,7 um\nSN-3,,1 um\n";
    let folder = folder("fault", list);
    let open = "if not interlock_closed() { fail fault(\"the interlock is open\") }\nrecord";
    let script = SCRIPT.replace("record", open);
    folder.file("script.spt", script);
    let (code, told) = batch(&folder, &[]);
    assert_eq!(serials(&folder, "done").len(), 3, "{told}");
    assert_eq!(code, 3, "{told}");
    let more = ["--stop-at", "head-failed"];
    let other = [&BATCH[..5], &["two"], &more[..]].concat();
    let (code, told) = spintrue(&folder, &other);
    assert!(code == 3 && told.contains("2 of 3 heads are not finished"), "{told}");
}

/// The batch stops where a head is not known to be safe.
#[test]
fn a_head_that_is_not_left_safe_ends_the_batch() {
    let folder = folder("unsafe", "serial,fault,width\nSN-1,link_silent@4s,1 um\nSN-2,,1 um\n");
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 3, "{told}");
    assert!(told.contains("SN-1 was not left safe, so the batch ends here"), "{told}");
    assert_eq!(serials(&folder, "begun"), ["SN-1"]);
    let table = || folder.read("out/summary.csv");
    assert!(table().lines().any(|row| row.starts_with("SN-1,") && row.contains(",SN-1,no,yes,1,")));
    assert!(told.contains("NOT LEFT SAFE;"), "{told}");
    // The same where the journal was cut off and the record has to tell.
    forget(&folder, 1, "");
    // The operator was told, and goes on.
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 3, "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"]);
    assert!(told.contains("NOT LEFT SAFE;"), "{told}");
    assert!(
        table().lines().any(|row| row.starts_with("SN-2,") && row.contains(",SN-2,yes,yes,1,"))
    );
}

/// Takes the last lines of the journal away, as if they had never been written.
fn forget(folder: &Folder, lines: usize, torn: &str) {
    let path = folder.0.join("out/journal.jsonl");
    let text = fs::read_to_string(&path).unwrap();
    // The summary is written behind the last head.
    let all = text.split_inclusive('\n').filter(|line| !line.contains("\"written\""));
    let all: Vec<&str> = all.collect();
    fs::write(&path, format!("{}{torn}", all[..all.len() - lines].concat())).unwrap();
}

/// Every moment at which a batch can be cut off behind the end of a run, made by hand.
#[test]
fn a_run_that_came_to_its_end_is_not_repeated() {
    let archive = ["--archive", "a.sqlite"];
    let folder = folder("end", "serial,width\nSN-1,1 um\nSN-2,7 um\n");
    batch(&folder, &archive);
    let record = fs::read(folder.0.join("out/SN-2/record.json")).unwrap();
    let same = |aside: usize, runs: usize| {
        let (code, told) = batch(&folder, &archive);
        assert_eq!(code, 1, "{told}");
        assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"], "{told}");
        assert_eq!(names(&folder, "out/unfinished").len(), aside, "{told}");
        assert_eq!(stored(&folder).len(), runs);
        let now = fs::read(folder.0.join("out/SN-2/record.json")).unwrap();
        let table = folder.read("out/summary.csv");
        assert!(table.contains("SN-2,failed,1,width,"), "{table}");
        now == record
    };
    // The record is whole, and the journal does not say so; or only half of its line.
    forget(&folder, 1, "");
    assert!(same(0, 2));
    forget(&folder, 1, "{\"event\":\"done\",\"serial\":\"SN-2\",\"verd");
    assert!(same(0, 2));
    // The run is in the archive, and the record still has its mark.
    forget(&folder, 1, "");
    folder.file("out/SN-2/UNFINISHED", "");
    assert!(same(0, 2));
    // It is not yet in the archive: only then it is run again, and what there is of it kept.
    forget(&folder, 1, "");
    folder.file("out/SN-2/UNFINISHED", "");
    let file = Connection::open(folder.0.join("a.sqlite")).unwrap();
    for table in ["identity", "params", "checks", "quantities"] {
        let gone = format!("DELETE FROM {table} WHERE run = (SELECT max(id) FROM runs)");
        file.execute(&gone, []).unwrap();
    }
    file.execute("DELETE FROM runs WHERE id = (SELECT max(id) FROM runs)", []).unwrap();
    drop(file);
    assert!(!same(1, 2));
    let kept = fs::read(folder.0.join("out/unfinished/SN-2.1/record.json")).unwrap();
    assert_eq!(kept, record);
}

/// Its turn began; nothing more is known of it.
#[test]
fn a_head_whose_turn_only_began_is_run() {
    let folder = folder("begun", "serial,width\nSN-1,1 um\nSN-2,1 um\n");
    batch(&folder, &[]);
    forget(&folder, 1, "");
    fs::remove_dir_all(folder.0.join("out/SN-2")).unwrap();
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 0, "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"]);
    assert!(names(&folder, "out/unfinished").is_empty());
}

/// A script that works on for ever once it has said so, so that it can be met while it runs.
const ENDLESS: &str = "\
param turns: number
spin(3000 rpm)
wait until locked() within 20 s
note \"now\"
var x = 0
while x < turns at most 1000000000 times { x = x + 1 }
expect \"end\": x >= turns
";

/// Starts a batch, and comes back when the script of a head has got so far.
fn begun(folder: &Folder, head: &str, more: &[&str]) -> Child {
    let child = started(program(folder, &[&BATCH[..], more].concat()));
    let since = Instant::now();
    let events = folder.0.join(format!("out/{head}/events.jsonl"));
    while !fs::read_to_string(&events).is_ok_and(|text| text.contains("\"now\"")) {
        assert!(since.elapsed() < Duration::from_secs(60), "it never came so far");
        std::thread::sleep(Duration::from_millis(5));
    }
    child
}

#[cfg(unix)]
#[test]
fn an_interrupted_head_is_run_again_and_a_second_batch_is_refused() {
    let list = |turns: &str| format!("serial,turns\nSN-1,1\nSN-2,{turns}\nSN-3,1\n");
    let folder = folder("interrupted", &list("1e12"));
    folder.file("script.spt", ENDLESS);
    let child = begun(&folder, "SN-2", &[]);
    let (code, told) = batch(&folder, &[]);
    assert!(code == 2 && told.contains("another batch is running in out"), "{told}");
    signal(&child, "INT");
    let output = ended(child);
    let told = output.error;
    assert_eq!(output.code, Some(130), "{told}");
    assert!(told.contains("interrupted: 2 of 3 heads are not finished"), "{told}");
    let (code, told) = spintrue(&folder, &["record", "show", "out/SN-2"]);
    assert!(code == 0 && told.ends_with("INTERRUPTED\n"), "{told}");
    // The row of a head that is to be run again may not change either, unless that is said.
    folder.file("heads.csv", list("2"));
    let (code, told) = batch(&folder, &[]);
    assert!(code == 2 && told.contains("the row of SN-2"), "{told}");
    let (code, told) = batch(&folder, &["--despite-changes"]);
    assert_eq!(code, 0, "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2", "SN-3"]);
    assert_eq!(names(&folder, "out/unfinished"), ["SN-2.1"]);
}

/// Another program keeps the archive to itself just when a run is to be stored: the batch stops, and
/// goes on with that head; neither run nor record is there twice.
#[test]
fn an_archive_that_is_locked_in_the_middle_stops_the_batch() {
    let folder = folder("locked", "serial,turns\nSN-1,1\nSN-2,3e5\n");
    folder.file("script.spt", ENDLESS);
    let archive = ["--archive", "a.sqlite"];
    let child = begun(&folder, "SN-2", &archive);
    let other = Connection::open(folder.0.join("a.sqlite")).unwrap();
    other.busy_timeout(Duration::from_secs(5)).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let output = ended(child);
    let told = output.error;
    assert_eq!(output.code, Some(2), "{told}");
    assert!(told.contains("SN-2 is not finished: this run is not in the archive"), "{told}");
    assert!(told.contains("locked by another program"), "{told}");
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(
        (stored(&folder), serials(&folder, "done")),
        (vec!["SN-1".into()], vec!["SN-1".into()])
    );
    let (code, told) = batch(&folder, &archive);
    assert_eq!(code, 0, "{told}");
    assert_eq!(stored(&folder), ["SN-1", "SN-2"]);
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"]);
    assert_eq!(names(&folder, "out/unfinished"), ["SN-2.1"]);
}

/// Killed at any moment, again and again, until it ends by itself: each head is finished once, stored
/// once, and whatever was cut off lies aside.
#[cfg(unix)]
#[test]
fn kills_at_any_moment_neither_repeat_nor_lose_a_head() {
    const HEADS: usize = 24;
    let list: String = (0..HEADS).map(|k| format!("SN-{k:02},1 um\n")).collect();
    let folder = folder("killed", &format!("serial,width\n{list}"));
    let all: Vec<String> = (0..HEADS).map(|k| format!("SN-{k:02}")).collect();
    let mut random = 12345_u64;
    let mut next = move |most: u64| {
        random = random.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (random >> 33) % most
    };
    let mut kills = 0;
    loop {
        let arguments = [&BATCH[..], &["--archive", "a.sqlite"]].concat();
        let mut command = program(&folder, &arguments);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let ready = |name: &str| {
            let whole = |head: &String| folder.0.join(format!("out/{head}/{name}")).exists();
            all.iter().filter(|head| whole(head)).count()
        };
        // Most kills come right behind the moment at which a record is sealed.
        let (sealed, since) = (ready("record.json"), Instant::now());
        let wait = match next(3) {
            0 => Duration::from_millis(next(150)),
            _ => {
                while ready("record.json") <= sealed && since.elapsed() < Duration::from_secs(5) {
                    if child.try_wait().unwrap().is_some() {
                        break;
                    }
                }
                Duration::from_micros(next(12_000))
            }
        };
        std::thread::sleep(wait);
        if let Some(status) = child.try_wait().unwrap() {
            assert_eq!(status.code(), Some(0));
            break;
        }
        child.kill().unwrap();
        child.wait().unwrap();
        kills += 1;
        assert!(kills < 400, "it does not come to an end");
    }
    assert!(kills >= 3, "only {kills} kills");
    assert_eq!(serials(&folder, "done"), all);
    assert_eq!(stored(&folder), all);
    for head in &all {
        let (code, told) = spintrue(&folder, &["record", "verify", &format!("out/{head}")]);
        assert_eq!(code, 0, "{told}");
    }
    // What was cut off lies aside, and is missing nowhere.
    let (code, told) = spintrue(&folder, &["record", "verify", "a.sqlite", "--records", "out"]);
    assert!(code == 0 && told.contains("cut off and set aside by a batch"), "{told}");
    let begun = serials(&folder, "begun").len();
    let aside = names(&folder, "out/unfinished");
    assert!(aside.len() + HEADS <= begun, "{begun} begun, {aside:?}");
    for record in aside {
        let (code, _) =
            spintrue(&folder, &["record", "verify", &format!("out/unfinished/{record}")]);
        assert_eq!(code, 1, "{record}");
    }
}

/// The disk takes 4 KiB of a file and no more: the head is made safe, the batch stops, and goes on
/// once there is space again.
#[cfg(unix)]
#[test]
fn a_disk_that_fills_up_stops_the_batch() {
    let folder = folder("full", THREE);
    let shell =
        "trap '' XFSZ; ulimit -f 8; exec \"$0\" batch script.spt --list heads.csv --record out";
    let output = Command::new("sh")
        .args(["-c", shell, env!("CARGO_BIN_EXE_spintrue")])
        .current_dir(&folder)
        .output();
    let output = Ended::from(output.unwrap());
    let told = output.error;
    assert_eq!(output.code, Some(2), "{told}");
    assert!(told.contains("SN-1 is not finished") && told.contains("cannot be written"), "{told}");
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 1, "{told}");
    assert_eq!(serials(&folder, "done").len(), 3);
    assert_eq!(names(&folder, "out/unfinished"), ["SN-1.1"]);
}

#[test]
fn serial_numbers_that_hide_something_are_refused() {
    for hidden in ['\u{202e}', '\u{2066}', '\u{200b}', '\u{9b}', '\u{7}', '\u{feff}', '\u{fffe}'] {
        let folder = folder("hidden", &format!("serial,width\nSN-1{hidden}2,1 um\n"));
        let (code, told) = batch(&folder, &[]);
        assert_eq!(code, 2, "{told}");
        assert!(told.contains("E0907") && told.contains("invisible characters"), "{told}");
        assert!(!told.contains(hidden), "{}", told.escape_debug());
        assert!(names(&folder, "out").is_empty());
    }
}

/// A spreadsheet must not reckon with what scripts and heads are called, and numbers stay numbers.
#[test]
fn cells_of_the_summary_are_no_formulas() {
    let folder = folder("formulas", "serial,width\n=1+2,1 um\n-5,1 um\n@x,7 um\n");
    folder.file("script.spt", SCRIPT.replace("\"width\":", "\"=HYPERLINK(1)\":"));
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 1, "{told}");
    let table = folder.read("out/summary.csv");
    let rows: Vec<&str> = table.lines().skip(1).collect();
    assert!(rows[0].starts_with("'=1+2,passed,0,,"), "{table}");
    assert!(rows[1].starts_with("-5,passed,0,,"), "{table}");
    assert!(rows[2].starts_with("'@x,failed,1,'=HYPERLINK(1)"), "{table}");
    let results = folder.read("out/junit.xml");
    assert!(results.contains("name=\"=1+2\""), "{results}");
}
