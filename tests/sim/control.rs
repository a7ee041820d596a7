//! Two clients at one head, of which one is a driver: control, and what each may do.

use crate::served::Server;
use spintrue_head::{Calls, Control, Fault, Halt, Link, WirePlace, WireTarget, connect};
use std::sync::Arc;
use std::time::Duration;

const LONG: Duration = Duration::from_secs(60);

fn target(server: &Server) -> WireTarget {
    let place = WirePlace::Socket(server.place.clone());
    WireTarget { place, secret: None, stop: Arc::default(), cut: Arc::default() }
}

/// A head that is driven from here.
fn driven(server: &Server) -> impl Link {
    connect(target(server)).unwrap().link
}

/// A laser of another client stays armed, and that is told; one that is off is off.
#[test]
fn a_laser_of_another_client_is_not_ours_to_disarm() {
    let server = Server::new(LONG);
    let mut first = server.controller().turning();
    let mut second = driven(&server);
    assert_eq!(second.disarm(), Ok(()));
    first.say("LAS:ARM 0.3");
    assert_eq!(first.ask("LAS:ARM?"), "1");
    assert!(matches!(second.disarm(), Err(Fault::Refused(why)) if why.contains("another client")));
    let left = second.make_safe(false).unwrap();
    assert!(!left.laser_off && left.kept_spinning && left.troubles.len() == 1, "{left:?}");
    assert_eq!(first.ask("LAS:ARM?;:CONT:OWN?"), "1;SELF");
    // Without a controlling client it is made safe as ever.
    first.say("SAFE?;:CONT:REL");
    first.hear();
    assert_eq!(second.make_safe(false).unwrap().troubles, Vec::<String>::new());
}

/// Every call that needs control is refused under another client, which is no broken head, and what
/// only looks takes no control.
#[test]
fn a_client_without_control_is_refused_and_may_look() {
    let server = Server::new(LONG);
    let mut first = server.controller().turning();
    let mut second = driven(&server);
    let trims = second.trims().unwrap();
    let calls: [(&str, Result<(), Fault>); 6] = [
        ("spin", second.spin(400.0)),
        ("halt", second.halt(Halt::Brake)),
        ("steer", second.steer(Some(1e-3))),
        ("load", second.load_trims(&trims)),
        ("store", second.store_trims(None)),
        ("arm", second.arm(0.3)),
    ];
    for (name, refused) in calls {
        let why = refused.unwrap_err();
        assert!(why.is_refusal(), "{name}: {why:?}");
        let said = why.to_string();
        assert!(said.starts_with("another client controls the head"), "{name}: {said}");
        assert!(!said.contains(':') || !said.contains("CONT"), "{name}: {said}");
    }
    assert!(second.status().unwrap().locked);
    assert!(second.signal("lamp").is_err());
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
    first.say("CONT:REL");
    assert!(second.signal("lamp").is_err());
    assert_eq!(first.ask("CONT:OWN?"), "NONE");
}

/// Control is taken and given back, and what insists makes a head safe that another client controls.
#[test]
fn control_goes_from_one_to_the_other() {
    let server = Server::new(LONG);
    let mut first = server.controller().turning();
    let mut second = connect(target(&server)).unwrap();
    assert_eq!(second.control.owner(), Ok(Control::Others));
    assert!(matches!(second.control.take(), Err(Fault::Refused(_))));
    second.control.insist(true);
    let safe = second.link.make_safe(false).unwrap();
    second.control.insist(false);
    assert!(safe.laser_off && safe.troubles.is_empty(), "{safe:?}");
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
    second.control.take().unwrap();
    assert_eq!(second.control.owner(), Ok(Control::Own));
    assert_eq!(first.ask("CONT:OWN?"), "OTH");
    second.link.spin(500.0).unwrap();
    second.control.give().unwrap();
    assert_eq!(second.control.owner(), Ok(Control::None));
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
    // What was given back is not made safe any more when another client has it.
    first.say("CONT:TAKE;:ROT:SPE 400");
    assert_eq!(first.ask("CONT:OWN?"), "SELF");
    assert_eq!(second.link.make_safe(false).unwrap().troubles.len(), 1);
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "4.0E+2;SELF");
}

#[test]
fn a_client_that_loses_control_is_told_so() {
    let wanted = "control of the head was lost: another client made the head safe";
    let server = Server::new(LONG);
    // By the status, which says that no speed is asked for; by a call that needs control.
    for looks in [true, false] {
        let mut first = driven(&server);
        first.spin(500.0).unwrap();
        first.sleep(12.0).unwrap();
        assert!(first.status().unwrap().locked);
        let mut other = server.line();
        other.ask("SAFE?");
        let lost = if looks { first.status().map(|_| ()) } else { first.steer(Some(1e-3)) };
        assert_eq!(lost, Err(Fault::Broken(wanted.to_string())));
        assert!(first.make_safe(false).unwrap().laser_off);
        // Control of a head that was halted from here is not reported as lost.
        first.spin(500.0).unwrap();
        first.halt(Halt::Brake).unwrap();
        other.ask("SAFE?");
        assert!(first.status().is_ok());
    }
    let log = server.end().join("\n");
    assert!(log.contains("a client ended the control of another: made safe: laser off"), "{log}");
}
