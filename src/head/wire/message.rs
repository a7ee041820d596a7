//! From a message to its units: headers, numbers with suffixes, words, strings and blocks, after IEEE
//! 488.2 section 7 (from memory). Pure; uses the errors.

use crate::wire::errors::WireError;

/// Most characters of a number.
const MAX_NUMBER: usize = 255;

/// One command or query with what stands behind it.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// As written, without its question mark.
    pub header: String,
    /// A question mark stood behind the header.
    pub query: bool,
    /// What stood behind it.
    pub arguments: Vec<Argument>,
}

/// What stands behind a header.
#[derive(Clone, Debug, PartialEq)]
pub enum Argument {
    /// A decimal number, or a whole one behind `#H`, `#Q` or `#B`.
    Number {
        /// As it stands there.
        value: f64,
        /// What it has for a unit, in capitals; empty where it has none.
        suffix: String,
    },
    /// A bare word, in capitals.
    Word(String),
    /// A string, without its quotes.
    Text(String),
    /// A definite-length block.
    Block(Vec<u8>),
}

/// Splits a message. One that cannot be read whole yields nothing.
pub fn message_units(message: &[u8]) -> Result<Vec<Unit>, WireError> {
    let mut reader = Reader { bytes: message, at: 0 };
    let mut units = Vec::new();
    loop {
        reader.blanks();
        match reader.peek() {
            None => return Ok(units),
            Some(b';') => reader.at += 1,
            Some(_) => {
                units.push(reader.unit()?);
                match reader.peek() {
                    None => return Ok(units),
                    Some(b';') => reader.at += 1,
                    Some(other) => return Err(reader.unexpected(-103, other)),
                }
            }
        }
    }
}

/// The answers in a reply, each as its values.
pub fn reply_parts(reply: &[u8]) -> Result<Vec<Vec<Argument>>, WireError> {
    let mut reader = Reader { bytes: reply, at: 0 };
    let mut parts = Vec::new();
    while reader.peek().is_some() {
        parts.push(reader.arguments()?);
        match reader.peek() {
            None => {}
            Some(b';') => reader.at += 1,
            Some(other) => return Err(reader.unexpected(-103, other)),
        }
    }
    Ok(parts)
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn blanks(&mut self) {
        self.take(|byte| byte <= b' ');
    }

    /// Takes what satisfies `is`.
    fn take(&mut self, is: impl Fn(u8) -> bool) -> &[u8] {
        let from = self.at;
        while self.peek().is_some_and(&is) {
            self.at += 1;
        }
        self.bytes.get(from..self.at).unwrap_or_default()
    }

    fn taken(&mut self, is: impl Fn(u8) -> bool) -> String {
        String::from_utf8_lossy(self.take(is)).into_owned()
    }

    fn unexpected(&self, code: i16, byte: u8) -> WireError {
        let shown = byte.escape_ascii();
        WireError::new(code, format!("`{shown}` at byte {} of the message", self.at + 1))
    }

    fn unit(&mut self) -> Result<Unit, WireError> {
        let part = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b':' | b'*' | b'_');
        let header = self.taken(part);
        if let Some(byte) = self.peek()
            && header.is_empty()
        {
            let code = if byte.is_ascii_graphic() { -102 } else { -101 };
            return Err(self.unexpected(code, byte));
        }
        let query = self.peek() == Some(b'?');
        if query {
            self.at += 1;
        }
        match self.peek() {
            Some(byte) if byte > b' ' && byte != b';' => {
                let code = if byte.is_ascii_graphic() { -103 } else { -101 };
                Err(self.unexpected(code, byte))
            }
            _ => Ok(Unit { header, query, arguments: self.arguments()? }),
        }
    }

    /// What stands before the next semicolon or the end.
    fn arguments(&mut self) -> Result<Vec<Argument>, WireError> {
        let mut arguments = Vec::new();
        self.blanks();
        if matches!(self.peek(), None | Some(b';')) {
            return Ok(arguments);
        }
        loop {
            arguments.push(self.argument()?);
            self.blanks();
            if self.peek() != Some(b',') {
                return Ok(arguments);
            }
            self.at += 1;
            self.blanks();
        }
    }

    fn argument(&mut self) -> Result<Argument, WireError> {
        match self.peek() {
            None => Err(WireError::new(-102, "the message ends behind a comma")),
            Some(quote @ (b'"' | b'\'')) => self.text(quote),
            Some(b'#') => self.hash(),
            Some(b'+' | b'-' | b'.' | b'0'..=b'9') => self.number(),
            Some(byte) if byte.is_ascii_alphabetic() => {
                let word = self.taken(|byte| byte.is_ascii_alphanumeric() || byte == b'_');
                Ok(Argument::Word(word.to_ascii_uppercase()))
            }
            Some(byte) if byte.is_ascii_graphic() => Err(self.unexpected(-102, byte)),
            Some(byte) => Err(self.unexpected(-101, byte)),
        }
    }

    fn text(&mut self, quote: u8) -> Result<Argument, WireError> {
        self.at += 1;
        let mut bytes = Vec::new();
        loop {
            bytes.extend_from_slice(self.take(|byte| byte != quote));
            if self.peek().is_none() {
                return Err(WireError::new(-151, "a string has no closing quote"));
            }
            self.at += 1;
            if self.peek() != Some(quote) {
                break;
            }
            self.at += 1;
            bytes.push(quote);
        }
        let text = String::from_utf8(bytes);
        text.map(Argument::Text).map_err(|_| WireError::new(-151, "a string is not UTF-8"))
    }

    fn hash(&mut self) -> Result<Argument, WireError> {
        self.at += 1;
        let kind = self.peek().unwrap_or(b' ');
        self.at += 1;
        let radix = match kind.to_ascii_uppercase() {
            b'H' => 16,
            b'Q' => 8,
            b'B' => 2,
            b'1'..=b'9' => return self.block(usize::from(kind - b'0')),
            _ => {
                let why = "behind # stands the number of digits of a block's length, or H, Q or B";
                return Err(WireError::new(-161, why));
            }
        };
        let digits = self.taken(|byte| byte.is_ascii_alphanumeric());
        let value = u64::from_str_radix(&digits, radix)
            .map_err(|_| WireError::new(-121, format!("`{digits}` to the base {radix}")))?;
        Ok(Argument::Number { value: value as f64, suffix: String::new() })
    }

    fn block(&mut self, digits: usize) -> Result<Argument, WireError> {
        let broken = || WireError::new(-161, "a block is shorter than it says");
        let length = self.bytes.get(self.at..self.at + digits).ok_or_else(broken)?;
        let length: Option<usize> =
            core::str::from_utf8(length).ok().and_then(|text| text.parse().ok());
        let length = length.ok_or_else(|| WireError::new(-161, "the length is no number"))?;
        let from = self.at + digits;
        let bytes = self.bytes.get(from..from.saturating_add(length)).ok_or_else(broken)?;
        let block = bytes.to_vec();
        self.at = from + length;
        Ok(Argument::Block(block))
    }

    fn number(&mut self) -> Result<Argument, WireError> {
        let from = self.at;
        if matches!(self.peek(), Some(b'+' | b'-')) {
            self.at += 1;
        }
        self.take(|byte| byte.is_ascii_digit());
        if self.peek() == Some(b'.') {
            self.at += 1;
            self.take(|byte| byte.is_ascii_digit());
        }
        let mantissa = self.at;
        if matches!(self.peek(), Some(b'e' | b'E')) {
            self.at += 1;
            if matches!(self.peek(), Some(b'+' | b'-')) {
                self.at += 1;
            }
            if self.take(|byte| byte.is_ascii_digit()).is_empty() {
                // No exponent: the letter begins a suffix.
                self.at = mantissa;
            }
        }
        let text = self.bytes.get(from..self.at).unwrap_or_default();
        if text.len() > MAX_NUMBER {
            let why = format!("a number may have {MAX_NUMBER} characters");
            return Err(WireError::new(-124, why));
        }
        let text = String::from_utf8_lossy(text).into_owned();
        let value: f64 =
            text.parse().map_err(|_| WireError::new(-121, format!("`{text}` is no number")))?;
        if !value.is_finite() {
            return Err(WireError::new(-123, text));
        }
        let before = self.at;
        self.blanks();
        let is_unit = |byte: u8| byte.is_ascii_alphabetic() || matches!(byte, b'/' | b'%');
        if self.peek().is_some_and(is_unit) {
            let suffix = self.taken(|byte| is_unit(byte) || byte.is_ascii_digit());
            return Ok(Argument::Number { value, suffix: suffix.to_ascii_uppercase() });
        }
        if matches!(self.peek(), Some(b'.' | b'+' | b'-' | b'0'..=b'9')) && self.at == before {
            let byte = self.peek().unwrap_or_default();
            return Err(self.unexpected(-121, byte));
        }
        Ok(Argument::Number { value, suffix: String::new() })
    }
}

