//! The simulated gauge: noise, smallest digit, hidden offsets and lost readings.

use crate::circle::whole;
use crate::config::SILENCE;
use crate::noise::Stream;
use crate::world::World;
use spintrue_head::{Fault, FaultKind, Gauge, Mark, Reading};
use std::cell::RefCell;
use std::rc::Rc;

/// The gauge that reads what its simulated head exposes.
#[derive(Debug)]
pub struct SimGauge {
    pub(crate) world: Rc<RefCell<World>>,
}

impl Gauge for SimGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        let mut world = self.world.borrow_mut();
        if world.has(FaultKind::GaugeDead) {
            world.wait(SILENCE);
            return Err(Fault::Broken("the gauge does not answer".to_string()));
        }
        let gauge = world.config.gauge;
        let time = world.description().times.reading_most;
        world.wait(time);
        let noise = world.noise;
        // Its zero drifts from power-on.
        let creep = gauge.creep * world.now;
        let lie = creep + world.numbers(FaultKind::GaugeLying).sum::<f64>();
        let Some(drawn) = &mut world.drawn else {
            return Err(Fault::Refused(
                "there is nothing to measure: no line has been exposed".to_string(),
            ));
        };
        let reading = drawn.readings;
        drawn.readings += 1;
        // Which line and which reading of it: the same line read twice is read anew.
        let draw = drawn.number << 12 | (reading & 0xfff);
        let length = drawn.length;
        if !drawn.whole || noise.uniform(Stream::LostReading, draw) <= gauge.lost {
            return Err(Fault::LostReading);
        }
        // Divided by how many digits there are in one, a decimal digit leaves no others behind.
        let shown = |v: f64, digit: f64| whole(v / digit) / (1.0 / digit) + 0.0;
        let digit = |v: f64| shown(v, gauge.resolution);
        // A gauge that is turned reads a part of the place along as a shift across.
        let (turned, straight) = libm::sincos(gauge.turn);
        let scale = gauge.scale + straight - 1.0;
        let read = |(k, mark): (usize, &Mark)| {
            let draw = draw << 6 | k as u64;
            let (along, across) = noise.normal_pair(Stream::Gauge, draw);
            let (share, error) = gauge.wild;
            let wild = if noise.uniform(Stream::Wild, draw) <= share { error } else { 0.0 };
            let x = mark.at * length;
            let dose = mark.dose + gauge.dose_noise * noise.normal(Stream::Dose, draw);
            Mark {
                at: mark.at,
                in_scan: digit(
                    mark.in_scan
                        + gauge.in_scan_bias
                        + lie
                        + gauge.noise * along
                        + wild
                        + scale * x,
                ),
                cross_scan: digit(
                    mark.cross_scan + gauge.cross_scan_bias + lie + gauge.noise * across + wild
                        - turned * x,
                ),
                dose: if gauge.dose_noise > 0.0 {
                    shown(dose, gauge.dose_resolution)
                } else {
                    f64::NAN
                },
                width: mark.width.map(|width| {
                    digit(width + gauge.width_noise * noise.normal(Stream::Width, draw))
                }),
            }
        };
        Ok(Reading {
            marks: drawn.marks.iter().enumerate().map(read).collect(),
            in_scan_u: gauge.stated,
            cross_scan_u: gauge.stated,
            dose_u: if gauge.dose_noise > 0.0 { gauge.dose_noise } else { f64::NAN },
            width_u: (gauge.width_noise > 0.0).then_some(gauge.width_noise),
        })
    }
}
