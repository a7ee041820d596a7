//! The true state of the simulated world, for tests that trust no answer.

use crate::SimHead;
use spintrue_head::{Laser, Trim};

/// The true state of the simulated world, whatever its head answers.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Light can come out.
    pub light: bool,
    /// Galvanometer angle (mechanical) in rad, and the angle it parks at.
    pub galvanometer: (f64, f64),
    /// Speed of the rotor in rad/s.
    pub speed: f64,
    /// The drive still pushes the rotor to a speed.
    pub driven: bool,
    /// The trims that a power loss would leave.
    pub stored: Vec<Trim>,
    /// The trims in force.
    pub trims: Vec<Trim>,
}

impl SimHead {
    /// The true state of its world, to compare answers with. A real head has no such call.
    pub fn truth(&self) -> Truth {
        let world = self.world.borrow();
        Truth {
            light: world.laser() == Laser::Armed,
            galvanometer: (world.galvanometer.at(world.now), world.config.parked),
            speed: world.motion.at(world.now).speed,
            driven: world.target.is_some(),
            stored: world.stored.trims.clone(),
            trims: world.trims.clone(),
        }
    }
}
