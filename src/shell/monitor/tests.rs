//! What is said of calls: only what the head acknowledged, and what is unknown as unknown.

use super::CallMonitor;
use spintrue_head::{
    Call, CallImage, CallListener, Exposed, ExposedPage, Fault, Halt, Head, Heard, ImageDigest,
    Laser, LineOrder, Pattern, Reading, Reply, Status, Trim,
};
use spintrue_sim::open;

/// Every call that changes something, what the head says once it did, and how that is told.
fn changing() -> Vec<(Call, Reply, &'static str)> {
    let trims = vec![Trim { in_scan: 1e-9, cross_scan: 0.0 }];
    let image = CallImage::Digest(ImageDigest { width: 1, height: 1, sha256: String::new() });
    let page = Call::ExposePage { dot_period: 1e-7, delay: 0.0, pitch: 1e-5, image };
    let exposed = Reply::Exposed(Exposed {
        time: 0.0,
        facet: 0,
        words: 1,
        underrun: false,
        period: f64::NAN,
    });
    let drawn = ExposedPage { time: 0.0, lines: 1, missed: 0, took: 0.0 };
    let signal = "lamp".to_string();
    vec![
        (Call::Spin { speed: 500.0 }, Reply::Done, "the polygon was given a speed"),
        (Call::Halt { how: Halt::Brake }, Reply::Done, "the polygon was braked"),
        (Call::Halt { how: Halt::Coast }, Reply::Done, "the polygon was let coast"),
        (Call::Steer { angle: None }, Reply::Done, "the galvanometer was steered"),
        (Call::Switch { signal, on: true }, Reply::Done, "outputs of the station were switched"),
        (
            Call::SetChannel { channel: "vacuum".to_string(), value: 1.0 },
            Reply::Done,
            "channels of the station were set",
        ),
        (Call::Arm { power: 0.3 }, Reply::Done, "the laser was armed"),
        (Call::LoadTrims { trims }, Reply::Done, "trims were loaded"),
        (Call::StoreTrims, Reply::Done, "trims were stored for good"),
        (Call::Expose { line: line(0) }, exposed, "1 line was exposed"),
        (page, Reply::ExposedPage(drawn), "1 page was exposed"),
    ]
}

fn line(facet: u32) -> LineOrder {
    LineOrder { facet, dots: 100, dot_period: 1e-7, delay: 0.0, pattern: Pattern::TestMarks }
}

fn said(monitor: &mut CallMonitor, call: Call, reply: Reply) {
    monitor.heard(&Heard { time: 0.0, call, reply });
}

fn status(laser: Laser) -> Reply {
    let (mut head, _) = open(None, 1).unwrap();
    Reply::Status(Status { laser, ..head.status().unwrap() })
}

#[test]
fn only_what_was_acknowledged_is_told_and_the_unknown_is_called_so() {
    let refusals = [
        Fault::Refused("another client controls the head".to_string()),
        Fault::armed("arming"),
        Fault::NotArmed,
        Fault::outside("polygon speed", "rad/s", 1.0, 2.0, 3.0),
    ];
    for (call, done, words) in changing() {
        for fault in refusals.clone() {
            let mut monitor = CallMonitor::default();
            said(&mut monitor, call.clone(), Reply::Fault(fault));
            assert_eq!(monitor.changed(), None, "{call:?}");
        }
        let mut monitor = CallMonitor::default();
        said(&mut monitor, call.clone(), Reply::Fault(Fault::Broken("no reply came".to_string())));
        assert_eq!(monitor.changed(), Some(format!("whether {words} is not known")));
        let mut monitor = CallMonitor::default();
        said(&mut monitor, call.clone(), done);
        let told = monitor.changed().unwrap();
        assert!(told.starts_with(&format!("until then {words}")), "{told}");
        monitor.mark();
        assert_eq!(monitor.changed(), None);
    }
}

#[test]
fn what_happened_is_told_beside_what_may_have() {
    let mut monitor = CallMonitor::default();
    said(&mut monitor, Call::Steer { angle: None }, Reply::Done);
    for _ in 0..2 {
        said(&mut monitor, Call::Expose { line: line(0) }, Reply::Fault(Fault::NotLocked));
    }
    said(&mut monitor, Call::StoreTrims, Reply::Fault(Fault::Broken(String::new())));
    let told = "until then the galvanometer was steered; whether trims were stored for good or 2 lines \
                were exposed is not known";
    assert_eq!(monitor.changed().as_deref(), Some(told));
}

