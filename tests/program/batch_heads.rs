//! Batches on heads that stand somewhere: at places of their own, one after the other at one place, not
//! there yet, and with a fixture around them.

use crate::program::{Ended, command, ended, recorded, signal, started};
use crate::support::Folder;
use crate::wire::bench::Server;
use std::fs;
use std::net::TcpListener;
use std::process::Command;
use std::time::{Duration, Instant};

const SCRIPT: &str = "\
spin(3000 rpm)
wait until locked() within 20 s
expect \"speed\": status().speed ± 1 rpm within 2990 rpm .. 3010 rpm
";

const BATCH: [&str; 6] = ["batch", "script.spt", "--list", "heads.csv", "--record", "out"];

fn program(folder: &Folder, arguments: &[&str]) -> Command {
    let mut command = command(folder, arguments);
    command.env("COLUMNS", "80");
    command
}

/// The exit code, and what is printed in one line.
fn batch(folder: &Folder, more: &[&str]) -> (i32, String) {
    let ended = Ended::from(program(folder, &[&BATCH[..], more].concat()).output().unwrap());
    (ended.code.unwrap_or(-1), ended.words())
}

/// Serves a head with a serial number.
fn served(folder: &Folder, serial: &str, listen: &str, more: &[&str]) -> Server {
    let file = folder.named(&format!("{serial}.toml"), format!("[head]\nserial = \"{serial}\"\n"));
    Server::at(listen, &[&["--head", &format!("sim:{file}")], more].concat())
}

fn free() -> String {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string()
}

/// Serial number and verdict of each head, as the summary has them.
fn verdicts(folder: &Folder) -> Vec<(String, String)> {
    let table = folder.read("out/summary.csv");
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    rows.records().map(|row| row.unwrap()).map(|row| (row[0].into(), row[1].into())).collect()
}

fn pairs(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
    pairs.iter().map(|(one, two)| (one.to_string(), two.to_string())).collect()
}

#[test]
fn each_head_at_its_place_and_one_that_comes_later() {
    let folder = Folder::new("batch-places");
    folder.file("script.spt", SCRIPT);
    let one = served(&folder, "SN-1", "127.0.0.1:0", &[]);
    let later = free();
    let list =
        format!("serial,head\nSN-1,{}\nSN-2,tcp://{later}\nSN-3,sim:SN-3.toml\n", one.address());
    folder.file("heads.csv", list);
    folder.file("SN-3.toml", "[head]\nserial = \"SN-3\"\n");
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 3, "{told}");
    assert!(told.contains("cannot connect to") && told.contains("when its turn comes"), "{told}");
    let wanted = [("SN-1", "passed"), ("SN-2", "no answer"), ("SN-3", "passed")];
    assert_eq!(verdicts(&folder), pairs(&wanted));
    // It is there now, and the others, which are finished, need not be.
    drop(one);
    let _two = served(&folder, "SN-2", &later, &[]);
    let (code, told) = batch(&folder, &[]);
    assert_eq!(code, 0, "{told}");
    let wanted = [("SN-1", "passed"), ("SN-2", "passed"), ("SN-3", "passed")];
    assert_eq!(verdicts(&folder), pairs(&wanted));
    for serial in ["SN-1", "SN-2", "SN-3"] {
        let verify = program(&folder, &["record", "verify", &format!("out/{serial}")]).output();
        assert!(verify.unwrap().status.success(), "{serial}");
    }
}

#[test]
fn heads_one_after_the_other_at_one_place() {
    let folder = Folder::new("batch-place");
    folder.file("script.spt", SCRIPT);
    folder.file("heads.csv", "serial\nSN-1\nSN-2\n");
    let place = free();
    let head = format!("tcp://{place}");
    for (serial, code) in [("SN-1", 3), ("SN-2", 0)] {
        let _served = served(&folder, serial, &place, &[]);
        let (found, told) = batch(&folder, &["--head", &head]);
        assert_eq!(found, code, "{told}");
        if code == 3 {
            assert!(told.contains("the head says that it is SN-1"), "{told}");
        }
    }
    assert_eq!(verdicts(&folder), pairs(&[("SN-1", "passed"), ("SN-2", "passed")]));
}

/// What the script wants of the head is looked at before any head moves.
#[test]
fn what_does_not_fit_a_head_is_told_first() {
    let folder = Folder::new("batch-fit");
    folder.file("script.spt", "switch_on(\"clamp\")\n");
    let served = served(&folder, "SN-1", "127.0.0.1:0", &[]);
    let head = served.address();
    folder.file("heads.csv", "serial\nSN-1\n");
    let (code, told) = batch(&folder, &["--head", &head]);
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("E0908") && told.contains("nothing was run"), "{told}");
    // Nor are faults injected into a served head from here.
    folder.file("script.spt", SCRIPT);
    folder.file("heads.csv", "serial,fault\nSN-1,no_lock\n");
    let (code, told) = batch(&folder, &["--head", &head]);
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("give faults to the server of the head"), "{told}");
}

