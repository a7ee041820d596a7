//! The driver's side of the wire: bytes as replies to every call, through the framer and the reader.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_head::{
    Call, Framer, find_header, message_units, read_call, read_outcome, read_reply, reply_parts,
    write_call, write_reply,
};

/// Bytes that a reply may have.
const MOST: usize = 1 << 20;

fuzz_target!(|data: &[u8]| {
    let calls = [
        Call::Describe,
        Call::Status,
        Call::Turns { count: 3 },
        Call::Trims,
        Call::MakeSafe { keep_spinning: false },
        Call::Measure,
        Call::CheckCanInject { fault: "lock_lost".to_string() },
    ];
    let (mut framer, mut frames) = (Framer::new(MOST), Vec::new());
    framer.feed(data, MOST, &mut frames);
    framer.pause(&mut frames);
    framer.feed(b"\n", MOST, &mut frames);
    for reply in frames.into_iter().flatten() {
        for values in reply_parts(&reply).unwrap_or_default() {
            let _ = read_outcome(&values);
            for asked in &calls {
                let Ok(reply) = read_reply(asked, &values) else { continue };
                // What was understood can be said again, and is understood as the same.
                // What is empty stands between semicolons only.
                let mut again = reply_parts(&write_reply(&reply)).unwrap_or_default();
                let again = read_reply(asked, &again.pop().unwrap_or_default());
                assert_eq!(format!("{again:?}"), format!("{:?}", Ok::<_, ()>(reply)));
            }
        }
        // The same bytes as a call: what is understood is said again and understood as the same.
        for unit in message_units(&reply).unwrap_or_default() {
            let parts: Vec<&str> = unit.header.trim_start_matches(':').split(':').collect();
            let Some(entry) = find_header(&parts, unit.query) else { continue };
            let Ok(Some(call)) = read_call(entry, &unit.arguments) else { continue };
            let again = message_units(&write_call(&call).unwrap_or_default()).unwrap_or_default();
            let unit = again.first();
            let again = unit.map(|unit| read_call(entry, &unit.arguments));
            assert_eq!(format!("{again:?}"), format!("{:?}", Some(Ok::<_, ()>(Some(call)))));
        }
    }
});
