//! Cells of CSV that people open in spreadsheets.

use spintrue_language::is_guarded;
use std::borrow::Cow;

/// A text that a spreadsheet would take for a formula, made a text by the apostrophe that stands for
/// one there (common practice, no source). Numbers and all else stay as they are.
pub(crate) fn cell(text: &str) -> Cow<'_, str> {
    if is_guarded(text) { Cow::Owned(format!("'{text}")) } else { Cow::Borrowed(text) }
}

#[cfg(test)]
mod tests {
    use super::cell;

    #[test]
    fn formulas_become_texts_and_the_rest_stays() {
        for text in ["=1+1", "+SUM(A1)", "-x", "@A1", "\t=1", "\r=1", "＝1", "-1;=2", "=", "'=1"] {
            assert_eq!(cell(text), format!("'{text}"));
        }
        for text in ["", "a=b", "-1.5e-9", "+3", "'a", "SIM-0001", " =1"] {
            assert_eq!(cell(text), text);
        }
    }
}
