//! Batches whose serial numbers are typed or scanned while they run, and stations by the names of heads in
//! spintrue.toml with what stands around each.

use crate::batch_stations::serials;
use crate::program::{Ended, Typing, command, json_lines, piped, spintrue};
use crate::support::Folder;
use crate::wire::bench::Server;
use serde_json::Value;
use std::net::TcpListener;

const SCRIPT: &str = "\
param width = 1 um
spin(3000 rpm)
wait until locked() within 20 s
expect \"width\": width <= 2 um
";

const BATCH: [&str; 6] = ["batch", "script.spt", "--list", "-", "--record", "out"];

fn folder(name: &str) -> Folder {
    let folder = Folder::new(&format!("queue-{name}"));
    folder.file("script.spt", SCRIPT);
    folder
}

fn program(folder: &Folder, more: &[&str]) -> std::process::Command {
    let mut command = command(folder, &[&BATCH[..], more].concat());
    command.env("COLUMNS", "100");
    command
}

fn scanned(folder: &Folder, more: &[&str], lines: impl AsRef<[u8]>) -> Ended {
    piped(program(folder, more), lines)
}

fn identity(folder: &Folder, serial: &str) -> Value {
    let record = folder.read(&format!("out/{serial}/record.json"));
    serde_json::from_str::<Value>(&record).unwrap()["identity"].take()
}

#[test]
fn what_is_scanned_is_run_and_what_is_not_fit_is_told() {
    let folder = folder("scanned");
    let long = "x".repeat(5000);
    let lines = format!("SN-1\nSN 2\r\n\n \nSN-1\nSN\u{7}3\n{long}\n=4,\"a\"\nCON\nlast");
    let mut lines = lines.into_bytes();
    lines.splice(0..0, *b"\xff\n");
    let ended = scanned(&folder, &["--station", "A=sim", "--station", "B=sim"], lines);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    let words = ended.words();
    for text in [
        "script.spt on the heads of out/queue.csv",
        "Lasers and rotors hurt people.",
        "Type or scan serial numbers",
        "a line that is not UTF-8: not taken",
        "an empty line: not taken: scan or type it again",
        "or invisible characters",
        "a line of 4096 bytes or more: not taken",
        "A: runs SN-1",
        "5 heads: 5 passed",
    ] {
        assert!(words.contains(text), "{text}: {}", ended.all());
    }
    assert_eq!(words.matches("an empty line").count(), 2);
    let again = ["SN-1: is in the queue already", "SN-1: runs already at", "SN-1: has its result"];
    assert!(again.iter().any(|text| words.contains(text)), "{}", ended.all());
    assert_eq!(serials(&folder, "done"), ["=4,\"a\"", "CON", "SN 2", "SN-1", "last"]);
    assert_eq!(folder.read("out/queue.csv"), "serial\nSN-1\nSN 2\n\"=4,\"\"a\"\"\"\nCON\nlast\n");
    assert_eq!(spintrue(&folder, &["record", "verify", "out"]).code, Some(0));
    // It goes on with more.
    let more = scanned(&folder, &["--station", "C=sim"], "last\nSN-5\n");
    let words = more.words();
    assert!(words.contains("last: has its result, passed: `--retest REASON`"), "{}", more.all());
    assert!(words.contains("6 heads: 6 passed"), "{}", more.all());
    let json = scanned(&folder, &["--station", "C=sim", "--json"], "\nSN-5\n");
    let events = json_lines(&json.out);
    let told: Vec<&Value> = events.iter().filter(|it| it["event"] == "queue").collect();
    assert_eq!(told.len(), 2, "{}", json.all());
    assert_eq!((&told[1]["serial"], json.code), (&"SN-5".into(), Some(0)));
}

