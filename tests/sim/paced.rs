//! A simulated head that keeps pace with the wall clock.

use spintrue_head::{Calls, Link, Paced, Rig};
use spintrue_sim::open_with;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

fn paced(stop: Arc<AtomicBool>) -> Paced<Rig> {
    let (head, gauge) = open_with(None, 1, &[]).unwrap();
    Paced::new(Rig::new(Box::new(head), Some(Box::new(gauge))), stop)
}

#[test]
fn time_passes_while_nothing_is_asked() {
    let mut head = paced(Arc::new(AtomicBool::new(false)));
    let before = head.now();
    std::thread::sleep(Duration::from_millis(30));
    let passed = head.now() - before;
    assert!(passed >= 0.03, "{passed}");
}

#[test]
fn a_wait_ends_on_a_request_to_stop() {
    let stop = Arc::new(AtomicBool::new(true));
    let mut head = paced(stop.clone());
    let started = Instant::now();
    head.sleep(3600.0).unwrap();
    assert!(started.elapsed() < Duration::from_secs(60));
    stop.store(false, Ordering::SeqCst);
    let before = head.now();
    head.sleep(0.05).unwrap();
    assert!(head.now() - before >= 0.05);
}
