//! The errors that the wire speaks of, with their numbers after SCPI-1999 volume 2 chapter 21
//! (numbers and words from memory), and the bounded queue that keeps them. Uses faults.

use crate::Fault;
use std::collections::VecDeque;
use std::fmt;

/// Entries that the queue keeps.
pub(crate) const MAX_QUEUE: usize = 32;

/// Characters of an entry's words.
const MAX_WORDS: usize = 255;

/// Number and words of every error that is spoken of.
const TABLE: &[(i16, &str)] = &[
    (-101, "Invalid character"),
    (-102, "Syntax error"),
    (-103, "Invalid separator"),
    (-104, "Data type error"),
    (-108, "Parameter not allowed"),
    (-109, "Missing parameter"),
    (-113, "Undefined header"),
    (-121, "Invalid character in number"),
    (-123, "Exponent too large"),
    (-124, "Too many digits"),
    (-131, "Invalid suffix"),
    (-138, "Suffix not allowed"),
    (-151, "Invalid string data"),
    (-161, "Invalid block data"),
    (-200, "Execution error"),
    (-203, "Command protected"),
    (-221, "Settings conflict"),
    (-222, "Data out of range"),
    (-223, "Too much data"),
    (-224, "Illegal parameter value"),
    (-230, "Data corrupt or stale"),
    (-240, "Hardware error"),
    (-241, "Hardware missing"),
    (-310, "System error"),
    (-330, "Self-test failed"),
    (-350, "Queue overflow"),
    (-363, "Input buffer overrun"),
    (-365, "Time out error"),
    (-430, "Query DEADLOCKED"),
    (-440, "Query UNTERMINATED after indefinite response"),
];

/// An entry of the queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WireError {
    /// Number of the table.
    pub code: i16,
    /// What exactly, and the way out; may be empty.
    pub detail: String,
}

impl WireError {
    /// An error of the table.
    pub fn new(code: i16, detail: impl Into<String>) -> WireError {
        WireError { code, detail: detail.into() }
    }

    /// The words of its number, and what exactly.
    pub fn words(&self) -> String {
        let row = TABLE.iter().find(|(code, _)| *code == self.code);
        let words = row.map_or("Error", |(_, words)| words);
        let all = match self.detail.as_str() {
            "" => words.to_string(),
            detail => format!("{words};{detail}"),
        };
        all.chars().take(MAX_WORDS).map(|c| if c.is_control() { ' ' } else { c }).collect()
    }

    /// Its bit in the event status register (IEEE 488.2 section 11.5.1).
    pub fn event(&self) -> u16 {
        match self.code {
            -199..=-100 => 32,
            -299..=-200 => 16,
            -399..=-300 => 8,
            -499..=-400 => 4,
            _ => 0,
        }
    }
}

impl fmt::Display for WireError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{},\"{}\"", self.code, self.words().replace('"', "\"\""))
    }
}

impl From<&Fault> for WireError {
    fn from(fault: &Fault) -> WireError {
        let code = match fault {
            Fault::InterlockOpen | Fault::NotLocked | Fault::NotArmed | Fault::Armed { .. } => -221,
            Fault::Refused(_) => -200,
            Fault::OutOfRange { .. } => -222,
            Fault::NoPulse(_) => -365,
            Fault::Underrun | Fault::LostReading => -230,
            Fault::NoGauge => -241,
            Fault::Broken(_) => -240,
        };
        WireError::new(code, fault.to_string())
    }
}

/// The errors of one client, the oldest first.
pub(crate) type Queue = VecDeque<WireError>;

/// Keeps an error; where the queue is full, its last entry becomes -350.
pub(crate) fn keep(queue: &mut Queue, error: WireError) {
    if queue.len() < MAX_QUEUE {
        queue.push_back(error);
    } else if let Some(last) = queue.back_mut() {
        *last = WireError::new(-350, "");
    }
}

/// The oldest entry, which leaves; `0,"No error"` where there is none.
pub(crate) fn oldest(queue: &mut Queue) -> String {
    queue.pop_front().map_or_else(|| "0,\"No error\"".to_string(), |error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::{MAX_QUEUE, Queue, TABLE, WireError, keep, oldest};

    #[test]
    fn a_full_queue_says_so_in_its_last_entry() {
        let mut queue = Queue::default();
        for n in 0..MAX_QUEUE + 5 {
            keep(&mut queue, WireError::new(-102, format!("{n}")));
        }
        let all: Vec<String> = (0..MAX_QUEUE).map(|_| oldest(&mut queue)).collect();
        assert_eq!(all[0], "-102,\"Syntax error;0\"");
        assert_eq!(all[MAX_QUEUE - 1], "-350,\"Queue overflow\"");
        assert_eq!(oldest(&mut queue), "0,\"No error\"");
    }

    /// Bits by class: IEEE 488.2 section 11.5.1.
    #[test]
    fn each_class_has_its_bit() {
        for (code, bit) in [(-113, 32), (-221, 16), (-350, 8), (-440, 4)] {
            assert_eq!(WireError::new(code, "").event(), bit);
        }
        assert!(TABLE.iter().all(|(code, _)| WireError::new(*code, "").event() != 0));
    }

    #[test]
    fn words_stay_on_one_line() {
        let error = WireError::new(-240, "a \"quoted\"\nword");
        assert_eq!(error.to_string(), "-240,\"Hardware error;a \"\"quoted\"\" word\"");
    }
}
