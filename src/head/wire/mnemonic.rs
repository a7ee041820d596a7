//! Mnemonics of headers and words. Capitals are the short form; nothing between short and long form is
//! taken, and case does not matter (SCPI-1999 volume 1 section 6.2, from memory). Pure; uses nothing.

/// Whether a word is the long or the short form of a mnemonic.
pub(crate) fn is(mnemonic: &str, word: &str) -> bool {
    word.eq_ignore_ascii_case(mnemonic) || word.eq_ignore_ascii_case(short(mnemonic))
}

/// The short form: the capitals before the first small letter.
pub(crate) fn short(mnemonic: &str) -> &str {
    let end = mnemonic.find(|c: char| c.is_ascii_lowercase()).unwrap_or(mnemonic.len());
    mnemonic.get(..end).unwrap_or(mnemonic)
}

/// Whether the parts of a header, such as `["SYST", "err"]`, are those of a pattern with optional parts
/// in brackets.
pub(super) fn matches(pattern: &str, parts: &[&str]) -> bool {
    let mut given = parts.iter().peekable();
    for node in pattern.split(':') {
        let optional = node.ends_with(']');
        let name = node.trim_matches(['[', ']']);
        match given.peek() {
            Some(part) if is(name, part) => {
                given.next();
            }
            _ if optional => {}
            _ => return false,
        }
    }
    given.next().is_none()
}
