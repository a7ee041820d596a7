//! One-bit images: the reader of Netpbm P4 files, and rows packed into 32-dot words. Uses nothing.
//!
//! The format is that of Netpbm's `pbm` page: `P4`, width and height in decimal, one character of
//! white space, then rows from the top, eight dots a byte, the leftmost in the most significant
//! bit, 1 for black, each row padded to whole bytes with bits that mean nothing. Black is where
//! light falls. A file may hold several images one behind the other; the first is taken.

use thiserror::Error;

/// Dots in one word.
const WORD: u32 = 32;

/// Most dots along a line, and most lines.
pub(crate) const MAX_SIDE: u32 = 100_000;

/// Most dots in an image: an A3 page at 1200 dpi has 279 million.
pub(crate) const MAX_DOTS: u64 = 400_000_000;

/// A one-bit image.
#[derive(Clone, Debug, PartialEq)]
pub struct Bitmap {
    width: u32,
    height: u32,
    words: Vec<u32>,
    more: bool,
}

/// Why a file is no image that can be exposed. The caller knows the file's name.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("byte {offset}: {message}")]
pub struct ImageError {
    /// Where in the file, counted from 0.
    pub offset: usize,
    /// What is wrong there, and what to do.
    pub message: String,
}

impl Bitmap {
    /// Reads the first image of a P4 file.
    pub fn read(bytes: &[u8]) -> Result<Bitmap, ImageError> {
        let mut header = Header { bytes, at: 0 };
        header.magic()?;
        let width = header.side("width")?;
        let height = header.side("height")?;
        header.end()?;
        let dots = u64::from(width) * u64::from(height);
        if dots > MAX_DOTS {
            let message = format!(
                "{width} x {height} is {dots} dots, and an image may have {MAX_DOTS}: expose it in parts"
            );
            return Err(header.wrong(message));
        }
        let row = width.div_ceil(8) as usize;
        let needed = row * height as usize;
        let raster = bytes.get(header.at..).unwrap_or_default();
        let Some(own) = raster.get(..needed) else {
            let message = format!(
                "the file ends after {} of the {needed} bytes that {width} x {height} dots take: \
                 copy it anew, or mend its size",
                raster.len()
            );
            return Err(ImageError { offset: bytes.len(), message });
        };
        let rest = raster.get(needed..).unwrap_or_default();
        if !rest.is_empty() && !rest.starts_with(b"P4") {
            let message = format!(
                "behind the image stand {} bytes that are no further P4 image: mend its size, or \
                 cut them off",
                rest.len()
            );
            return Err(ImageError { offset: header.at + needed, message });
        }
        let words = own.chunks_exact(row).flat_map(|row| packed(row, width)).collect();
        Ok(Bitmap { width, height, words, more: !rest.is_empty() })
    }

    /// Dots along a line.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Lines.
    pub fn height(&self) -> u32 {
        self.height
    }

    /// The file holds further images, which are passed over.
    pub fn more(&self) -> bool {
        self.more
    }

    /// The lines from the top: 32 dots a word, the first in the most significant bit, the last
    /// word padded with zeros.
    pub fn lines(&self) -> impl ExactSizeIterator<Item = &[u32]> {
        self.words.chunks_exact(self.width.div_ceil(WORD) as usize)
    }
}

/// A row of bytes as words; bits behind `width` become zeros.
fn packed(row: &[u8], width: u32) -> impl Iterator<Item = u32> {
    let last = width.div_ceil(WORD) - 1;
    let padding = (last + 1) * WORD - width;
    row.chunks(4).zip(0_u32..).map(move |(bytes, index)| {
        let word =
            (0..4).fold(0, |word, i| word << 8 | u32::from(bytes.get(i).copied().unwrap_or(0)));
        if index == last { word >> padding << padding } else { word }
    })
}

