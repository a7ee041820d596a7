//! Batches with stations: heads run at the same time, each in a process of its own, and whatever is cut off
//! is neither lost nor doubled. And data sheets for single heads.

use crate::program::{
    Ended, Typing, command, ended, json_lines, recorded, signal, spintrue, started,
};
use crate::support::{self, Folder};
use crate::wire::bench::Server;
use rusqlite::Connection;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const SCRIPT: &str = "\
param width = 1 um
spin(3000 rpm)
wait until locked() within 20 s
expect \"width\": width <= 2 um
expect \"speed\": status().speed ± 1 rpm within 2990 rpm .. 3010 rpm
note \"done\"
";

const BATCH: [&str; 6] = ["batch", "script.spt", "--list", "heads.csv", "--record", "out"];

fn folder(name: &str, list: &str) -> Folder {
    let folder = Folder::new(&format!("stations-{name}"));
    folder.file("script.spt", SCRIPT);
    folder.file("heads.csv", list);
    folder
}

fn program(folder: &Folder, more: &[&str]) -> Command {
    let mut command = command(folder, &[&BATCH[..], more].concat());
    command.env("COLUMNS", "80");
    command
}

/// The exit code, and what is printed in one line.
fn batch(folder: &Folder, more: &[&str]) -> (i32, String) {
    let ended = Ended::from(program(folder, more).output().unwrap());
    (ended.code.unwrap_or(-1), ended.words())
}

/// The serial numbers of an event of the journal, sorted.
pub(super) fn serials(folder: &Folder, event: &str) -> Vec<String> {
    let lines = json_lines(&folder.read("out/journal.jsonl"));
    let lines = lines.iter().filter(|line| line["event"] == event);
    let mut serials: Vec<String> =
        lines.map(|line| line["serial"].as_str().unwrap().to_string()).collect();
    serials.sort();
    serials
}

