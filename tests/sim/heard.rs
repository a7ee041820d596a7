//! What a recorder tells of the calls that pass through it.

use spintrue_head::{CallListener, CallRecorder, Calls, Fault, Heard, Laser, Link, Reply, Rig};
use spintrue_sim::open;
use std::cell::RefCell;
use std::rc::Rc;

#[derive(Default)]
struct Kept(Vec<Heard>);

impl CallListener for Kept {
    fn heard(&mut self, heard: &Heard) {
        self.0.push(heard.clone());
    }
}

/// The same calls on a plain head give the same, and what was told reads back from JSON.
#[test]
fn calls_pass_through_and_read_back() {
    let calls = |head: &mut dyn Link| {
        let described = head.describe();
        let locked = head.spin(500.0).and_then(|()| head.turns(3));
        let refused = head.arm(0.5);
        head.sleep(1.0).unwrap();
        (described, locked, refused, head.status(), head.make_safe(false), head.now())
    };
    let rig = || {
        let (head, gauge) = open(None, 1).unwrap();
        Rig::new(Box::new(head), Some(Box::new(gauge)))
    };
    let kept = Rc::new(RefCell::new(Kept::default()));
    let mut head = CallRecorder::new(rig(), kept.clone());
    let expected = calls(&mut rig());
    assert_eq!(calls(&mut head), expected);
    assert_eq!(expected.2, Err(Fault::NotLocked));
    assert!(head.measure().is_err());
    let heard = &kept.borrow().0;
    let names: Vec<String> = heard
        .iter()
        .map(|h| serde_json::to_value(&h.call).unwrap()["name"].as_str().unwrap().to_string())
        .collect();
    let wanted = ["describe", "spin", "turns", "arm", "sleep", "status", "make_safe", "measure"];
    assert_eq!(names, wanted);
    assert!(heard.is_sorted_by_key(|h| h.time), "{heard:?}");
    assert!(matches!(&heard[5].reply, Reply::Status(s) if s.laser == Laser::Off));
    for told in heard {
        let text = serde_json::to_string(told).unwrap();
        assert_eq!(serde_json::from_str::<Heard>(&text).unwrap(), *told, "{text}");
    }
}