/// What stands before the raster.
struct Header<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Header<'_> {
    fn wrong(&self, message: impl Into<String>) -> ImageError {
        ImageError { offset: self.at, message: message.into() }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn magic(&mut self) -> Result<(), ImageError> {
        let kind = match self.bytes {
            [b'P', b'4', ..] => {
                self.at = 2;
                return Ok(());
            }
            [] => "the file is empty",
            [b'P', b'1', ..] => "this is a P1 image, written in digits",
            [b'P', b'2' | b'5', ..] => "this is an image of gray levels",
            [b'P', b'3' | b'6', ..] => "this is a coloured image",
            [b'P', b'7', ..] => "this is a P7 image",
            [0x89, b'P', b'N', b'G', ..] => "this is a PNG image",
            _ => "this is no Netpbm image",
        };
        Err(self.wrong(format!("{kind}: turn it into a one-bit image in Netpbm's P4 format")))
    }

    /// Passes over white space and comments; tells whether there were any.
    fn blank(&mut self) -> bool {
        let start = self.at;
        while let Some(byte) = self.peek() {
            match byte {
                b'#' => self.comment(),
                byte if is_space(byte) => self.at += 1,
                _ => break,
            }
        }
        self.at > start
    }

    /// Passes over a comment, up to the end of its line.
    fn comment(&mut self) {
        while self.peek().is_some_and(|b| !matches!(b, b'\n' | b'\r')) {
            self.at += 1;
        }
    }

    fn side(&mut self, what: &str) -> Result<u32, ImageError> {
        if !self.blank() {
            return Err(self.missing(what));
        }
        let start = self.at;
        let mut value = 0_u32;
        while let Some(digit @ b'0'..=b'9') = self.peek() {
            value = value.saturating_mul(10).saturating_add(u32::from(digit - b'0'));
            self.at += 1;
        }
        if self.at == start {
            return Err(self.missing(what));
        }
        let wrong = |message| Err(ImageError { offset: start, message });
        match value {
            0 => wrong(format!("the {what} is 0, so that there is nothing to expose")),
            1..=MAX_SIDE => Ok(value),
            _ => wrong(format!(
                "the {what} is more than {MAX_SIDE}, the most that an image may have: expose it in parts"
            )),
        }
    }

    fn missing(&self, what: &str) -> ImageError {
        self.wrong(match self.peek() {
            Some(byte) => format!(
                "the {what} should stand here in digits, not `{}`: a P4 file begins like `P4 3600 2400`",
                byte.escape_ascii()
            ),
            None => format!("the file ends before its {what}: copy it anew"),
        })
    }

    /// The one character of white space before the raster, behind comments if there are any.
    fn end(&mut self) -> Result<(), ImageError> {
        while self.peek() == Some(b'#') {
            self.comment();
        }
        match self.peek() {
            Some(byte) if is_space(byte) => {
                self.at += 1;
                Ok(())
            }
            Some(byte) => Err(self.wrong(format!(
                "white space should stand between the height and the dots, not `{}`",
                byte.escape_ascii()
            ))),
            None => Err(self.wrong("the file ends before its dots: copy it anew")),
        }
    }
}

/// White space as Netpbm has it: blank, TAB, LF, VT, FF, CR.
fn is_space(byte: u8) -> bool {
    matches!(byte, b' ' | 0x09..=0x0d)
}

#[cfg(test)]
mod tests {
    use super::Bitmap;
    use proptest::prelude::{any, prop, prop_assert, proptest};

    proptest! {
        #[test]
        fn any_bytes_are_an_image_or_are_refused_inside_the_file(
            bytes in prop::collection::vec(any::<u8>(), 0..200),
            width in 0_u32..70,
            height in 0_u32..5,
        ) {
            let headed = [format!("P4 {width} {height}\n").as_bytes(), &bytes].concat();
            for file in [bytes, headed] {
                match Bitmap::read(&file) {
                    Ok(image) => {
                        prop_assert!(image.lines().len() as u32 == image.height());
                        let words = image.width().div_ceil(32) as usize;
                        let padding = words as u32 * 32 - image.width();
                        for line in image.lines() {
                            prop_assert!(line.len() == words);
                            let last = u64::from(line[words - 1]);
                            prop_assert!(last & ((1 << padding) - 1) == 0);
                        }
                    }
                    Err(error) => prop_assert!(error.offset <= file.len(), "{error}"),
                }
            }
        }
    }

