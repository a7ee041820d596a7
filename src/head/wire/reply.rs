//! How values stand in messages and replies: NR1 and NR3 numbers that read back to the same bits,
//! strings, definite-length blocks (IEEE 488.2 section 8, from memory). Pure; uses nothing.

/// What stands for no number (SCPI-1999 volume 1 section 7.2.1.4).
pub(crate) const NAN: f64 = 9.91e37;

/// What stands for an infinite one.
const INFINITY: f64 = 9.9e37;

/// A number as NR3: with a point and a signed exponent, and as many digits as it takes.
pub(crate) fn number(value: f64) -> String {
    let value = if value.is_nan() {
        NAN
    } else if value.is_infinite() {
        INFINITY.copysign(value)
    } else {
        value
    };
    let text = format!("{value:E}");
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let sign = if exponent.starts_with('-') { "" } else { "+" };
    format!("{mantissa}{point}E{sign}{exponent}")
}

/// A flag.
pub(crate) fn flag(value: bool) -> String {
    u8::from(value).to_string()
}

/// A definite-length block.
pub(crate) fn block(bytes: &[u8]) -> Vec<u8> {
    let length = bytes.len().to_string();
    let mut block = format!("#{}{length}", length.len()).into_bytes();
    block.extend_from_slice(bytes);
    block
}

/// Text as a string; as a block where characters stand in it that could end the line.
pub(crate) fn text(text: &str) -> Vec<u8> {
    if text.chars().any(char::is_control) {
        block(text.as_bytes())
    } else {
        format!("\"{}\"", text.replace('"', "\"\"")).into_bytes()
    }
}

/// Values of a message or a reply, with commas between them.
#[derive(Default)]
pub(crate) struct Values(pub(crate) Vec<u8>);

impl Values {
    /// Puts one behind those before.
    pub(crate) fn push(&mut self, value: impl AsRef<[u8]>) {
        if !self.0.is_empty() {
            self.0.push(b',');
        }
        self.0.extend_from_slice(value.as_ref());
    }
}

#[cfg(test)]
mod tests {
    use super::{block, number, text};
    use crate::wire::message::{Argument, reply_parts};
    use proptest::prelude::{any, proptest};

    #[test]
    fn numbers_as_nr3() {
        for (value, wanted) in [
            (0.0, "0.0E+0"),
            (-1.5, "-1.5E+0"),
            (500.0, "5.0E+2"),
            (2.5e-9, "2.5E-9"),
            (f64::NAN, "9.91E+37"),
            (f64::INFINITY, "9.9E+37"),
            (f64::NEG_INFINITY, "-9.9E+37"),
        ] {
            assert_eq!(number(value), wanted);
        }
    }

    /// The example of IEEE 488.2 section 8.7.9.
    #[test]
    fn blocks_say_their_length() {
        assert_eq!(block(b"ABCD"), b"#14ABCD");
        assert_eq!(block(&[0; 12])[..4], *b"#212");
    }

    #[test]
    fn answers_are_apart_by_semicolons_outside_strings_and_blocks() {
        let read = reply_parts(b"1;\"a;b\",#13;;;;2").unwrap();
        let wanted = [
            vec![Argument::Number { value: 1.0, suffix: String::new() }],
            vec![Argument::Text("a;b".into()), Argument::Block(b";;;".to_vec())],
            vec![Argument::Number { value: 2.0, suffix: String::new() }],
        ];
        assert_eq!(read, wanted);
    }

    proptest! {
        #[test]
        fn numbers_read_back_to_the_same_bits(value in any::<f64>()) {
            if value.is_finite() {
                let read = reply_parts(number(value).as_bytes()).unwrap();
                let wanted = Argument::Number { value, suffix: String::new() };
                assert_eq!(read, [vec![wanted]]);
            }
        }

        #[test]
        fn texts_read_back(said in any::<String>()) {
            let read = reply_parts(&text(&said)).unwrap();
            let wanted = said.into_bytes();
            match &read[0][0] {
                Argument::Text(text) => assert_eq!(text.as_bytes(), wanted),
                Argument::Block(bytes) => assert_eq!(*bytes, wanted),
                other => panic!("{other:?}"),
            }
        }

        #[test]
        fn nothing_panics(bytes in any::<Vec<u8>>()) {
            let _ = reply_parts(&bytes);
        }
    }
}
