//! What is really so in the simulated world, for tests that trust no answer. May use the world.

use crate::head::sim::SimHead;
use crate::head::{Laser, Trim};

/// How the simulated world stands, whatever its head would answer.
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
    /// How its world stands now. No head can be asked this: it is there to hold answers against.
    pub fn truth(&self) -> Truth {
        let world = self.world.borrow();
        Truth {
            light: world.laser() == Laser::Armed,
            galvanometer: (world.galvanometer.at(world.now), world.config.parked),
            speed: world.motion.at(world.now).speed,
            driven: world.target.is_some(),
            stored: world.stored.clone(),
            trims: world.trims.clone(),
        }
    }
}
