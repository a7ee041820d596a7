//! The status registers of a client: standard events, operation and questionable status, and the
//! byte that sums them up (IEEE 488.2 section 11, SCPI-1999 volume 1 section 9, from memory).
//! Uses the head's status.

use crate::{Description, Laser, Status};

/// Operation status: the polygon turns.
pub(crate) const TURNING: u16 = 1 << 8;
/// Operation status: the polygon is locked.
pub(crate) const LOCKED: u16 = 1 << 9;
/// Operation status: the laser is armed.
pub(crate) const ARMED: u16 = 1 << 10;
/// Operation status: the galvanometer is away from its parked angle.
pub(crate) const STEERED: u16 = 1 << 11;
/// Questionable status: a rail is out of its tolerance (the bit for voltage).
pub(crate) const RAILS: u16 = 1;
/// Questionable status: the interlock chain is open.
pub(crate) const INTERLOCK: u16 = 1 << 9;
/// Questionable status: the head did not answer.
pub(crate) const SILENT: u16 = 1 << 10;

/// A condition with what began since it was read, and what of it counts.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Group {
    /// What is so.
    pub condition: u16,
    /// What began since this was read.
    pub event: u16,
    /// What of it is summed up.
    pub enable: u16,
}

impl Group {
    /// The condition is this now.
    pub(crate) fn update(&mut self, condition: u16) {
        self.event |= condition & !self.condition;
        self.condition = condition;
    }

    /// What began, which is forgotten.
    pub(crate) fn read(&mut self) -> u16 {
        core::mem::take(&mut self.event)
    }

    fn summary(self) -> bool {
        self.event & self.enable != 0
    }
}

/// Which register with a mask of what of it is summed up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Register {
    /// Standard events, which have no condition.
    Standard,
    /// Operation status.
    Operation,
    /// Questionable status.
    Questionable,
}

/// All registers of a client.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Registers {
    /// Standard events.
    pub standard: Group,
    /// Which bits of the status byte are summed up.
    pub service_enable: u16,
    /// Operation status.
    pub operation: Group,
    /// Questionable status.
    pub questionable: Group,
}

impl Registers {
    /// A register by its name.
    pub(crate) fn group(&mut self, register: Register) -> &mut Group {
        match register {
            Register::Standard => &mut self.standard,
            Register::Operation => &mut self.operation,
            Register::Questionable => &mut self.questionable,
        }
    }

    /// The head stands like this.
    pub(crate) fn update(&mut self, status: &Status, head: &Description) {
        let bit = |so: bool, bit: u16| if so { bit } else { 0 };
        self.operation.update(
            bit(!status.at_rest, TURNING)
                | bit(status.locked, LOCKED)
                | bit(status.laser == Laser::Armed, ARMED)
                | bit(!status.parked, STEERED),
        );
        self.questionable.update(
            bit(!rails_good(status, head), RAILS) | bit(!status.interlock_closed, INTERLOCK),
        );
    }

    /// The head does not answer.
    pub(crate) fn silent(&mut self) {
        self.questionable.update(self.questionable.condition | SILENT);
    }

    /// The status byte; `errors` stand in the queue.
    pub(crate) fn byte(&self, errors: bool) -> u16 {
        let bit = |so: bool, bit: u16| if so { bit } else { 0 };
        let byte = bit(errors, 4)
            | bit(self.questionable.summary(), 8)
            | bit(self.standard.summary(), 32)
            | bit(self.operation.summary(), 128);
        byte | bit(byte & self.service_enable != 0, 64)
    }

    /// Forgets events, keeps masks.
    pub(crate) fn clear(&mut self) {
        self.standard.event = 0;
        self.operation.event = 0;
        self.questionable.event = 0;
    }
}

/// Whether every rail is within its tolerance.
pub(crate) fn rails_good(status: &Status, head: &Description) -> bool {
    head.rails.len() == status.rails.len()
        && head.rails.iter().zip(&status.rails).all(|(rail, volts)| {
            (volts - rail.nominal).abs() <= rail.tolerance * rail.nominal.abs()
        })
}

#[cfg(test)]
mod tests {
    use super::{ARMED, Group, Registers};

    #[test]
    fn events_latch_until_they_are_read() {
        let mut group = Group::default();
        group.update(ARMED);
        group.update(0);
        assert_eq!((group.condition, group.read(), group.read()), (0, ARMED, 0));
    }

    #[test]
    fn the_byte_sums_up_what_is_enabled() {
        let mut registers = Registers::default();
        registers.standard.event = 32;
        assert_eq!(registers.byte(true), 4);
        registers.standard.enable = 32;
        assert_eq!(registers.byte(false), 32);
        registers.service_enable = 32;
        assert_eq!(registers.byte(false), 32 | 64);
        registers.operation = Group { event: ARMED, enable: ARMED, condition: 0 };
        assert_eq!(registers.byte(true), 32 | 64 | 128 | 4);
    }
}
