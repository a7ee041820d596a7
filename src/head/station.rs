//! A head with its gauge, guarded while armed.

use crate::head::{Description, Fault, Gauge, Head, SafeState, Status};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Why a call of the station did not do as asked.
#[derive(Clone, Debug, PartialEq)]
pub enum StationError {
    /// The head or the gauge refused or broke.
    Fault(Fault),
    /// Somebody asked to stop.
    Interrupted,
}

/// A head with its gauge.
pub struct Station {
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    description: Description,
    stop: Arc<AtomicBool>,
}

impl Station {
    /// Takes a head and its gauge.
    pub fn new(
        mut head: Box<dyn Head>,
        gauge: Option<Box<dyn Gauge>>,
        stop: Arc<AtomicBool>,
    ) -> Result<Station, Fault> {
        let description = head.describe()?;
        Ok(Station {
            head,
            gauge,
            description,
            stop,
        })
    }
    /// The description.
    pub fn description(&self) -> &Description {
        &self.description
    }
    /// The stop flag.
    pub fn stop_flag(&self) -> &Arc<AtomicBool> {
        &self.stop
    }
    /// The status.
    pub fn status(&mut self) -> Result<Status, StationError> {
        self.head.status().map_err(StationError::Fault)
    }
    /// Head time in s.
    pub fn now(&mut self) -> f64 {
        self.head.now()
    }
    /// Lets time pass.
    pub fn sleep(&mut self, seconds: f64) -> Result<(), StationError> {
        self.head.sleep(seconds);
        Ok(())
    }
    /// Arms.
    pub fn arm(&mut self, power: f64) -> Result<(), StationError> {
        self.head.arm(power).map_err(StationError::Fault)
    }
    /// Disarms.
    pub fn disarm(&mut self) -> Result<(), StationError> {
        self.head.disarm().map_err(StationError::Fault)
    }
    /// Makes safe.
    pub fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        self.head.make_safe(keep_spinning)
    }

    /// Keeps spinning.
    pub fn keep_spinning(&mut self) {}
    /// Spins.
    pub fn spin(&mut self, speed: f64) -> Result<(), StationError> {
        self.head.spin(speed).map_err(StationError::Fault)
    }
    /// Halts.
    pub fn halt(&mut self, how: crate::head::Halt) -> Result<(), StationError> {
        self.head.halt(how).map_err(StationError::Fault)
    }
    /// Steers.
    pub fn steer(&mut self, angle: Option<f64>) -> Result<(), StationError> {
        self.head.steer(angle).map_err(StationError::Fault)
    }
    /// Turns.
    pub fn turns(&mut self, count: u32) -> Result<Vec<crate::head::Turn>, StationError> {
        self.head.turns(count).map_err(StationError::Fault)
    }
    /// Exposes.
    pub fn expose(&mut self, order: &crate::head::LineOrder) -> Result<crate::head::Exposed, StationError> {
        self.head.expose(order).map_err(StationError::Fault)
    }
    /// Measures.
    pub fn measure(&mut self) -> Result<crate::head::Reading, StationError> {
        match &mut self.gauge {
            Some(gauge) => gauge.measure().map_err(StationError::Fault),
            None => Err(StationError::Fault(Fault::NoGauge)),
        }
    }
    /// Trims.
    pub fn trims(&mut self) -> Result<Vec<crate::head::Trim>, StationError> {
        self.head.trims().map_err(StationError::Fault)
    }
    /// Loads.
    pub fn load_trims(&mut self, trims: &[crate::head::Trim]) -> Result<(), StationError> {
        self.head.load_trims(trims).map_err(StationError::Fault)
    }
    /// Stores.
    pub fn store_trims(&mut self) -> Result<(), StationError> {
        self.head.store_trims().map_err(StationError::Fault)
    }
}