#[test]
fn a_queue_is_refused_before_it_begins() {
    let folder = folder("refused");
    folder.file("asks.spt", "ask \"Name of the fitter\": text\n");
    folder.file("unset.spt", "param width: length\nrecord \"width\": width\n");
    folder.file("narrow.toml", "width = \"1 um\"\n");
    folder.file("wrong.toml", "width = \"1 kg\"\n");
    let sim = ["--station", "A=sim"];
    let cases: &[(&str, &[&str], &[&str])] = &[
        ("script.spt", &[], &["add `--station NAME=ADDRESS`, one is enough"]),
        ("asks.spt", &sim, &["no operator is there to answer", "error: nothing was run"]),
        ("unset.spt", &sim, &["width"]),
        ("script.spt", &["--station", "A=sim", "--sheet", "A*=wrong.toml"], &["wrong.toml:1"]),
        ("script.spt", &["--station", "A=sim", "--at-most", "1 s"], &["nothing was run"]),
        ("gone.spt", &sim, &["there is no file gone.spt"]),
    ];
    for (script, more, wanted) in cases {
        let arguments = [&["batch", script, "--list", "-", "--record", "out"], *more].concat();
        let ended = piped(command(&folder, &arguments), "SN-1\n");
        let words = ended.words();
        assert_eq!(ended.code, Some(2), "{script} {more:?}: {}", ended.all());
        assert!(wanted.iter().all(|text| words.contains(text)), "{script}: {}", ended.all());
        assert!(!folder.0.join("out").exists(), "{script} {more:?}");
    }
    // A serial number without a data sheet does not end the queue.
    let sheets = ["--station", "A=sim", "--sheet", "A*=narrow.toml"];
    let ended = scanned(&folder, &sheets, "B-1\nA-1\n");
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    assert!(ended.words().contains("B-1: not taken: no pattern of `--sheet` fits it"));
    assert_eq!(serials(&folder, "done"), ["A-1"]);
    // A file is no queue, and a queue no file.
    folder.file("heads.csv", "serial\nA-2\n");
    let other = ["batch", "script.spt", "--list", "heads.csv", "--record", "out"];
    let ended = spintrue(&folder, &[&other[..], &sheets].concat());
    assert!(ended.words().contains("A-1 is not in the list any more"), "{}", ended.all());
}

/// What was taken is run once, however often the batch is killed; what was not told is scanned again.
#[cfg(unix)]
#[test]
fn a_queue_that_was_killed_goes_on() {
    let folder = folder("killed");
    let stations = ["--station", "A=sim", "--station", "B=sim", "--archive", "a.sqlite"];
    let mut taken: Vec<String> = Vec::new();
    for round in 0..6 {
        let mut typing = Typing::new(program(&folder, &stations));
        for number in 0..8 {
            let serial = format!("SN-{round}{number}");
            typing.types(&format!("{serial}\n"));
            taken.push(serial);
        }
        // The last is told, so that all are on the disk; it waits, runs, or is done.
        let last = taken.last().unwrap();
        typing.until(&format!("{last}: "));
        std::thread::sleep(std::time::Duration::from_millis(40 * round));
        typing.signal("KILL");
        typing.end();
        // As a power cut might leave it.
        let path = folder.0.join("out/queue.csv");
        let text = folder.read("out/queue.csv") + "TORN";
        std::fs::write(path, text).unwrap();
    }
    let ended = scanned(&folder, &stations, "");
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    taken.sort();
    assert_eq!(serials(&folder, "done"), taken);
    let archive = rusqlite::Connection::open(folder.0.join("a.sqlite")).unwrap();
    let mut asked = archive.prepare("SELECT serial FROM runs ORDER BY serial").unwrap();
    let stored = asked.query_map([], |row| row.get(0)).unwrap();
    assert_eq!(stored.map(Result::unwrap).collect::<Vec<String>>(), taken);
    assert_eq!(spintrue(&folder, &["record", "verify", "out"]).code, Some(0));
}

fn served(folder: &Folder, serial: &str, listen: &str) -> Server {
    let file = folder.named(&format!("{serial}.toml"), format!("[head]\nserial = \"{serial}\"\n"));
    Server::at(listen, &["--head", &format!("sim:{file}")])
}

/// The screen says which head is to be mounted where; what is mounted elsewhere is run there, and the next takes its
/// place.
#[test]
fn the_screen_says_what_is_to_be_mounted_where() {
    let folder = folder("mounted");
    let (first, second) =
        (served(&folder, "SN-1", "127.0.0.1:0"), served(&folder, "SN-2", "127.0.0.1:0"));
    let stations = [format!("S1={}", first.address()), format!("S2={}", second.address())];
    let more = ["--station", &stations[0], "--station", &stations[1]];
    let mut typing = Typing::new(program(&folder, &more));
    typing.until("Type or scan");
    typing.types("SN-2\n");
    typing.until("S1: mount SN-2");
    typing.until("S2: runs SN-2");
    typing.until("SN-2: PASSED");
    typing.types("SN-3\nSN-1\nSN-4\n");
    typing.until("S1: mount SN-3");
    typing.until("S1: runs SN-1");
    typing.until("S2: mount SN-3");
    typing.until("SN-1: PASSED");
    let place = second.place.clone();
    drop(second);
    typing.until("S2: the head does not answer");
    let _third = served(&folder, "SN-3", &place);
    typing.until("SN-3: PASSED");
    // The input ends; the head that is not mounted is waited for until Ctrl-C.
    typing.stdin = None;
    typing.signal("INT");
    let (told, code) = typing.end();
    assert_eq!(code, Some(130), "{told}");
    assert!(told.contains("1 of 4 heads are not finished"), "{told}");
    assert_eq!(serials(&folder, "done"), ["SN-1", "SN-2", "SN-3"]);
}