/// Each stored run's serial number, sorted.
fn stored(folder: &Folder) -> Vec<String> {
    let archive = Connection::open(folder.0.join("a.sqlite")).unwrap();
    let mut asked = archive.prepare("SELECT serial FROM runs ORDER BY serial").unwrap();
    let rows = asked.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

/// Verdict and station of each head by its serial number, as the summary has them.
fn summary(folder: &Folder) -> BTreeMap<String, (String, String)> {
    let table = folder.read("out/summary.csv");
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let station = rows.headers().unwrap().iter().position(|name| name == "station");
    let rows = rows.records().map(Result::unwrap);
    rows.map(|row| {
        let station = station.map_or("", |at| &row[at]);
        (row[0].to_string(), (row[1].to_string(), station.to_string()))
    })
    .collect()
}

fn verify(folder: &Folder, record: &str) -> i32 {
    spintrue(folder, &["record", "verify", record]).code.unwrap()
}

/// Serves a head whose time passes as on a bench; gives its address, too.
fn served(folder: &Folder, serial: &str, listen: &str) -> (Server, String) {
    let file = folder.named(&format!("{serial}.toml"), format!("[head]\nserial = \"{serial}\"\n"));
    let head = format!("sim:{file}");
    let server = Server::at(listen, &["--realtime", "--head", &head]);
    let address = server.address();
    (server, address)
}

fn until(what: impl Fn() -> bool) {
    let begun = Instant::now();
    while !what() {
        assert!(begun.elapsed() < Duration::from_secs(60), "it does not come");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// The processes that a batch has started, or that any did in this folder where it has ended.
#[cfg(target_os = "linux")]
fn children(folder: &Folder) -> Vec<u32> {
    let here = std::fs::canonicalize(&folder.0).unwrap();
    let entries = std::fs::read_dir("/proc").unwrap().flatten();
    let pids = entries.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    let is_one = |pid: &u32| {
        let process = Path::new("/proc").join(pid.to_string());
        let words = std::fs::read(process.join("cmdline")).unwrap_or_default();
        let is_child = words.split(|byte| *byte == 0).any(|word| word == b"--one-head");
        is_child && std::fs::read_link(process.join("cwd")).is_ok_and(|cwd| cwd == here)
    };
    pids.filter(is_one).collect()
}

#[cfg(target_os = "linux")]
fn send(pid: u32, name: &str) {
    assert!(
        Command::new("kill")
            .args([&format!("-{name}"), &pid.to_string()])
            .status()
            .unwrap()
            .success()
    );
}

/// Waits until the script of a head that is running has come to its end, where braking begins.
fn until_done(folder: &Folder, serial: &str) {
    let events = folder.0.join(format!("out/{serial}/events.jsonl"));
    until(|| {
        std::fs::read_to_string(&events).is_ok_and(|text| text.contains("\"event\":\"note\""))
    });
}

#[test]
fn stations_share_a_list_and_a_page_tells_of_them() {
    let rows: String =
        (1..=12).map(|k| format!("SN-{k},{} um\n", if k % 4 == 0 { 7 } else { 1 })).collect();
    let folder = folder("share", &format!("serial,width\n{rows}"));
    let stations = ["--station", "S1=sim", "--station", "S2=sim", "--station", "left bench=sim"];
    let (code, told) = batch(&folder, &[&stations[..], &["--archive", "a.sqlite"]].concat());
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("12 heads: 9 passed, 3 failed; simulated, all of them"), "{told}");
    let summary = summary(&folder);
    assert_eq!(summary.len(), 12);
    assert_eq!((serials(&folder, "done").len(), stored(&folder).len()), (12, 12));
    for (serial, (verdict, station)) in &summary {
        assert_eq!(verify(&folder, &format!("out/{serial}")), 0);
        let record: Value =
            serde_json::from_str(&folder.read(&format!("out/{serial}/record.json"))).unwrap();
        assert_eq!(record["identity"]["named"]["station"], **station);
        let number: u32 = serial[3..].parse().unwrap();
        assert_eq!(verdict, if number.is_multiple_of(4) { "failed" } else { "passed" });
    }
    let worked = |station: &str| summary.values().filter(|(_, at)| at == station).count();
    assert!(["S1", "S2", "left bench"].iter().all(|station| worked(station) > 0), "{summary:?}");
    let page = folder.read("out/report.html");
    for text in ["9 of 12", "75.0 %", "href=\"SN-4/report.html\"", "does not conform: width"] {
        assert!(page.contains(text), "{text} {page}");
    }
    assert!(folder.0.join("out/SN-4/report.html").is_file());
    assert_eq!(verify(&folder, "out"), 0);
    // It is finished, and the stations may be others.
    let (code, told) = batch(&folder, &["--station", "S9=sim", "--archive", "a.sqlite"]);
    assert!(code == 1 && told.contains("12 finished before, 0 to go"), "{told}");
    assert_eq!(stored(&folder).len(), 12);
}

#[test]
fn what_contradicts_stations_is_refused() {
    let folder = folder("refused", "serial,head\nSN-1,sim\n");
    folder.file("plain.csv", "serial\nSN-1\n");
    let plain = ["--list", "plain.csv"];
    let cases: &[(&[&str], &str)] = &[
        (&["--list", "heads.csv", "--station", "S1=sim"], "has a column `head`"),
        (
            &["--list", "plain.csv", "--station", "S1=sim", "--identity", "station=S1"],
            "both name it",
        ),
        (&["--list", "plain.csv", "--station", "S1=sim", "--station", "S1=sim"], "given twice"),
        (
            &["--list", "plain.csv", "--station", "S1=tcp://h:1", "--station", "S2=tcp://h:1"],
            "tcp://h:1 is given twice",
        ),
        (
            &["--list", "plain.csv", "--station", "A=sim?memory=m", "--station", "B=sim?memory=m"],
            "m is given twice",
        ),
        (
            &[
                "--list",
                "plain.csv",
                "--station",
                "S1=sim",
                "--station",
                "S2=sim",
                "--fixture",
                "f",
            ],
            "one device",
        ),
        (&["--list", "plain.csv", "--station", "S1=simm"], "unknown head address"),
        (&["--list", "plain.csv", "--station", "tcp://h:1"], "write a name and an address"),
        (&["--list", "plain.csv", "--station", "S1=sim", "--head", "sim"], "cannot be used with"),
        (&["--list", "plain.csv", "--failures-in-a-row", "3"], "--station"),
        (&["--list", "plain.csv", "--station", "S=sim", "--failures-in-a-row", "0"], "0 is not in"),
    ];
    for (more, why) in cases {
        let arguments = [&["batch", "script.spt", "--record", "out"], *more].concat();
        let ended = spintrue(&folder, &arguments);
        assert!(
            ended.code == Some(2) && ended.words().contains(why),
            "{more:?}: {}",
            ended.words()
        );
        assert!(!folder.0.join("out").exists());
    }
    // A process for one head is none for people.
    let arguments =
        [&["batch", "script.spt", "--record", "out", "--one-head"], &plain[..]].concat();
    std::fs::create_dir(folder.0.join("out")).unwrap();
    let ended = crate::program::piped(command(&folder, &arguments), "no order\n");
    assert!(ended.code == Some(2) && ended.words().contains("leave it out"), "{}", ended.words());
}

/// Every script is checked against the heads of all stations before anything moves.
#[test]
fn a_head_that_does_not_fit_a_station_is_told_first() {
    let folder = folder("fit", "serial\nSN-1\n");
    folder.file("script.spt", "switch_on(\"clamp\")\n");
    let clamp = "[[signal]]\nname = \"clamp\"\ndirection = \"output\"\nat_safe = \"off\"\n";
    folder.file("clamp.toml", clamp);
    let (code, told) = batch(&folder, &["--station", "A=sim:clamp.toml", "--station", "B=sim"]);
    assert!(code == 2 && told.contains("E0908") && told.contains("nothing was run"), "{told}");
    let (code, told) = batch(&folder, &["--station", "A=sim:clamp.toml"]);
    assert_eq!(code, 0, "{told}");
}

/// A station is taken out where heads fail there, and the others wait for the next command.
#[test]
fn failures_in_a_row_take_a_station_out() {
    let rows = "A,1 um\nB,7 um\nC,1 um\nD,7 um\nE,7 um\nF,1 um\n";
    let folder = folder("failures", &format!("serial,width\n{rows}"));
    let more = ["--station", "S1=sim", "--failures-in-a-row", "2"];
    let (code, told) = batch(&folder, &more);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("S1: taken out: heads in a row that did not pass there: 2"), "{told}");
    assert!(told.contains("no station is left"), "{told}");
    assert_eq!(serials(&folder, "done"), ["A", "B", "C", "D", "E"]);
    assert!(folder.read("out/report.html").contains("did not pass there: 2"));
    let (code, told) = batch(&folder, &more);
    assert!(code == 1 && told.contains("5 finished before, 1 to go"), "{told}");
    assert_eq!(serials(&folder, "done"), ["A", "B", "C", "D", "E", "F"]);
    let (code, told) = batch(&folder, &["--station", "S2=sim", "--retest", "once more"]);
    assert!(code == 1 && told.contains("at the last one: 3 of 6 heads"), "{told}");
    let record: Value = serde_json::from_str(&folder.read("out/B.2/record.json")).unwrap();
    let named = &record["identity"]["named"];
    assert_eq!(
        (&named["station"], &named["reason"]),
        (&"S2".into(), &"once more".into()),
        "{named}"
    );
}

/// A head that was not left safe takes its station out; the others go on.
#[test]
fn a_head_that_is_not_left_safe_takes_its_station_out() {
    let folder = folder("unsafe", "serial,fault\nSN-1,link_silent@4s\nSN-2,\nSN-3,\nSN-4,\n");
    let (code, told) = batch(&folder, &["--station", "A=sim", "--station", "B=sim"]);
    assert_eq!(code, 3, "{told}");
    let summary = summary(&folder);
    let (verdict, out) = &summary["SN-1"];
    assert!(verdict == "head failed" && told.contains("NOT LEFT SAFE"), "{told}");
    assert!(
        told.contains(&format!("{out}: taken out: SN-1 was not left safe: look at it")),
        "{told}"
    );
    let others = summary.iter().filter(|(serial, _)| *serial != "SN-1");
    assert!(others.into_iter().all(|(_, (it, at))| it == "passed" && at != out), "{summary:?}");
    assert!(!told.contains("not finished"), "{told}");
}

/// A sheet is that of the row, of the first pattern that fits, or none; and rules for re-tests hold for its heads.
#[test]
fn heads_have_data_sheets_of_their_own() {
    let list = "serial,sheet\nTEN-1,\nTEN-2,@wide.toml\nTWELVE-1,\nxaxbxab,\nxaxbxa,\nABx,\n";
    let folder = folder("sheets", list);
    folder.file("narrow.toml", "width = \"1 um\"\n[retest]\nattempts = 1\n");
    folder.file("wide.toml", "width = \"7 um\"\n");
    // Patterns as those of file names are: IEEE 1003.1, 2.14 (from memory), without brackets.
    let narrow = ["TEN-*=narrow.toml", "*a*b=narrow.toml", "AB?=narrow.toml", "?=narrow.toml"];
    let sheets = narrow.into_iter().chain(["*=wide.toml"]).flat_map(|sheet| ["--sheet", sheet]);
    let sheets: Vec<&str> = sheets.collect();
    for stations in [&[][..], &["--station", "S1=sim", "--station", "S2=sim"]] {
        let more = [&sheets[..], stations].concat();
        let (code, told) = batch(&folder, &more);
        assert_eq!(code, 1, "{told}");
        let heads = summary(&folder).into_iter();
        let passed: Vec<String> =
            heads.filter(|(_, (verdict, _))| verdict == "passed").map(|it| it.0).collect();
        assert_eq!(passed, ["ABx", "TEN-1", "xaxbxab"]);
        // What a head was tested by may not change.
        folder.file("wide.toml", "width = \"7.5 um\"\n");
        let (code, told) = batch(&folder, &more);
        assert!(code == 2 && told.contains("the row of TEN-2 or its head has changed"), "{told}");
        assert!(!told.contains("row of TEN-1"), "{told}");
        folder.file("wide.toml", "width = \"7 um\"\n");
        std::fs::remove_dir_all(folder.0.join("out")).unwrap();
    }
    let cases: &[(&str, &str, &[&str], &[&str])] = &[
        ("serial,sheet\nA,\n", "", &[], &["E0907", "no data sheet"]),
        ("serial\nA\nB\n", "", &["--sheet", "A=wide.toml"], &["heads.csv:3:1", "no data sheet"]),
        ("serial,sheet\nA,gone.toml\n", "", &[], &["heads.csv:2:3", "there is no file gone.toml"]),
        ("serial\nA\n", "", &["--sheet", "A*"], &["write a pattern and a file"]),
        ("serial,sheet\nA,bad.toml\n", "width = \"1 kg\"\n", &[], &["bad.toml:1"]),
        (
            "serial,sheet\nA,bad.toml\n",
            "width = \"1 um\"\n[retest]\nattempt = 1\n",
            &[],
            &["unknown field `attempt`"],
        ),
    ];
    for (list, bad, more, wanted) in cases {
        folder.file("heads.csv", list);
        folder.file("bad.toml", bad);
        let (code, told) = batch(&folder, more);
        assert!(code == 2 && wanted.iter().all(|text| told.contains(text)), "{list}: {told}");
        assert!(!folder.0.join("out").exists());
    }
    // The rules of one sheet hold for its heads alone.
    folder.file("heads.csv", "serial,width\nTEN-1,7 um\nTWELVE-1,7 um\n");
    assert_eq!(batch(&folder, &sheets).0, 1);
    let (_, told) = batch(&folder, &[&sheets[..], &["--retest", "again"]].concat());
    assert!(
        told.contains("TEN-1: not tested: all attempts are used up, since the data sheet allows 1"),
        "{told}"
    );
    assert!(folder.0.join("out/TWELVE-1.2").exists());
}

/// A real station runs what is mounted, and waits for the next; files that change meanwhile end the batch.
#[test]
fn a_station_waits_until_the_next_head_is_mounted() {
    let folder = folder("mounted", "serial\nSN-1\nSN-2\nSN-3\n");
    let (server, address) = served(&folder, "SN-2", "127.0.0.1:0");
    let place = server.place.clone();
    let mut typing = Typing::new(program(&folder, &["--station", &format!("S1={address}")]));
    typing.until("run as soon as it is mounted");
    typing.until("SN-2: PASSED");
    typing.until("SN-2 is mounted, and had its turn");
    drop(server);
    typing.until("S1: the head does not answer");
    let (server, _) = served(&folder, "SN-9", &place);
    typing.until("SN-9 is mounted, and is not in the");
    drop(server);
    folder.file("script.spt", SCRIPT.replace("3000", "3001"));
    let (_server, _) = served(&folder, "SN-1", &place);
    let (told, code) = typing.end();
    assert_eq!(code, Some(2), "{told}");
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("SN-1 is not finished: since the batch was started, script.spt has"),
        "{told}"
    );
    assert_eq!(words.matches("SN-2 is mounted").count(), 1, "it is said once: {told}");
    assert_eq!(
        (serials(&folder, "begun"), serials(&folder, "done")),
        (vec!["SN-2".to_string()], vec!["SN-2".to_string()])
    );
}