#[cfg(test)]
mod tests {
    use super::{Argument, Unit, message_units};
    use proptest::prelude::{any, proptest};

    fn number(value: f64, suffix: &str) -> Argument {
        Argument::Number { value, suffix: suffix.to_string() }
    }

    #[test]
    fn units_with_every_kind_of_argument() {
        let read =
            message_units(b" rot:spe 5.5e2 rpm ;:x? #H1f,'it''s',#13;,\n, brak;;*CLS\r").unwrap();
        let unit =
            |header: &str, query, arguments| Unit { header: header.into(), query, arguments };
        let arguments = vec![
            number(31.0, ""),
            Argument::Text("it's".to_string()),
            Argument::Block(b";,\n".to_vec()),
            Argument::Word("BRAK".to_string()),
        ];
        let wanted = [
            unit("rot:spe", false, vec![number(550.0, "RPM")]),
            unit(":x", true, arguments),
            unit("*CLS", false, vec![]),
        ];
        assert_eq!(read, wanted);
    }

    #[test]
    fn numbers_with_and_without_exponents_and_suffixes() {
        for (text, value, suffix) in [
            ("1", 1.0, ""),
            ("-.5E+1", -5.0, ""),
            ("2 MM", 2.0, "MM"),
            ("2EV", 2.0, "EV"),
            ("1.5rad/s", 1.5, "RAD/S"),
            ("35%", 35.0, "%"),
            ("#B101", 5.0, ""),
        ] {
            let read = message_units(format!("X {text}").as_bytes()).unwrap();
            assert_eq!(read[0].arguments, [number(value, suffix)], "{text}");
        }
    }

    #[test]
    fn what_cannot_be_read_has_its_number() {
        for (text, code) in [
            ("\u{1}\u{7f}", -101),
            ("é", -101),
            ("@", -102),
            ("A!", -103),
            ("A 1,", -102),
            ("A 1 2", -103),
            ("A 1.2.3", -121),
            ("A +", -121),
            ("A 1E999", -123),
            ("A 'x", -151),
            ("A #15ab", -161),
            ("A #0ab", -161),
            ("A #Hxyz", -121),
            ("A (@1)", -102),
        ] {
            assert_eq!(message_units(text.as_bytes()).unwrap_err().code, code, "{text}");
        }
    }

    proptest! {
        #[test]
        fn nothing_panics(bytes in any::<Vec<u8>>()) {
            let _ = message_units(&bytes);
        }
    }
}