/// A fixture is fitted to each head, and known by its file before anything moves.
#[test]
fn a_fixture_is_fitted_to_every_head() {
    let folder = Folder::new("batch-fixture");
    folder.file("script.spt", "expect \"door\": not signal(\"door_open\")\n");
    folder.file("heads.csv", "serial\nSN-1\n");
    let station = format!(
        "[modbus]\naddress = \"{}\"\nunit = 1\n[[signal]]\nname = \"door_open\"\ndirection = \"input\"\n\
         discrete_input = 3\n",
        free()
    );
    folder.file("station.toml", station);
    let served = served(&folder, "SN-1", "127.0.0.1:0", &[]);
    let head = served.address();
    let (code, told) = batch(&folder, &["--head", &head, "--fixture", "station.toml"]);
    assert_eq!(code, 3, "{told}");
    assert!(told.contains("failed at reading `door_open` (discrete input 3)"), "{told}");
    let (code, told) = batch(&folder, &["--head", &head, "--fixture", "heads.csv"]);
    assert!(code == 2 && told.contains("this is not TOML") && !told.contains("SN-1:"), "{told}");
    // Another fixture is another batch.
    folder.file("station.toml", folder.read("station.toml") + "\n");
    let (code, told) = batch(&folder, &["--head", &head, "--fixture", "station.toml"]);
    assert!(code == 2 && told.contains("this is not the batch that was begun"), "{told}");
}

/// Asked to stop at any moment of the end, nothing passes, and how a head was left is what was
/// measured: at rest after the first request, turning where a second one ended the wait. Braking
/// takes 2.4 s.
#[test]
fn a_request_to_stop_while_braking_never_passes() {
    let moments = [&[0][..], &[200], &[600], &[1200], &[0, 300]];
    std::thread::scope(|scope| {
        for (command, moments) in moments.iter().flat_map(|m| [("run", *m), ("batch", *m)]) {
            scope.spawn(move || stopped_while_braking(command, moments));
        }
    });
}

/// Requests so many ms after each other, the first behind the end of the script.
fn stopped_while_braking(command: &str, moments: &[u64]) {
    let folder = Folder::new(&format!("braking-{command}-{moments:?}"));
    folder.file("script.spt", format!("{SCRIPT}note \"done\"\n"));
    folder.file("heads.csv", "serial\nSN-1\nSN-2\n");
    let served = served(&folder, "SN-1", "127.0.0.1:0", &["--realtime"]);
    let head = served.address();
    let arguments = match command {
        "run" => vec!["run", "script.spt", "--head", &head, "--record", "out/SN-1"],
        _ => [&BATCH[..], &["--head", &head]].concat(),
    };
    let run = started(program(&folder, &arguments));
    let events = folder.0.join("out/SN-1/events.jsonl");
    let begun = Instant::now();
    while !fs::read_to_string(&events).is_ok_and(|text| text.contains("\"event\":\"note\"")) {
        assert!(begun.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(10));
    }
    for moment in moments {
        std::thread::sleep(Duration::from_millis(*moment));
        signal(&run, "INT");
    }
    let output = ended(run);
    let told = output.all();
    assert_eq!(output.code, Some(130), "{command} {moments:?}: {told}");
    let events = recorded(&events);
    let end: serde_json::Value = serde_json::from_str(events.lines().last().unwrap()).unwrap();
    assert_eq!(end["verdict"], "interrupted", "{end}");
    let rests = moments.len() == 1;
    assert_eq!(end["head"]["at_rest"], rests, "{command} {moments:?}: {end}");
    let speed = end["head"]["speed"]["value"].as_f64().unwrap();
    assert_eq!(speed > 7.0, !rests, "{command} {moments:?}: {end}");
    if command == "batch" {
        let table = folder.read("out/summary.csv");
        let left_safe = if rests { ",SN-1,yes,yes,1," } else { ",SN-1,no,yes,1," };
        assert!(table.contains("SN-1,interrupted,130,") && table.contains(left_safe), "{table}");
        assert_eq!(told.contains("SN-1 was not left safe"), !rests, "{told}");
    }
}

#[test]
fn a_request_to_stop_makes_the_head_safe_at_once() {
    let folder = Folder::new("batch-stop");
    folder.file("script.spt", "spin(3000 rpm)\nlet seen = turns(10000)\nnote \"done\"\n");
    folder.file("heads.csv", "serial\nSN-1\nSN-2\n");
    let served = served(&folder, "SN-1", "127.0.0.1:0", &["--realtime"]);
    let head = served.address();
    let run = started(program(&folder, &[&BATCH[..], &["--head", &head, "--json"]].concat()));
    let begun = Instant::now();
    while !folder.0.join("out/SN-1/events.jsonl").exists() {
        assert!(begun.elapsed() < Duration::from_secs(20));
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(1500));
    let asked = Instant::now();
    signal(&run, "INT");
    let output = ended(run);
    let told = output.all();
    assert_eq!(output.code, Some(130), "{told}");
    // The polygon is seen to rest, which takes some seconds.
    assert!(asked.elapsed() < Duration::from_secs(20), "{:?}", asked.elapsed());
    let events = recorded(folder.path("out/SN-1/events.jsonl"));
    let end = events.lines().last().unwrap();
    assert!(
        end.contains("\"laser_off\":true") && end.contains("\"verdict\":\"interrupted\""),
        "{end}"
    );
}