/// What another client controls is not touched, and has no result; and who takes a head out finds its polygon at rest.
#[test]
fn a_head_is_free_before_its_run_and_at_rest_after_it() {
    let folder = folder("free", "serial\nSN-1\n");
    folder.file("script.spt", format!("{SCRIPT}keep_spinning()\n"));
    let (server, address) = served(&folder, "SN-1", "127.0.0.1:0");
    let other = server.controller();
    let (code, told) = batch(&folder, &["--head", &address]);
    assert!(code == 3 && told.contains("another client controls the head"), "{code} {told}");
    assert!(serials(&folder, "done").is_empty() && serials(&folder, "begun").is_empty(), "{told}");
    let mut typing = Typing::new(program(&folder, &["--station", &format!("S1={address}")]));
    typing.until("S1: SN-1 is mounted, and another client controls it");
    drop(other);
    let (told, code) = typing.end();
    assert!(code == Some(0) && told.contains("SN-1: PASSED"), "{told}");
    let report = folder.read("out/SN-1/report.html");
    assert!(report.contains("polygon at rest") && !report.contains("kept spinning"), "{report}");
    assert!(server.line().is_safe());
}

/// A crash takes one head with it: its station is taken out, its record is put aside, and the head waits for another
/// station.
#[cfg(target_os = "linux")]
#[test]
fn a_crash_takes_one_head_with_it() {
    let folder = folder("crash", "serial\nSN-1\nSN-2\n");
    let (one, first) = served(&folder, "SN-1", "127.0.0.1:0");
    let (two, second) = served(&folder, "SN-2", "127.0.0.1:0");
    let place = two.place.clone();
    let stations = [format!("S1={first}"), format!("S2={second}")];
    let more = ["--station", &stations[0], "--station", &stations[1], "--archive", "a.sqlite"];
    let mut typing = Typing::new(program(&folder, &more));
    until(|| folder.0.join("out/SN-1/events.jsonl").exists());
    let is_of = |pid: &u32| {
        let files = std::fs::read_dir(format!("/proc/{pid}/fd")).unwrap().flatten();
        files
            .filter_map(|file| std::fs::read_link(file.path()).ok())
            .any(|to| to.ends_with("SN-1/events.jsonl"))
    };
    send(children(&folder).into_iter().find(is_of).unwrap(), "KILL");
    typing.until("S1: taken out: its process has ended (signal: 9 (SIGKILL))");
    typing.until("SN-2: PASSED");
    // The head is mounted at the other station.
    drop((one, two));
    let (_one, _) = served(&folder, "SN-1", &place);
    let (told, code) = typing.end();
    assert_eq!(code, Some(0), "{told}");
    let wanted = [("SN-1", ("passed", "S2")), ("SN-2", ("passed", "S2"))];
    let wanted = wanted
        .map(|(serial, (verdict, at))| (serial.to_string(), (verdict.to_string(), at.to_string())));
    assert_eq!(summary(&folder), BTreeMap::from(wanted));
    assert_eq!(support::names(folder.0.join("out/unfinished")), ["SN-1.1"]);
    assert_eq!(
        (serials(&folder, "done"), stored(&folder)),
        (vec!["SN-1".into(), "SN-2".into()], vec!["SN-1".to_string(), "SN-2".to_string()])
    );
}

