//! The formatter: what it writes parses, and is written the same again.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_language::{SourceId, format_source};

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    if let Ok(once) = format_source(SourceId(0), &text) {
        let twice = format_source(SourceId(0), &once);
        assert_eq!(twice.ok().as_deref(), Some(once.as_str()), "{text:?}");
    }
});
