//! Runs a program from beginning to end, and never leaves the laser armed.

use crate::builtins::table;
use crate::interpret::events::{Event, Observer};
use crate::interpret::holds::{Holds, PlaceText};
use crate::interpret::link::{Linked, link};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::interpret::memory::Memory;
use crate::interpret::step::Stepper;
use crate::program::failure::{Failure, FailureKind};
use crate::program::tree::{Param, Program, Slot};
use crate::program::value::{Datum, Object, Value};
use crate::source::Span;
use crate::station::Station;
use spintrue_head::panic_fault;
use std::cell::OnceCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;

/// Runs a program on a station. `place_text` names a place in the script for its reader.
///
/// Fails with what the script did not catch, with [`FailureKind::Interrupted`] once the
/// station's stop flag is set, and with [`FailureKind::Fault`] should a head or a built-in
/// panic. The laser is disarmed on every way out; making the head safe is the caller's part.
pub fn run(
    program: &Program,
    station: &mut Station,
    observer: &mut dyn Observer,
    place_text: PlaceText,
) -> Result<(), Failure> {
    run_linked(program, &Links::new(), station, observer, place_text)
}

/// What linking a program has come to.
pub(crate) type Links = OnceCell<Result<Linked, Failure>>;

/// As [`run`], of a program that is linked where it runs first.
pub(crate) fn run_linked(
    program: &Program,
    links: &Links,
    station: &mut Station,
    observer: &mut dyn Observer,
    place_text: PlaceText,
) -> Result<(), Failure> {
    let linked = links.get_or_init(|| link(program, table())).as_ref().map_err(Failure::clone)?;
    let mut machine = machine(linked, station, observer, place_text);
    execute(linked, &program.params, &mut machine)
}

/// As [`run`], and gives what stands in these slots at the end. `stepper` is asked before each
/// statement of a program that was checked for stepping.
pub(crate) fn run_keeping(
    program: &Program,
    slots: &[Slot],
    station: &mut Station,
    observer: &mut dyn Observer,
    place_text: PlaceText,
    stepper: Option<&mut dyn Stepper>,
) -> Result<Vec<Datum>, Failure> {
    let linked = link(program, table())?;
    let mut machine = machine(&linked, station, observer, place_text);
    machine.stepper = stepper.map(|stepper| stepper as &mut dyn Stepper);
    execute(&linked, &program.params, &mut machine)?;
    Ok(slots.iter().map(|slot| machine.datum(*slot)).collect())
}

fn machine<'a>(
    linked: &Linked,
    station: &'a mut Station,
    observer: &'a mut dyn Observer,
    place_text: PlaceText,
) -> Machine<'a> {
    let stop = station.stop_flag().clone();
    Machine {
        words: vec![0.0; linked.words],
        refs: vec![Value::Nothing; linked.refs],
        held: Vec::new(),
        building: Vec::new(),
        spare: Object::default(),
        written: String::new(),
        memory: Memory::default(),
        stop,
        left: 0,
        all_conform: true,
        failure: None,
        caught: Vec::new(),
        at: Span::default(),
        station,
        observer,
        place_text,
        stepper: None,
        holds: Holds::default(),
        unbroken: 0,
        depth: 0,
    }
}

fn execute(linked: &Linked, params: &[Param], machine: &mut Machine<'_>) -> Result<(), Failure> {
    machine.count_anew();
    let ran = catch_unwind(AssertUnwindSafe(|| match linked.setup.run(machine)? {
        Flow::Next => {
            let told = if machine.observer.is_brief() { &[] } else { params };
            let shown = told.iter().filter_map(|param| {
                Some((param.name.clone(), param.shower.as_ref()?.shown(&machine.datum(param.slot))))
            });
            let shown: Vec<_> = shown.collect();
            if !shown.is_empty() {
                machine.tell(Event::Params(shown));
            }
            machine.count_anew();
            linked.body.run(machine)
        }
        flow => Ok(flow),
    }));
    match ran {
        Ok(Err(Failed)) => Err(machine.take_failure()),
        // A stop requested during the last call came too late to stop anything.
        Ok(_) if machine.stop.load(Ordering::SeqCst) => {
            let message = "stopped on request, in the last call of the script";
            Err(Failure::new(FailureKind::Interrupted, message, machine.at))
        }
        Ok(_) => {
            let looked = machine.station.look();
            looked.map_err(|error| {
                machine.refused(error, machine.at);
                machine.take_failure()
            })
        }
        Err(panic) => {
            let message = panic_fault(&*panic).to_string();
            let at = machine.at;
            machine.station.clear_held();
            // Whatever panicked may do so again; the caller makes the head safe in any case.
            let _ = catch_unwind(AssertUnwindSafe(|| machine.station.disarm()));
            Err(Failure::new(FailureKind::Fault, message, at))
        }
    }
}
