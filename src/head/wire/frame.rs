//! From bytes that come in any pieces to whole messages: a message ends at a newline that stands in
//! no block. Bounded. Pure; uses the errors.

use crate::wire::errors::WireError;

/// Bytes that a message may have outside its blocks.
pub const MAX_LINE: usize = 64 * 1024;

/// Bytes that the blocks of a message may have, from the client that controls the head: a page of the
/// largest image.
pub(crate) const MAX_BLOCK: usize = 64 * 1024 * 1024;

/// Bytes that the blocks of a message may have from anybody else.
pub const BLOCK_LOOKING: usize = 64 * 1024;

/// Where in a message the next byte stands.
#[derive(Clone, Copy, Debug)]
enum Place {
    Plain,
    /// In a string that this quote ends.
    Text(u8),
    /// Behind `#`.
    Hash,
    /// In the digits of a block's length: digits to come, the length so far.
    Length(u8, usize),
    /// In a block: bytes to come.
    Block(usize),
    /// In what is thrown away up to the next newline.
    Lost,
}

/// Puts messages together.
#[derive(Debug)]
pub struct Framer {
    place: Place,
    message: Vec<u8>,
    /// Bytes of the message that stand in blocks.
    blocks: usize,
    /// Bytes that it may have outside them.
    line_most: usize,
}

/// A whole message without its newline, or why there is none.
pub(crate) type Frame = Result<Vec<u8>, WireError>;

impl Framer {
    /// For messages with at most `max` bytes outside their blocks.
    pub fn new(line_most: usize) -> Framer {
        Framer { place: Place::Plain, message: Vec::new(), blocks: 0, line_most }
    }

    /// Takes bytes; messages that became whole go to `out`. Blocks may have `block_most` bytes.
    pub fn feed(&mut self, bytes: &[u8], block_most: usize, out: &mut Vec<Frame>) {
        let mut rest = bytes;
        while let Some((byte, behind)) = rest.split_first() {
            if let Place::Block(left) = self.place {
                let (own, others) = rest.split_at(left.min(rest.len()));
                self.message.extend_from_slice(own);
                rest = others;
                let left = left - own.len();
                self.place = if left == 0 { Place::Plain } else { Place::Block(left) };
                continue;
            }
            rest = behind;
            self.byte(*byte, block_most, out);
        }
    }

    fn byte(&mut self, byte: u8, block_most: usize, out: &mut Vec<Frame>) {
        if byte == b'\n' {
            let lost = matches!(self.place, Place::Lost);
            let message = core::mem::take(&mut self.message);
            self.reset();
            if !lost {
                out.push(Ok(message));
            }
            return;
        }
        self.place = match self.place {
            Place::Plain => match byte {
                b'"' | b'\'' => Place::Text(byte),
                b'#' => Place::Hash,
                _ => Place::Plain,
            },
            Place::Text(quote) if byte == quote => Place::Plain,
            Place::Hash if matches!(byte, b'1'..=b'9') => Place::Length(byte - b'0', 0),
            Place::Hash => Place::Plain,
            Place::Length(digits, so_far) if byte.is_ascii_digit() => {
                let length = so_far * 10 + usize::from(byte - b'0');
                if digits > 1 {
                    Place::Length(digits - 1, length)
                } else {
                    self.blocks += length;
                    if self.blocks > block_most {
                        let why = format!("blocks may have {block_most} bytes here");
                        return self.lose(WireError::new(-223, why), out);
                    }
                    if length == 0 { Place::Plain } else { Place::Block(length) }
                }
            }
            Place::Length(..) => Place::Plain,
            other => other,
        };
        if matches!(self.place, Place::Lost) {
            return;
        }
        self.message.push(byte);
        if self.message.len() > self.line_most + self.blocks {
            let why = format!("a message may have {} bytes", self.line_most);
            self.lose(WireError::new(-363, why), out);
        }
    }

    /// Nothing came for a while: a block that waits for its rest is given up.
    pub fn pause(&mut self, out: &mut Vec<Frame>) {
        if let Place::Block(left) = self.place {
            self.reset();
            let why = format!("the last {left} bytes of a block did not come");
            out.push(Err(WireError::new(-161, why)));
        }
    }

    /// A block waits for its rest.
    pub fn in_block(&self) -> bool {
        matches!(self.place, Place::Block(_))
    }

    fn lose(&mut self, why: WireError, out: &mut Vec<Frame>) {
        self.reset();
        self.place = Place::Lost;
        out.push(Err(why));
    }

    fn reset(&mut self) {
        *self = Framer::new(self.line_most);
    }
}

#[cfg(test)]
mod tests {
    use super::{BLOCK_LOOKING, Frame, Framer, MAX_LINE};
    use proptest::prelude::{any, proptest};

    fn fed(pieces: &[&[u8]]) -> Vec<Frame> {
        let (mut framer, mut out) = (Framer::new(MAX_LINE), Vec::new());
        for piece in pieces {
            framer.feed(piece, BLOCK_LOOKING, &mut out);
        }
        out
    }

    #[test]
    fn newlines_inside_blocks_end_nothing() {
        let out = fed(&[b"A #1", b"3\n;\nX, 1\nB", b"\r\n"]);
        assert_eq!(out, [Ok(b"A #13\n;\nX, 1".to_vec()), Ok(b"B\r".to_vec())]);
    }

    #[test]
    fn a_hash_in_a_string_is_no_block() {
        assert_eq!(fed(&[b"A \"#19\"\n"]), [Ok(b"A \"#19\"".to_vec())]);
    }

    #[test]
    fn what_is_too_long_is_thrown_away_up_to_the_next_line() {
        let long = vec![b'x'; MAX_LINE + 10];
        let out = fed(&[&long, &long, b"\nA\n"]);
        assert_eq!(out.len(), 2);
        assert_eq!(out[0].as_ref().unwrap_err().code, -363);
        assert_eq!(out[1], Ok(b"A".to_vec()));
        let out = fed(&[b"A #9999999999junk\nB\n"]);
        assert_eq!(out[0].as_ref().unwrap_err().code, -223);
        assert_eq!(out[1], Ok(b"B".to_vec()));
    }

    #[test]
    fn a_block_without_its_end_is_given_up() {
        let (mut framer, mut out) = (Framer::new(MAX_LINE), Vec::new());
        framer.feed(b"A #15ab", BLOCK_LOOKING, &mut out);
        assert!(framer.in_block() && out.is_empty());
        framer.pause(&mut out);
        framer.feed(b"B\n", BLOCK_LOOKING, &mut out);
        assert_eq!(out[0].as_ref().unwrap_err().code, -161);
        assert_eq!(out[1], Ok(b"B".to_vec()));
    }

    proptest! {
        /// Where pieces end makes no difference, and nothing panics.
        #[test]
        fn pieces_do_not_matter(bytes in any::<Vec<u8>>(), at in any::<usize>()) {
            let (first, second) = bytes.split_at(at % (bytes.len() + 1));
            assert_eq!(fed(&[first, second]), fed(&[&bytes]));
        }
    }
}
