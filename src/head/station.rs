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
    _gauge: Option<Box<dyn Gauge>>,
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
            _gauge: gauge,
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
}
