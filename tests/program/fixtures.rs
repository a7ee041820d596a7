//! `--fixture` from outside: what is fitted to which head, what is refused and why, and runs with a
//! device that is not there. `tests/extra/modbus.sh` tries a real one.

use crate::program::{at_root, json_lines, recorded};
use crate::support::{Folder, root};
use std::net::TcpListener;

const STATION: &str = "scripts/fixtures/station.toml";

/// What is printed, in one line, and the exit code.
#[track_caller]
fn says(arguments: &[&str], code: i32, words: &[&str]) {
    let ended = at_root(arguments);
    let line = ended.words();
    assert_eq!(ended.code, Some(code), "{}", ended.all());
    for word in words {
        assert!(line.contains(word), "`{word}` is not in:\n{}", ended.all());
    }
}

/// The shipped station, at an address of this machine where nothing listens.
fn absent(folder: &Folder) -> String {
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let text = std::fs::read_to_string(root().join(STATION)).unwrap();
    let text = text.replace("192.0.2.10:502", &free.to_string());
    folder.named("station.toml", text)
}

#[test]
fn names_are_known_without_a_device() {
    let folder = Folder::new("fixture-names");
    let station = absent(&folder);
    let words = ["vacuum", "answer of a signal or a channel 550 ms", "clamp output"];
    says(&["head", "describe", "sim", "--fixture", &station], 0, &words);
    let good = folder.file("good.spt", "switch_on(\"clamp\")\n");
    let good = good.display().to_string();
    says(&["check", &good, "--fixture", &station], 0, &["no problems", "switches"]);
    // No head is named, so none lacks it; one that is named does.
    says(&["check", &good], 0, &["needs a head with clamp: `--head` names it"]);
    says(&["check", &good, "--head", "sim"], 2, &["[E0908]", "clamp"]);
    says(&["run", &good], 2, &["[E0908]", "clamp"]);
    let bad = folder.named("bad.spt", "switch_on(\"vacuum\")\n");
    says(&["check", &bad, "--fixture", &station], 2, &["vacuum"]);
}

#[test]
fn where_no_fixture_can_be() {
    let folder = Folder::new("fixture-refused");
    let script = folder.named("empty.spt", "\n");
    says(&["simulate", &script, "--fixture", STATION], 2, &["a fixture is one real device"]);
    let trace = folder.path("run.trace");
    says(&["run", &script, "--trace", &trace], 0, &["PASSED"]);
    let replay = format!("replay:{trace}");
    says(&["run", &script, "--head", &replay, "--fixture", STATION], 2, &["leave `--fixture"]);
    let own = "sim:scripts/heads/ten_with_station.toml";
    says(&["run", &script, "--head", own, "--fixture", STATION], 2, &["would be there twice"]);
    let head = folder.named("head.toml", "[head]\nmodel = \"x\"\n");
    says(&["run", &script, "--fixture", &head], 2, &["no table `head`", "no table `[modbus]`"]);
    says(&["run", &script, "--fixture", "absent.toml"], 2, &["there is no file absent.toml"]);
}

#[test]
fn a_device_that_is_not_there_is_told_and_the_head_is_safe() {
    let folder = Folder::new("fixture-absent");
    let station = absent(&folder);
    let script = folder.named("door.spt", "expect \"door\": not signal(\"door_open\")\n");
    let record = folder.path("record");
    let words = [
        "passes as on a bench",
        "failed at reading `door_open` (discrete input 3): it refuses the connection",
        "the output `lamp` could not be switched off",
        "the channel `pump` could not be set to 0 kPa",
        "laser off, mirror parked, polygon at rest (measured)",
    ];
    says(&["run", &script, "--fixture", &station, "--record", &record], 3, &words);
    let events = recorded(folder.path("record/events.jsonl"));
    assert!(events.contains("door_open"), "the record has the call");
}

/// A device that takes connections and says nothing is given up within the stated time.
#[test]
fn a_silent_device_is_given_up_within_the_bound() {
    let folder = Folder::new("fixture-silent");
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let text = std::fs::read_to_string(root().join(STATION)).unwrap();
    let text = text.replace("192.0.2.10:502", &silent.local_addr().unwrap().to_string());
    let station = folder.named("station.toml", text.replace("500 ms", "200 ms"));
    let script = folder.named("clamp.spt", "switch_on(\"clamp\")\n");
    let ended = at_root(&["run", &script, "--fixture", &station, "--json"]);
    assert_eq!(ended.code, Some(3));
    let lines = ended.out;
    let end = json_lines(&lines).pop().unwrap();
    let time = |key: &str| end[key]["value"].as_f64().unwrap();
    let (most, took) = (time("at_most"), time("took"));
    // One write, and both outputs that have a safe state, twice each.
    assert!(took > 0.9 && took < most, "{took} s, at most {most} s\n{lines}");
    assert!(lines.contains("no reply came within 0.2 s; whether it was carried out is not known"));
}
