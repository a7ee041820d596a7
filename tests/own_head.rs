//! The worked example of a head through the trait, `examples/own_head`, as somebody else's crate
//! would use it: the contracts, a script through the library, and the program over the wire.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

#[path = "../examples/own_head/board.rs"]
mod board;
#[path = "../examples/own_head/head.rs"]
mod head;

use board::{Board, Imaginary, Word};
use head::{OwnGauge, OwnHead, Shared};
use spintrue::cli::HeadAndGauge;
use spintrue::diagnostics::render::render;
use spintrue::head::contract::{self, Outcome, Permissions};
use spintrue::head::station::Station;
use spintrue::head::wire::acceptor::Listener;
use spintrue::head::wire::control::Served;
use spintrue::head::wire::server::serve;
use spintrue::head::{Calls, Fault, Rig};
use spintrue::interpret::{Event, Observer};
use spintrue::session::{self, FileError, Files, Text, Verdict, prepare};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const EVERYTHING: Permissions =
    Permissions { trims: true, motion: true, light: true, switches: true };

fn made(interlock: bool) -> (Shared<Imaginary>, HeadAndGauge) {
    let mut board = Imaginary::new();
    board.interlock = interlock;
    let board = Rc::new(RefCell::new(board));
    let head = Box::new(OwnHead::new(Rc::clone(&board)));
    let gauge = Box::new(OwnGauge { board: Rc::clone(&board) });
    (board, (head, Some(gauge)))
}

/// Closed or open, nothing is broken, and each contract is kept at least once.
#[test]
fn every_contract_is_kept() {
    let told = [true, false].map(|interlock| {
        let (_, (head, gauge)) = made(interlock);
        contract::run(Box::new(Rig::new(head, gauge)), EVERYTHING).outcomes
    });
    for (closed, open) in told[0].iter().zip(&told[1]) {
        let (contract, found) = closed;
        let broken = [found, &open.1].into_iter().find(|found| matches!(found, Outcome::Broken(_)));
        assert!(broken.is_none(), "{}: {broken:?}", contract.name);
        assert!([found, &open.1].contains(&&Outcome::Kept), "{}: {found:?}", contract.name);
    }
}

/// The lines of the station are the ones of the board, whichever level is active.
#[test]
fn a_script_reads_and_switches_lines() {
    let script = "switch_on(\"clamp\")\nset_channel(\"blower\", to: 50 %)\nswitch_on(\"lamp\")\n\
                  expect \"door\": not signal(\"door_open\")\n\
                  expect \"blower\": abs(channel(\"blower\", like: 1 %) - 50 %) < 0.01 %\n";
    let prepared = prepare(&mut Disk(Some(script)), "lines.spt", &[]).unwrap();
    for door_open in [false, true] {
        let (board, (head, gauge)) = made(true);
        board.borrow_mut().door_open = door_open;
        let mut station = Station::open(Box::new(Rig::new(head, gauge)), Arc::default()).unwrap();
        let mut notes = Notes::default();
        let description = station.description().clone();
        let runnable = prepared
            .admit(&description, &|fault| station.check_can_inject(fault), Vec::new())
            .ok()
            .unwrap();
        let ended = session::run(runnable, &mut station, &mut notes);
        let wanted = if door_open { Verdict::Failed } else { Verdict::Passed };
        assert_eq!(ended.verdict(), wanted, "{ended:?}");
        // Made safe: the clamp holds, the lamp is dark, the blower stands.
        assert_eq!(board.borrow().word(Word::Outputs), board::CLAMP);
        assert_eq!(board.borrow().word(Word::Blower), 0);
    }
}

/// A board that is not what the head takes it for is found out.
#[test]
fn a_wrong_line_is_seen() {
    /// Enables the laser and says nothing of it.
    struct Miswired(Imaginary);

    impl Board for Miswired {
        fn read(&mut self, word: Word) -> u32 {
            let value = self.0.read(word);
            if word == Word::Control { value & !board::LASER } else { value }
        }
        fn write(&mut self, word: Word, value: u32) {
            self.0.write(word, value);
        }
        fn now(&mut self) -> f64 {
            self.0.now()
        }
        fn wait(&mut self, seconds: f64) {
            self.0.wait(seconds);
        }
    }

    let board = Rc::new(RefCell::new(Miswired(Imaginary::new())));
    let told = contract::run(Box::new(Rig::new(Box::new(OwnHead::new(board)), None)), EVERYTHING);
    let broken = |(contract, found): &(&contract::Contract, Outcome)| {
        matches!(found, Outcome::Broken(_)).then_some(contract.name)
    };
    let broken: Vec<&str> = told.outcomes.iter().filter_map(broken).collect();
    assert!(broken.contains(&"armed_guards") && broken.contains(&"line_drawn"), "{broken:?}");
}

