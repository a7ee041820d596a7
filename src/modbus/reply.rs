//! What is asked of a device, and whether what came back is the answer to it: every byte of a reply is
//! held against the request. Uses places.
//!
//! Layout of frames from the MODBUS Messaging on TCP/IP Implementation Guide V1.0b and the MODBUS
//! Application Protocol Specification V1.1b3, from memory: transaction number, protocol number 0 and
//! length in two bytes each, the unit, the function, its data.

use crate::modbus::place::Place;

/// Bytes before the function: transaction, protocol, length, unit.
pub(super) const HEADER: usize = 7;

/// What the length in a header may be: the unit and the shortest or longest message.
const LENGTHS: core::ops::RangeInclusive<usize> = 3..=254;

/// What is wanted of a place.
#[derive(Clone, Copy, Debug)]
pub(super) enum Operation<'a> {
    Read,
    /// Sets a coil.
    Bit(bool),
    /// Sets one or more holding registers.
    Words(&'a [u16]),
}

impl Operation<'_> {
    /// Asking twice does nothing twice.
    pub(super) fn is_read(&self) -> bool {
        matches!(self, Operation::Read)
    }
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum LinkError {
    /// The device answers with an exception, which is an answer too.
    Exception(u8),
    /// Nothing was sent that could be acted on; why.
    Unsent(String),
    /// It was sent, and the link broke before the reply; how.
    Broke(String),
    /// It was sent, and no reply that makes sense came; what instead.
    Unanswered(String),
}

fn nonsense<T>(why: impl Into<String>) -> Result<T, LinkError> {
    Err(LinkError::Unanswered(why.into()))
}

/// A request, and what its reply must be.
pub(super) struct Request {
    /// As it goes over the line.
    pub(super) frame: Vec<u8>,
    number: u16,
    unit: u8,
    /// The function, as its code and in words.
    function: (u8, String),
    place: Place,
    is_read: bool,
}

impl Request {
    /// The request for a place.
    pub(super) fn new(unit: u8, number: u16, place: &Place, operation: Operation<'_>) -> Request {
        let Place { bank, address, count } = *place;
        let (code, words, data) = match operation {
            Operation::Read => {
                (bank as u8, format!("read {}s", bank.word()), count.to_be_bytes().to_vec())
            }
            Operation::Bit(on) => {
                (5, "write single coil".to_string(), vec![u8::from(on) * 0xff, 0])
            }
            Operation::Words(words) => {
                let bytes = words.iter().flat_map(|word| word.to_be_bytes());
                if words.len() == 1 {
                    (6, "write single register".to_string(), bytes.collect())
                } else {
                    let counts = [0, words.len() as u8, 2 * words.len() as u8];
                    let data = counts.into_iter().chain(bytes).collect();
                    (16, "write multiple registers".to_string(), data)
                }
            }
        };
        // The unit, the function and the address count as well.
        let head = [number, 0, data.len() as u16 + 4, u16::from_be_bytes([unit, code]), address];
        let frame = head.into_iter().flat_map(u16::to_be_bytes).chain(data).collect();
        let is_read = operation.is_read();
        Request { frame, number, unit, function: (code, words), place: *place, is_read }
    }

    /// How many bytes follow a header.
    pub(super) fn rest(&self, header: &[u8; HEADER]) -> Result<usize, LinkError> {
        let [t0, t1, p0, p1, l0, l1, unit] = *header;
        let number = u16::from_be_bytes([t0, t1]);
        let length = usize::from(u16::from_be_bytes([l0, l1]));
        if u16::from_be_bytes([p0, p1]) != 0 {
            return nonsense("what it sends is not Modbus/TCP");
        }
        if number != self.number {
            let ours = self.number;
            return nonsense(format!(
                "its reply has the transaction number {number} and not {ours}: it belongs to another \
                 request"
            ));
        }
        if !LENGTHS.contains(&length) {
            let (low, high) = (LENGTHS.start(), LENGTHS.end());
            return nonsense(format!(
                "its reply claims to have {length} bytes, and {low} to {high} are possible"
            ));
        }
        if unit != self.unit {
            return nonsense(format!("its reply comes from unit {unit} and not {}", self.unit));
        }
        Ok(length - 1)
    }

