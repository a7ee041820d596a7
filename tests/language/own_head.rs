//! The worked example of a head through the trait, `docs/examples/own_head`, as another crate
//! would use it: the contracts, a script through the library, and the program over the wire.

#[path = "../../docs/examples/own_head/board.rs"]
mod board;
#[path = "../../docs/examples/own_head/head.rs"]
mod head;

use crate::inside::{Events, Sources, run};
use board::{Board, Imaginary, Word};
use head::{OwnGauge, OwnHead, Shared};
use spintrue_head::{
    Calls, Contract, ContractOutcome, Fault, Gauge, Head, Link, Listener, Permissions, Rig, Served,
    WirePlace, WireTarget, connect, run_contracts, serve_listeners,
};
use spintrue_language::{Finished, Station, Verdict, prepare, render_diagnostics};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const EVERYTHING: Permissions =
    Permissions { trims: true, motion: true, light: true, switches: true };

type HeadAndGauge = (Box<dyn Head>, Option<Box<dyn Gauge>>);

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
        run_contracts(Box::new(Rig::new(head, gauge)), EVERYTHING).outcomes
    });
    for (closed, open) in told[0].iter().zip(&told[1]) {
        let (contract, found) = closed;
        let broken =
            [found, &open.1].into_iter().find(|found| matches!(found, ContractOutcome::Broken(_)));
        assert!(broken.is_none(), "{}: {broken:?}", contract.name);
        // It does not draw steadily, which a head need not.
        let is_kept = [found, &open.1].contains(&&ContractOutcome::Kept);
        assert_eq!(is_kept, !contract.name.starts_with("steady_"), "{}: {found:?}", contract.name);
    }
}

/// The lines of the station are the ones of the board, whichever level is active.
#[test]
fn a_script_reads_and_switches_lines() {
    let script = "switch_on(\"clamp\")\nset_channel(\"blower\", to: 50 %)\nswitch_on(\"lamp\")\n\
                  expect \"door\": not signal(\"door_open\")\n\
                  expect \"blower\": abs(channel(\"blower\", like: 1 %) - 50 %) < 0.01 %\n";
    let prepared = prepare(&mut Sources::of(script), "lines.spt", &[]).unwrap();
    for door_open in [false, true] {
        let (board, (head, gauge)) = made(true);
        board.borrow_mut().door_open = door_open;
        let mut station = Station::open(Box::new(Rig::new(head, gauge)), Arc::default()).unwrap();
        let (ended, _) = run(&prepared, &mut station);
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
    let told = run_contracts(Box::new(Rig::new(Box::new(OwnHead::new(board)), None)), EVERYTHING);
    let broken = |(contract, found): &(&Contract, ContractOutcome)| {
        matches!(found, ContractOutcome::Broken(_)).then_some(contract.name)
    };
    let broken: Vec<&str> = told.outcomes.iter().filter_map(broken).collect();
    assert!(broken.contains(&"armed_guards") && broken.contains(&"line_drawn"), "{broken:?}");
}

/// Runs `bring_up.spt`.
fn brought_up(head: Box<dyn Link>) -> (Finished, Events) {
    let prepared = prepare(&mut Sources::below("scripts"), "bring_up.spt", &[]).unwrap();
    run(&prepared, &mut Station::open(head, Arc::default()).unwrap())
}

#[test]
fn a_script_runs_on_it_through_the_library() {
    let (board, (head, gauge)) = made(true);
    let (ended, events) = brought_up(Box::new(Rig::new(head, gauge)));
    assert_eq!(ended.verdict(), Verdict::Passed, "{ended:?}\n{}", events.notes().join("\n"));
    assert!(events.notes().contains(&"trims stored"), "{:?}", events.notes());
    assert_eq!(board.borrow().word(Word::Store), 1);
    let control = board.borrow().word(Word::Control);
    assert_eq!(control & (board::LASER | board::DRIVE), 0);
    assert!(ended.safe.laser_off && ended.safe.parked && ended.safe.at_rest);
}

/// What is wrong with a script or a head is told with its place and a reason.
#[test]
fn what_is_wrong_is_told() {
    let prepared = prepare(&mut Sources::of("spin(80 Hz)\n"), "wrong.spt", &[]).unwrap();
    let said = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
    assert!(prepared.program.is_none() && said.contains("wrong.spt:1:6"), "{said}");

    let (_, (head, gauge)) = made(false);
    let mut station = Station::open(Box::new(Rig::new(head, gauge)), Arc::default()).unwrap();
    let said = station.spin(700.0).unwrap_err().to_string();
    assert_eq!(said, "polygon speed 6684.5 rpm is outside 572.96 rpm to 6016.1 rpm");
    assert_eq!(station.arm(0.2).unwrap_err(), Fault::InterlockOpen.into());
}

/// Served through the library, it is brought up over the wire.
#[test]
fn it_is_brought_up_over_the_wire() {
    let (end, door) =
        (Arc::new(AtomicBool::new(false)), Listener::socket(([127, 0, 0, 1], 0).into()));
    let door = door.unwrap();
    let place = WirePlace::Socket(door.at().unwrap().trim_start_matches("tcp://").to_string());
    let serving = {
        let end = Arc::clone(&end);
        std::thread::spawn(move || {
            // A head stays on the thread that made it.
            let (board, (head, gauge)) = made(true);
            let mut said = Vec::new();
            let mut log = |line: &str| said.push(line.to_string());
            let served = Served::new(head, gauge, false);
            serve_listeners(served, vec![door], &end, &AtomicBool::new(true), &mut log).unwrap();
            let control = board.borrow().word(Word::Control);
            (said, control & (board::LASER | board::DRIVE))
        })
    };
    let target = WireTarget { place, secret: None, stop: Arc::default(), cut: Arc::default() };
    let driven = connect(target).unwrap();
    let (ended, events) = brought_up(Box::new(driven.link));
    end.store(true, Ordering::SeqCst);
    let (said, left_on) = serving.join().unwrap();
    assert_eq!(ended.verdict(), Verdict::Passed, "{ended:?}\n{said:?}");
    assert!(events.notes().contains(&"trims stored"), "{:?}", events.notes());
    assert_eq!(left_on, 0);
}
