//! Requests to stop while a reply is waited for, and recordings of runs that are killed over the wire.

use crate::support::Folder;
use crate::wire::bench::{Dice, PATIENCE, Server, ended, program, run, signal, started};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

/// Ctrl-C while the head watches turns for half a minute: the wait ends, and the head is safe.
#[test]
fn a_request_to_stop_ends_a_long_call() {
    let server = Server::with(&["--realtime", "--dead-man", "20s"]);
    let folder = Folder::new("wire");
    let script = folder.named("script.spt", "spin(4800 rpm)\nwait 3 s\nlet seen = turns(3000)\n");
    let child = started(program(&["run", &script, "--head", &server.address()]));
    let mut looking = server.line();
    let from = Instant::now();
    while looking.is_safe() {
        assert!(from.elapsed() < PATIENCE);
    }
    thread::sleep(Duration::from_secs(4));
    signal(&child, "INT");
    let asked = Instant::now();
    assert!(looking.until_safe() < Duration::from_secs(1));
    let ended = ended(child);
    // It sees the polygon to rest.
    assert!(asked.elapsed() < PATIENCE, "{:?}", asked.elapsed());
    assert_eq!(ended.code, Some(130), "{}", ended.all());
    let told = ended.words();
    assert!(told.contains("laser off, mirror parked, polygon at rest (measured)"), "{told}");
}

/// What is on disk of a run that was killed plays back up to there, or is refused in words.
#[test]
fn a_recording_of_a_killed_run_is_good_up_to_there() {
    let server = Server::new();
    let mut dice = Dice::new(0xACE);
    let folder = Folder::new("killed");
    let (mut cut, mut calls) = (0, 0);
    for round in 0..12 {
        let file = folder.path(&format!("{round}.trace"));
        let address = server.address();
        let mut child =
            program(&["run", "scripts/bring_up.spt", "--head", &address, "--trace", &file])
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
        let from = Instant::now();
        while !std::path::Path::new(&file).exists() && from.elapsed() < PATIENCE {
            thread::sleep(Duration::from_millis(1));
        }
        thread::sleep(Duration::from_millis(dice.below(150)));
        signal(&child, "KILL");
        if child.wait().unwrap().code().is_some() || !std::path::Path::new(&file).exists() {
            continue;
        }
        cut += 1;
        let listed = run(&["head", "trace", &file]);
        let replayed = run(&["run", "scripts/bring_up.spt", "--head", &format!("replay:{file}")]);
        let (listing, replay) = (listed.words(), replayed.words());
        for (output, words) in [(&listed, &listing), (&replayed, &replay)] {
            assert!(output.code.is_some_and(|code| code != 0), "{words}");
            assert!(!words.contains("internal error") && !words.contains("panic"), "{words}");
        }
        if listed.code == Some(1) {
            assert!(listing.contains("cut off"), "{listing}");
            assert!(replay.contains("recording"), "{replay}");
            calls += listing.matches(" spin ").count();
        } else {
            // Killed before the first line was out.
            assert!(listing.contains("error: ") && listing.contains(".trace"), "{listing}");
        }
    }
    assert!(cut > 2 && calls > 0, "{cut} were cut off, {calls} had begun to move");
}
