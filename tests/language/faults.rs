//! Faults of the simulated head, as they show through a station.

use core::f64::consts::PI;
use spintrue_head::{Calls, Rig};
use spintrue_language::Station;
use spintrue_sim::open;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

const SPEED: f64 = 4800.0 * PI / 30.0;

#[test]
fn a_laser_that_stays_armed_is_never_called_off() {
    let text = "[[fault]]\nkind = 'laser_stays_armed'\nat = '13 s'\n";
    let (head, gauge) = open(Some(("test", text)), 1).unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let mut station =
        Station::open(Box::new(Rig::new(Box::new(head), Some(Box::new(gauge)))), stop).unwrap();
    station.spin(SPEED).unwrap();
    station.sleep(12.0).unwrap();
    station.arm(0.3).unwrap();
    station.sleep(2.0).unwrap();
    assert!(station.disarm().is_err());
    let from = station.now();
    let state = station.finish(true);
    assert!(!state.laser_off && !state.at_rest && state.speed > 0.9 * SPEED, "{state:?}");
    assert!(state.troubles.iter().any(|t| t.contains("still armed")), "{state:?}");
    // Nobody waits for a polygon that cannot be stopped.
    assert!(station.now() - from < 1.0, "{}", station.now() - from);
}
