//! A device that speaks Modbus/TCP, such as a controller or an I/O module: named signals and channels
//! in its coils and registers.
//!
//! Modbus/TCP authenticates no client and cannot tell that a reply is old: it is no safety
//! channel, and a door that is read here is information, never the interlock.

mod coding;
mod describe;
mod exception;
mod link;
mod place;
mod reply;

#[cfg(test)]
mod tests;

use crate::modbus::describe::{ChannelPlace, SignalPlace};
use crate::modbus::exception::known;
use crate::modbus::link::Link;
use crate::modbus::place::Place;
use crate::modbus::reply::{LinkError, Operation};
pub(crate) use describe::Device;
use spintrue_head::{Active, Fault, Fittings, Fixture, unknown_name};

/// What a busy machine may add to the time limit of a call, in s.
const MARGIN: f64 = 0.05;

/// The fixture that a [`Device`] is. It connects with the first call that needs it.
pub(crate) struct Modbus {
    device: Device,
    link: Link,
}

impl Modbus {
    /// Nothing is connected yet.
    pub(crate) fn new(device: Device) -> Modbus {
        let link = Link::new(device.address, device.unit, device.silence);
        Modbus { device, link }
    }

    fn line(&self, name: &str) -> Result<SignalPlace, Fault> {
        let found = self.device.signals.iter().find(|line| line.signal.name == name);
        found.cloned().ok_or_else(|| unknown_name("signal", name))
    }

    fn gauge(&self, name: &str) -> Result<ChannelPlace, Fault> {
        let found = self.device.channels.iter().find(|gauge| gauge.channel.name == name);
        found.cloned().ok_or_else(|| unknown_name("channel", name))
    }

    /// Asks the device; `doing` says what for, as in "reading the signal `door`".
    fn ask(
        &mut self,
        doing: &str,
        place: &Place,
        operation: Operation<'_>,
    ) -> Result<Vec<u16>, Fault> {
        let lost = match self.link.ask(place, operation) {
            Ok(words) => return Ok(words),
            Err(lost) => lost,
        };
        let whole = format!("{} {doing} ({place})", self.who());
        let acted =
            if operation.is_read() { "" } else { "; whether it was carried out is not known" };
        Err(match lost {
            LinkError::Exception(code) => {
                let (words, is_refusal) = known(code);
                let told = format!("{whole}: it answers with exception {code:02x}, {words}");
                if is_refusal { Fault::Refused(told) } else { Fault::Broken(told) }
            }
            LinkError::Unsent(why) => Fault::Broken(format!("{whole}: {why}")),
            LinkError::Broke(why) | LinkError::Unanswered(why) => {
                Fault::Broken(format!("{whole}: {why}{acted}"))
            }
        })
    }

    fn who(&self) -> String {
        format!("the device at {}, unit {},", self.device.address, self.device.unit)
    }
}

impl Fixture for Modbus {
    fn fittings(&self) -> Fittings {
        let Device { signals, channels, silence, .. } = &self.device;
        Fittings {
            signals: signals.iter().map(|line| line.signal.clone()).collect(),
            channels: channels.iter().map(|gauge| gauge.channel.clone()).collect(),
            call_most: silence.as_secs_f64() + MARGIN,
        }
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        let SignalPlace { signal, place } = self.line(name)?;
        let words = self.ask(&format!("failed at reading `{name}`"), &place, Operation::Read)?;
        Ok((words.first() == Some(&1)) == (signal.active == Active::High))
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let SignalPlace { signal, place } = self.line(name)?;
        let level = on == (signal.active == Active::High);
        let way = if on { "on" } else { "off" };
        let doing = format!("failed at switching `{name}` {way}");
        self.ask(&doing, &place, Operation::Bit(level)).map(drop)
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        let ChannelPlace { channel, place, coding } = self.gauge(name)?;
        let words = self.ask(&format!("failed at reading `{name}`"), &place, Operation::Read)?;
        let value = coding.read(&words);
        let slack = coding.rounding(value);
        // NaN lies nowhere.
        if value >= channel.least - slack && value <= channel.most + slack {
            return Ok(value.clamp(channel.least, channel.most));
        }
        let raw: Vec<String> = words.iter().map(|word| format!("{word:04x}")).collect();
        let stands = match value.is_finite() {
            true => format!("stands for {}", channel.shown(value)),
            false => "is no number".to_string(),
        };
        Err(Fault::Broken(format!(
            "{} has {} (hexadecimal) in {place} for `{name}`, which {stands} and should be {} to {}: \
             a broken sensor, or another `as`, `word_order` or `step` than the device has",
            self.who(),
            raw.join(" "),
            channel.shown(channel.least),
            channel.shown(channel.most)
        )))
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let ChannelPlace { channel, place, coding } = self.gauge(name)?;
        let shown = channel.shown(value);
        let words = coding.write(value).ok_or_else(|| {
            Fault::Refused(format!("the {place} of `{name}` cannot hold {shown}"))
        })?;
        let doing = format!("failed at setting `{name}` to {shown}");
        self.ask(&doing, &place, Operation::Words(&words)).map(drop)
    }
}
