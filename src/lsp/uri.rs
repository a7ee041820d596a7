//! Document addresses to file names and back (RFC 8089, percent-encoding of RFC 3986). A document
//! that is no file, such as a new one without a place, is called by its address.

use lsp_types::Uri;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, percent_decode_str, utf8_percent_encode};
use std::fmt::Display;
use std::str::FromStr;

/// What is escaped: all but the unreserved characters and what parts folders.
const ESCAPED: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~').remove(b'/');

/// The name of the file behind an address.
pub(super) fn name(uri: &Uri) -> String {
    let text = uri.as_str();
    let Some(rest) = text.strip_prefix("file://") else { return text.to_string() };
    let path = match rest.find('/') {
        // Another machine's file keeps its name in front: `//machine/share/a.spt`.
        Some(at) if at > 0 && !rest.starts_with("localhost/") => format!("//{rest}"),
        Some(at) => rest.get(at..).unwrap_or("").to_string(),
        None => return text.to_string(),
    };
    let path = percent_decode_str(&path).decode_utf8_lossy().into_owned();
    match path.as_bytes() {
        [b'/', drive, b':', ..] if drive.is_ascii_alphabetic() => {
            path.trim_start_matches('/').to_string()
        }
        _ => path,
    }
}

/// The address of a file; none where its name cannot be one.
pub(super) fn of(name: &str) -> Option<Uri> {
    let text = if let Some(rest) = name.strip_prefix("//") {
        format!("file://{}", encoded(rest))
    } else if name.starts_with('/') {
        format!("file://{}", encoded(name))
    } else if name.as_bytes().get(1) == Some(&b':') {
        format!("file:///{}", encoded(name))
    } else {
        name.to_string()
    };
    Uri::from_str(&text).ok()
}

fn encoded(text: &str) -> impl Display {
    utf8_percent_encode(text, ESCAPED)
}

#[cfg(test)]
mod tests {
    use super::{name, of};
    use lsp_types::Uri;
    use std::str::FromStr;

    #[test]
    fn addresses_and_names_go_both_ways() {
        let cases = [
            ("file:///a/b.spt", "/a/b.spt"),
            ("file:///a%20b/%C2%B5.spt", "/a b/µ.spt"),
            ("file:///C%3A/a.spt", "C:/a.spt"),
            ("file://machine/share/a.spt", "//machine/share/a.spt"),
            ("untitled:Untitled-1", "untitled:Untitled-1"),
        ];
        for (address, file) in cases {
            let uri = Uri::from_str(address).unwrap();
            assert_eq!(name(&uri), file);
            assert_eq!(of(file).unwrap().as_str(), address);
        }
        assert_eq!(name(&Uri::from_str("file:///a%zz").unwrap_or(of("/a%zz").unwrap())), "/a%zz");
    }
}
