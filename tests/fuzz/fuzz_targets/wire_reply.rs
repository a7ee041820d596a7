//! The driver's side of the wire: bytes as replies to every call, through the framer and the reader.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_head::{
    Call, Framer, decode_reply, encode_call, encode_reply, find_header, message_units,
    read_outcome, reply_parts, said_call,
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
                let Ok(reply) = encode_reply(asked, &values) else { continue };
                // What was understood can be said again, and is understood as the same.
                // What is empty stands between semicolons only.
                let mut again = reply_parts(&decode_reply(&reply)).unwrap_or_default();
                let again = encode_reply(asked, &again.pop().unwrap_or_default());
                assert_eq!(format!("{again:?}"), format!("{:?}", Ok::<_, ()>(reply)));
            }
        }
        // The same bytes as a call: what is understood is said again and understood as the same.
        for unit in message_units(&reply).unwrap_or_default() {
            let parts: Vec<&str> = unit.header.trim_start_matches(':').split(':').collect();
            let Some(entry) = find_header(&parts, unit.query) else { continue };
            let Ok(Some(call)) = said_call(entry, &unit.arguments) else { continue };
            let again = message_units(&encode_call(&call).unwrap_or_default()).unwrap_or_default();
            let unit = again.first();
            let again = unit.map(|unit| said_call(entry, &unit.arguments));
            assert_eq!(format!("{again:?}"), format!("{:?}", Some(Ok::<_, ()>(Some(call)))));
        }
    }
});