    /// Looks at a whole reply; gives the words read, a bit being 0 or 1, and none for a write.
    pub(super) fn read(&self, reply: &[u8]) -> Result<Vec<u16>, LinkError> {
        let Some((header, message)) = reply.split_first_chunk::<HEADER>() else {
            return nonsense("its reply is too short");
        };
        if self.rest(header)? != message.len() {
            return nonsense("its reply has another length than it claims");
        }
        let (code, words) = &self.function;
        match message {
            [failed, exception] if *failed == code | 0x80 => Err(LinkError::Exception(*exception)),
            [theirs, ..] if theirs != code => nonsense(format!(
                "its reply is to function {theirs:02x} and not {code:02x}, {words}"
            )),
            message if self.is_read => self.values(message),
            // A write is confirmed by its function, address and value or count.
            message if self.frame.get(HEADER..HEADER + 5) == Some(message) => Ok(Vec::new()),
            _ => nonsense("its reply confirms something else than was written"),
        }
    }

    fn values(&self, message: &[u8]) -> Result<Vec<u16>, LinkError> {
        let count = usize::from(self.place.count);
        let is_of_bits = self.place.bank.is_of_bits();
        let wanted = if is_of_bits { count.div_ceil(8) } else { 2 * count };
        let [_, claimed, bytes @ ..] = message else { return nonsense("its reply is too short") };
        if usize::from(*claimed) != wanted || bytes.len() != wanted {
            let came = bytes.len();
            return nonsense(format!(
                "its reply should hold {wanted} bytes of values; {came} came, {claimed} claimed"
            ));
        }
        Ok(if is_of_bits {
            let bits = bytes.iter().flat_map(|byte| (0..8).map(move |bit| byte >> bit & 1));
            bits.take(count).map(u16::from).collect()
        } else {
            bytes
                .chunks_exact(2)
                .map(|pair| pair.iter().fold(0, |w, b| w << 8 | u16::from(*b)))
                .collect()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::{LinkError, Operation, Request};
    use crate::modbus::place::{Bank, Place};
    use proptest::prelude::{any, prop_assert, prop_assert_eq, proptest};

    fn place(bank: Bank, count: u16) -> Place {
        Place { bank, address: 3, count }
    }

    fn request(bank: Bank, count: u16, operation: Operation<'_>) -> Request {
        Request::new(1, 0x0102, &place(bank, count), operation)
    }

    /// Bytes by hand after the layouts of the specification.
    #[test]
    fn requests_are_as_specified() {
        let frame = |bank, count, operation: Operation<'_>| request(bank, count, operation).frame;
        let start = [1, 2, 0, 0, 0, 6, 1];
        let wanted = |rest: &[u8]| [&start[..], rest].concat();
        assert_eq!(frame(Bank::Coil, 1, Operation::Read), wanted(&[1, 0, 3, 0, 1]));
        assert_eq!(frame(Bank::DiscreteInput, 1, Operation::Read), wanted(&[2, 0, 3, 0, 1]));
        assert_eq!(frame(Bank::HoldingRegister, 2, Operation::Read), wanted(&[3, 0, 3, 0, 2]));
        assert_eq!(frame(Bank::InputRegister, 2, Operation::Read), wanted(&[4, 0, 3, 0, 2]));
        assert_eq!(frame(Bank::Coil, 1, Operation::Bit(true)), wanted(&[5, 0, 3, 0xff, 0]));
        assert_eq!(frame(Bank::Coil, 1, Operation::Bit(false)), wanted(&[5, 0, 3, 0, 0]));
        let one = frame(Bank::HoldingRegister, 1, Operation::Words(&[0x1234]));
        assert_eq!(one, wanted(&[6, 0, 3, 0x12, 0x34]));
        let two = frame(Bank::HoldingRegister, 2, Operation::Words(&[0x1234, 0x5678]));
        let long = [1, 2, 0, 0, 0, 11, 1, 16, 0, 3, 0, 2, 4, 0x12, 0x34, 0x56, 0x78];
        assert_eq!(two, long);
    }

    #[test]
    fn replies_are_held_against_the_request() {
        let read = request(Bank::InputRegister, 2, Operation::Read);
        let good = [1, 2, 0, 0, 0, 7, 1, 4, 4, 0xab, 0xcd, 0, 9];
        assert_eq!(read.read(&good), Ok(vec![0xabcd, 9]));
        let bit = request(Bank::DiscreteInput, 1, Operation::Read);
        assert_eq!(bit.read(&[1, 2, 0, 0, 0, 4, 1, 2, 1, 0xff]), Ok(vec![1]));
        let busy = [1, 2, 0, 0, 0, 3, 1, 0x84, 6];
        assert_eq!(read.read(&busy), Err(LinkError::Exception(6)));
        let write = request(Bank::Coil, 1, Operation::Bit(true));
        assert_eq!(write.read(&[1, 2, 0, 0, 0, 6, 1, 5, 0, 3, 0xff, 0]), Ok(Vec::new()));
        let says = |at: usize, byte: u8, words: &str| {
            let mut bent = good;
            bent[at] = byte;
            match read.read(&bent) {
                Err(LinkError::Unanswered(why)) => assert!(why.contains(words), "{why}"),
                other => panic!("{other:?}"),
            }
        };
        says(1, 9, "transaction number 265 and not 258");
        says(2, 7, "not Modbus/TCP");
        says(5, 2, "claims to have 2 bytes");
        says(4, 9, "claims to have 2311 bytes");
        says(5, 8, "another length than it claims");
        says(6, 2, "from unit 2 and not 1");
        says(7, 3, "to function 03 and not 04, read input registers");
        says(8, 2, "should hold 4 bytes of values; 4 came, 2 claimed");
        let other = write.read(&[1, 2, 0, 0, 0, 6, 1, 5, 0, 4, 0xff, 0]);
        assert!(matches!(other, Err(LinkError::Unanswered(why)) if why.contains("something else")));
        assert!(matches!(read.read(&[]), Err(LinkError::Unanswered(_))));
    }

    proptest! {
        /// Whatever bytes come, there is no panic, and nothing but the one right shape is an answer.
        #[test]
        fn only_the_answer_is_an_answer(
            bank in 0..4usize, count in 1..=2u16, mut reply in proptest::collection::vec(any::<u8>(), 0..300),
            keep in 0..=9usize,
        ) {
            let bank = Bank::ALL[bank];
            let request = request(bank, count, Operation::Read);
            // The first bytes are right, so that the later ones are reached as well.
            let bytes = match bank {
                Bank::Coil | Bank::DiscreteInput => 1,
                _ => 2 * count as u8,
            };
            let code = request.function.0;
            let right = [1, 2, 0, 0, 0, bytes + 3, 1, code, bytes];
            for (to, from) in reply.iter_mut().zip(right).take(keep) {
                *to = from;
            }
            match request.read(&reply) {
                Ok(values) => {
                    prop_assert_eq!(&reply[..9], &right[..]);
                    prop_assert_eq!(reply.len(), 9 + usize::from(bytes));
                    prop_assert_eq!(values.len(), usize::from(count));
                }
                Err(LinkError::Exception(_)) => prop_assert!(reply.len() == 9 && reply[7] == code | 0x80),
                Err(other) => prop_assert!(matches!(other, LinkError::Unanswered(_))),
            }
        }
    }
}
