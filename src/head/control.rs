//! Control of a head that several clients can reach, and that one of them has at a time. No wire: the
//! driver of such a head brings it.

use crate::Fault;

/// Who controls the head, seen by one client.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Control {
    /// That client.
    Own,
    /// Another one.
    Others,
    /// No client.
    None,
}

/// Control as one client has it.
pub trait SharedControl {
    /// Who has it; a fault where it was had here and is not any more.
    fn owner(&self) -> Result<Control, Fault>;

    /// Takes it; refused while another client has it.
    fn take(&self) -> Result<(), Fault>;

    /// Gives it back, on which the head is made safe.
    fn give(&self) -> Result<(), Fault>;

    /// Has what makes safe act on a head that another client controls, or leave it to that one.
    fn insist(&self, on: bool);
}