/// How a batch and its processes are stopped while a head brakes, which takes 2.4 s: every head comes to rest, even if a
/// service manager asks each process by itself.
#[cfg(target_os = "linux")]
#[test]
fn however_a_batch_is_stopped_all_heads_come_to_rest() {
    std::thread::scope(|scope| {
        for name in ["INT", "TERM", "KILL"] {
            scope.spawn(move || stopped(name));
        }
    });
}

#[cfg(target_os = "linux")]
fn stopped(name: &str) {
    let folder = folder(&format!("stopped-{name}"), "serial\nSN-1\nSN-2\n");
    let (_one, first) = served(&folder, "SN-1", "127.0.0.1:0");
    let (_two, second) = served(&folder, "SN-2", "127.0.0.1:0");
    let stations = [format!("S1={first}"), format!("S2={second}")];
    let more = ["--station", &stations[0], "--station", &stations[1]];
    let run: Child = started(program(&folder, &more));
    for serial in ["SN-1", "SN-2"] {
        until_done(&folder, serial);
    }
    signal(&run, name);
    if name != "KILL" {
        children(&folder).into_iter().for_each(|pid| send(pid, name));
    }
    // A batch that follows at once waits for the heads.
    let next = (name == "KILL").then(|| {
        std::thread::sleep(Duration::from_millis(100));
        started(program(&folder, &more))
    });
    let output = run.wait_with_output().unwrap();
    let told = String::from_utf8(output.stderr).unwrap();
    if let Some(next) = next {
        let next = ended(next);
        assert_eq!(next.code, Some(0), "{}", next.all());
        assert!(
            next.words().contains("are still being made safe: waiting for them"),
            "{}",
            next.all()
        );
        assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2"]);
    } else {
        assert_eq!(output.status.code(), Some(130), "{told}");
    }
    for serial in ["SN-1", "SN-2"] {
        let aside = folder.path(&format!("out/unfinished/{serial}.1/events.jsonl"));
        let here = folder.path(&format!("out/{serial}/events.jsonl"));
        let events = recorded(if name == "KILL" { aside } else { here });
        let end: Value = serde_json::from_str(events.lines().last().unwrap()).unwrap();
        assert_eq!(end["verdict"], "interrupted", "{name}: {end}");
        assert_eq!(
            (&end["head"]["at_rest"], &end["head"]["laser_off"]),
            (&true.into(), &true.into()),
            "{end}"
        );
    }
}

