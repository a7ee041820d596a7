//! Signals and channels of a station: looked up in its description before anything is asked of the
//! head, and refused under light where they are not made for it.

use crate::head::signals::{self, settable, switchable};
use crate::head::station::{Outcome, Station, finite};

impl Station {
    /// Whether a signal is active.
    pub fn signal(&mut self, name: &str) -> Outcome<bool> {
        signals::signal(&self.description.signals, name)?;
        self.guarded(|head| head.signal(name))
    }

    /// Makes an output active or not; refused while armed unless it may be switched under light.
    pub fn switch(&mut self, name: &str, on: bool) -> Outcome<()> {
        switchable(&self.description.signals, name, self.armed)?;
        self.command(|head| head.switch(name, on))
    }

    /// What a channel reads, in SI.
    pub fn channel(&mut self, name: &str) -> Outcome<f64> {
        signals::channel(&self.description.channels, name)?;
        let value = self.guarded(|head| head.channel(name))?;
        finite("reading of the channel", value)?;
        Ok(value)
    }

    /// Sets an output channel, in SI; refused while armed unless it may be set under light.
    pub fn set_channel(&mut self, name: &str, value: f64) -> Outcome<()> {
        finite("value of the channel", value)?;
        settable(&self.description.channels, name, value, self.armed)?;
        self.command(|head| head.set_channel(name, value))
    }
}