#[test]
fn stations_are_heads_of_the_project_with_what_stands_around_them() {
    let folder = folder("project");
    // Nothing listens there.
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let device =
        std::fs::read_to_string(crate::support::root().join("scripts/fixtures/station.toml"));
    folder.file("device.toml", device.unwrap().replace("192.0.2.10:502", &free.to_string()));
    let gauge =
        std::fs::read_to_string(crate::support::root().join("scripts/gauges/line_gauge.toml"));
    let gauge = gauge.unwrap();
    folder.file("g1.toml", gauge.replace("LG-1", "LG-left"));
    let study = "[study]\nstation = \"elsewhere\"\nmade = \"2026-01-01\"\ndue = \"2099-01-01\"\n\
        in_scan = 0.1\ncross_scan = 0.1\n";
    folder.file("g2.toml", gauge + study);
    folder.file(
        "spintrue.toml",
        "[heads]\nleft = \"sim\"\nright = \"sim\"\nfitted = \"sim\"\nwrong = \"sim\"\n\
         [around.left]\ngauge-file = \"g1.toml\"\n[around.fitted]\nfixture = [\"device.toml\"]\n\
         [around.wrong]\ngauge-file = \"g2.toml\"\n\
         [defaults]\nidentity = [\"station=one\", \"shift=night\"]\nfixture = [\"none.toml\"]\n",
    );
    let left = ["--station", "left", "--station", "other=right"];
    let ended = scanned(&folder, &left, "SN-1\nSN-2\nSN-3\nSN-4\n");
    assert_eq!(ended.code, Some(0), "{}", ended.all());
    let mut seen = std::collections::BTreeSet::new();
    for serial in ["SN-1", "SN-2", "SN-3", "SN-4"] {
        let named = &identity(&folder, serial)["named"];
        assert_eq!(named["shift"], "night");
        let (station, gauge) = (named["station"].as_str().unwrap(), named["gauge"].as_str());
        assert_eq!(gauge, if station == "left" { Some("LG-left") } else { None }, "{named}");
        seen.insert(station.to_string());
    }
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), ["left", "other"]);
    // The same holds for a single run.
    let run = spintrue(&folder, &["run", "script.spt", "--head", "left", "--record", "one"]);
    assert!(
        run.code == Some(0) && folder.read("one/record.json").contains("LG-left"),
        "{}",
        run.all()
    );
    // A signal of a fixture is there where the fixture stands, and the device that does not answer ends that run.
    folder.file("clamp.spt", "switch_on(\"clamp\")\n");
    folder.file("heads.csv", "serial\nSN-1\n");
    let clamp = |station: &str| {
        let list = ["batch", "clamp.spt", "--list", "heads.csv", "--record"];
        spintrue(&folder, &[&list[..], &[station, "--station", station]].concat())
    };
    let ended = clamp("right");
    assert!(ended.code == Some(2) && ended.words().contains("E0908"), "{}", ended.all());
    let ended = clamp("fitted");
    assert!(ended.words().contains("it refuses the connection"), "{}", ended.all());
    let ended = clamp("wrong");
    let why = "station wrong: the study in the file of gauge LG-1 was made at station elsewhere";
    assert!(ended.code == Some(2) && ended.words().contains(why), "{}", ended.all());
    // No file chooses a head, and a name that is none is told.
    for (station, why) in [
        ("nowhere", "spintrue.toml has no head `nowhere`; it has fitted, left, right, wrong"),
        ("A=nowhere", "has no head `nowhere`"),
        ("tcp://h:1", "or the name of a head in spintrue.toml"),
    ] {
        let ended = clamp(station);
        assert!(ended.code == Some(2) && ended.words().contains(why), "{}", ended.all());
    }
    folder.file("spintrue.toml", "[heads]\na = \"sim\"\n[around.b]\nfixture = []\n");
    let ended = clamp("a");
    assert!(ended.words().contains("`[around.b]` belongs to no head"), "{}", ended.all());
}

/// An update of the program in the middle of a batch: heads are run by the program that the batch began with.
#[cfg(target_os = "linux")]
#[test]
fn a_batch_goes_on_with_its_program_when_another_is_installed() {
    let folder = folder("replaced");
    let own = folder.0.join("spintrue");
    std::fs::copy(env!("CARGO_BIN_EXE_spintrue"), &own).unwrap();
    let mut command = std::process::Command::new(&own);
    command.current_dir(&folder.0).args(BATCH).args(["--station", "A=sim"]);
    let mut typing = Typing::new(command);
    typing.types("SN-1\n");
    typing.until("SN-1: PASSED");
    std::fs::remove_file(&own).unwrap();
    folder.file("spintrue", "another program");
    typing.types("SN-2\n");
    typing.stdin = None;
    let (said, code) = typing.end();
    assert_eq!(
        (code, serials(&folder, "done")),
        (Some(0), vec!["SN-1".into(), "SN-2".into()]),
        "{said}"
    );
}