/// That a laser is off is told only where the head said so afterwards.
#[test]
fn a_laser_is_told_to_be_off_only_where_it_was_seen_so() {
    let armed = |rest: &[(Call, Reply)]| {
        let mut monitor = CallMonitor::default();
        said(&mut monitor, Call::Arm { power: 0.3 }, Reply::Done);
        said(&mut monitor, Call::Status, status(Laser::Armed));
        for (call, reply) in rest {
            said(&mut monitor, call.clone(), reply.clone());
        }
        monitor.changed().unwrap()
    };
    let disarmed = (Call::Disarm, Reply::Done);
    let silent = (Call::Disarm, Reply::Fault(Fault::Broken(String::new())));
    let off = (Call::Status, status(Laser::Off));
    let on = (Call::Status, status(Laser::Armed));
    let told = armed(std::slice::from_ref(&disarmed));
    assert_eq!(told, "until then the laser was armed and told to disarm");
    let told = armed(&[disarmed.clone(), off]);
    assert_eq!(told, "until then the laser was armed and is off again");
    let told = armed(&[disarmed, on]);
    assert_eq!(told, "until then the laser was armed AND IS STILL ARMED");
    let told = armed(&[silent]);
    assert_eq!(told, "until then the laser was armed (whether it is off is not known)");
    // Arming is refused without interlock or lock.
    for fault in [Fault::InterlockOpen, Fault::NotLocked] {
        let mut monitor = CallMonitor::default();
        said(&mut monitor, Call::Arm { power: 0.3 }, Reply::Fault(fault));
        assert_eq!(monitor.changed(), None);
    }
}

/// Trims that may be in force or not lead back to those before, and those that are not do not.
#[test]
fn undo_leads_back_from_what_may_have_been_loaded() {
    let trims = |delay| vec![Trim { in_scan: delay, cross_scan: 0.0 }];
    let load = |delay| Call::LoadTrims { trims: trims(delay) };
    let mut monitor = CallMonitor::default();
    said(&mut monitor, Call::Trims, Reply::Trims(trims(1.0)));
    said(&mut monitor, load(2.0), Reply::Fault(Fault::Refused(String::new())));
    assert_eq!(monitor.take_back(), None);
    said(&mut monitor, load(2.0), Reply::Fault(Fault::Broken(String::new())));
    assert_eq!(monitor.take_back(), Some(trims(1.0)));
    said(&mut monitor, load(1.0), Reply::Done);
    said(&mut monitor, load(1.0), Reply::Done);
    assert_eq!(monitor.take_back(), None);
    said(&mut monitor, load(3.0), Reply::Done);
    assert_eq!(monitor.take_back(), Some(trims(1.0)));
}

/// A line with its reading, as the station asks for it.
fn read(monitor: &mut CallMonitor, facet: u32, value: f64) {
    let exposed = Exposed { time: 0.0, facet, words: 1, underrun: false, period: f64::NAN };
    said(monitor, Call::Expose { line: line(facet) }, Reply::Exposed(exposed));
    said(monitor, Call::Status, status(Laser::Armed));
    let reading = Reading::whole((value, 1e-7), (-value, 1e-7));
    said(monitor, Call::Measure, Reply::Reading(reading));
    said(monitor, Call::Status, status(Laser::Armed));
}

/// Readings of different measurements are never one: of another entry, another `arm`, behind a
/// wait, or of a second `test_line`, which looks at the head first.
#[test]
fn measurements_are_kept_apart() {
    let apart: [fn(&mut CallMonitor); 4] = [
        |monitor| monitor.mark(),
        |monitor| said(monitor, Call::Arm { power: 0.3 }, Reply::Done),
        |monitor| said(monitor, Call::Sleep { seconds: 1.0 }, Reply::Done),
        |monitor| said(monitor, Call::Status, status(Laser::Armed)),
    ];
    for part in apart {
        let mut monitor = CallMonitor::default();
        [1.0, 3.0].iter().for_each(|value| read(&mut monitor, 4, *value));
        part(&mut monitor);
        [16.0, 17.0, 18.0].iter().for_each(|value| read(&mut monitor, 4, *value));
        let (newest, earlier) = monitor.measured.of(4);
        let (newest, (earlier, other)) = (newest.unwrap(), earlier.unwrap());
        assert_eq!((newest.count, newest.in_scan.mean, newest.cross_scan.mean), (3, 17.0, -17.0));
        assert_eq!(newest.in_scan.spread(newest.count), Some(1.0));
        assert_eq!((earlier.count, earlier.in_scan.mean, other), (2, 2.0, false));
        // With other trims nothing was measured yet.
        let trims = vec![Trim { in_scan: 1e-9, cross_scan: 0.0 }];
        said(&mut monitor, Call::LoadTrims { trims }, Reply::Done);
        let (newest, earlier) = monitor.measured.of(4);
        assert!(newest.is_none());
        assert_eq!(earlier.map(|(e, other)| (e.in_scan.mean, other)), Some((17.0, true)));
        assert_eq!(monitor.measured.of(5), (None, None));
    }
}