/// Killed at any moment, the batch or one of its processes, again and again: each head is finished once, stored once,
/// and what was cut off lies aside.
#[cfg(target_os = "linux")]
#[test]
fn kills_neither_repeat_nor_lose_a_head() {
    const HEADS: usize = 80;
    let all: Vec<String> = (0..HEADS).map(|k| format!("SN-{k:02}")).collect();
    let folder = folder("killed", &format!("serial\n{}\n", all.join("\n")));
    let stations = ["--station", "A=sim", "--station", "B=sim", "--station", "C=sim"];
    let mut random = 12345_u64;
    let mut next = move |most: u64| {
        random = random.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (random >> 33) % most
    };
    let (mut batches, mut processes) = (0, 0);
    loop {
        let mut command = program(&folder, &[&stations[..], &["--archive", "a.sqlite"]].concat());
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(100 + next(400)));
        if next(2) == 0 {
            if let Some(pid) = children(&folder).first() {
                // It may have ended meanwhile.
                let kill = Command::new("kill")
                    .args(["-KILL", &pid.to_string()])
                    .stderr(Stdio::null())
                    .status();
                processes += u32::from(kill.unwrap().success());
            }
        } else if child.try_wait().unwrap().is_none() {
            child.kill().unwrap();
            batches += 1;
        }
        let status = child.wait().unwrap();
        if status.code() == Some(0) {
            break;
        }
        assert!(batches + processes < 400, "it does not come to an end");
    }
    assert!(batches >= 2, "only {batches} kills of the batch, {processes} of a process");
    assert_eq!(serials(&folder, "done"), all);
    assert_eq!(stored(&folder), all);
    assert!(all.iter().all(|head| verify(&folder, &format!("out/{head}")) == 0));
    // A process that outlives the batch ends its record.
    for record in support::names(folder.0.join("out/unfinished")) {
        let manifest = folder.0.join(format!("out/unfinished/{record}/record.json"));
        let text = std::fs::read_to_string(manifest).unwrap_or_default();
        let is_ended = text.contains("\"verdict\": \"interrupted\"");
        let code = verify(&folder, &format!("out/unfinished/{record}"));
        assert_eq!(code, if is_ended { 0 } else { 1 }, "{record}: {text}");
    }
}