    fn words(bytes: &[u8]) -> Vec<Vec<u32>> {
        Bitmap::read(bytes).unwrap().lines().map(<[u32]>::to_vec).collect()
    }

    fn fault(bytes: &[u8]) -> String {
        Bitmap::read(bytes).unwrap_err().to_string()
    }

    #[test]
    fn rows_are_packed_most_significant_bit_first_and_padded_with_zeros() {
        // 36 dots: five bytes a row, whose last four bits mean nothing.
        let rows = words(b"P4 36 2\n\x80\x00\x00\x01\xff\x00\x00\x00\x00\x0f");
        assert_eq!(rows, [[0x8000_0001, 0xf000_0000], [0, 0]]);
        // 3600 dots are 112.5 words: 113 with 16 padding bits, 450 bytes a row (derived).
        let mut page = b"P4\n3600 1\n".to_vec();
        page.extend([0xff; 450]);
        let row = words(&page).remove(0);
        assert_eq!((row.len(), row[112]), (113, 0xffff_0000));
    }

    #[test]
    fn headers_may_hold_comments_and_any_white_space() {
        for header in [
            "P4 8 1 ",
            "P4\n8\n1\n",
            "P4\t8\x0b1\r",
            "P4#a\n8#b\r1 ",
            "P4 # 9 9\n# more\n8 1\n",
            "P4 08 01\n",
            "P4 8 1# the size\n",
        ] {
            let file = [header.as_bytes(), b"#"].concat();
            assert_eq!(words(&file), [[0x2300_0000]], "{header:?}");
        }
    }

    #[test]
    fn of_several_images_the_first_is_taken() {
        let both = Bitmap::read(b"P4 8 1\nAP4 8 1\nB").unwrap();
        assert!(both.more());
        assert_eq!(both.lines().next().unwrap(), [0x4100_0000]);
        assert!(!Bitmap::read(b"P4 8 1\nA").unwrap().more());
    }

    #[test]
    fn what_is_no_image_is_refused_with_its_place_and_the_way_out() {
        for (bytes, says) in [
            (&b""[..], "byte 0: the file is empty"),
            (b"P1 8 1\n", "byte 0: this is a P1 image"),
            (b"P2 8 1 1\n", "gray levels"),
            (b"P5 8 1 255\n", "gray levels: turn it into a one-bit image"),
            (b"P6 8 1 255\n", "coloured"),
            (b"\x89PNG\r\n", "PNG"),
            (b"P48 1\nA", "byte 2: the width should stand here in digits, not `8`"),
            (b"P4 -8 1\nA", "byte 3: the width should stand here in digits, not `-`"),
            (b"P4 8", "byte 4: the file ends before its height"),
            (b"P4 8 x", "byte 5: the height should"),
            (b"P4 8 1", "byte 6: the file ends before its dots"),
            (b"P4 8 1A", "byte 6: white space"),
            (b"P4 0 1\n", "byte 3: the width is 0"),
            (b"P4 8 0\n", "byte 5: the height is 0"),
            (b"P4 100001 1\n", "byte 3: the width is more than 100000"),
            (b"P4 99999999999999999999 1\n", "byte 3: the width is more than 100000"),
            (b"P4 90000 90000\n", "8100000000 dots"),
            (b"P4 9 2\nABC", "byte 10: the file ends after 3 of the 4 bytes"),
            (b"P4 8 1\nA\n", "byte 8: behind the image stand 1 bytes"),
        ] {
            assert!(fault(bytes).contains(says), "{says}: {}", fault(bytes));
        }
    }

    #[test]
    fn every_beginning_of_a_file_is_refused() {
        let whole = b"P4\n# a comment\n36 2\n\x80\x00\x00\x01\xff\x00\x00\x00\x00\x0f";
        for end in 0..whole.len() {
            assert!(Bitmap::read(&whole[..end]).is_err(), "{end}");
        }
        assert!(Bitmap::read(whole).is_ok());
    }
}