fn scripts() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts")
}

/// Scripts from the folder of scripts, or a text.
struct Disk(Option<&'static str>);

impl Files for Disk {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let text = match (from, self.0) {
            (None, Some(text)) => text.to_string(),
            _ => std::fs::read_to_string(scripts().join(path)).map_err(|why| why.to_string())?,
        };
        Ok(Text { name: path.to_string(), text })
    }
}

/// Keeps the notes of a run.
#[derive(Default)]
struct Notes(Vec<String>);

impl Observer for Notes {
    fn event(&mut self, _time: f64, event: Event) {
        if let Event::Note(text) = event {
            self.0.push(text);
        }
    }
}

#[test]
fn a_script_runs_on_it_through_the_library() {
    let prepared = prepare(&mut Disk(None), "bring_up.spt", &[]).unwrap();
    let (board, (head, gauge)) = made(true);
    let mut station = Station::open(Box::new(Rig::new(head, gauge)), Arc::default()).unwrap();
    let mut notes = Notes::default();
    let description = station.description().clone();
    let runnable = prepared
        .admit(&description, &|fault| station.check_can_inject(fault), Vec::new())
        .ok()
        .unwrap();
    let ended = session::run(runnable, &mut station, &mut notes);
    assert_eq!(ended.verdict(), Verdict::Passed, "{ended:?}\n{}", notes.0.join("\n"));
    assert!(notes.0.iter().any(|note| note == "trims stored"), "{:?}", notes.0);
    assert_eq!(board.borrow().word(Word::Store), 1);
    let control = board.borrow().word(Word::Control);
    assert_eq!(control & (board::LASER | board::DRIVE), 0);
    assert!(ended.safe.laser_off && ended.safe.parked && ended.safe.at_rest);
}

/// What is wrong with a script or a head is told with its place and a reason.
#[test]
fn what_is_wrong_is_told() {
    let prepared = prepare(&mut Disk(Some("spin(80 Hz)\n")), "wrong.spt", &[]).unwrap();
    let said = render(&prepared.diagnostics, &prepared.sources, false, 80);
    assert!(prepared.program.is_none() && said.contains("wrong.spt:1:6"), "{said}");

    let (_, (head, gauge)) = made(false);
    let mut station = Station::open(Box::new(Rig::new(head, gauge)), Arc::default()).unwrap();
    let said = station.spin(700.0).unwrap_err().to_string();
    assert_eq!(said, "polygon speed 6684.5 rpm is outside 572.96 rpm to 6016.1 rpm");
    assert_eq!(station.arm(0.2).unwrap_err(), Fault::InterlockOpen.into());
}

/// Served through the library, it is brought up by the program at the other end.
#[test]
fn the_program_brings_it_up_over_the_wire() {
    let (end, door) =
        (Arc::new(AtomicBool::new(false)), Listener::socket(([127, 0, 0, 1], 0).into()));
    let door = door.unwrap();
    let place = door.at().unwrap();
    let serving = {
        let end = Arc::clone(&end);
        std::thread::spawn(move || {
            // A head stays on the thread that made it.
            let (board, (head, gauge)) = made(true);
            let mut said = Vec::new();
            let mut log = |line: &str| said.push(line.to_string());
            let served = Served::new(head, gauge, false);
            serve(served, vec![door], &end, &AtomicBool::new(true), &mut log).unwrap();
            let control = board.borrow().word(Word::Control);
            (said, control & (board::LASER | board::DRIVE))
        })
    };
    let run = Command::new(env!("CARGO_BIN_EXE_spintrue"))
        .args(["run", "scripts/bring_up.spt", "--head", &place])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    end.store(true, Ordering::SeqCst);
    let (said, left_on) = serving.join().unwrap();
    let told = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success() && told.contains("trims stored"), "{told}\n{said:?}");
    assert_eq!(left_on, 0);
}
