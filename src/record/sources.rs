//! `sources.json`: every source file of a run, so that it can be repeated from its record alone.

use crate::record::data::Identity;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

/// Largest file that is kept, in bytes.
const MAX_FILE: usize = 16 << 20;

/// Each file by its name: `text`, or `base64` where it is none; of one that is too large only why.
pub(crate) fn sources(identity: &Identity) -> String {
    let files = identity.sources.iter().map(|source| {
        let (key, content) = match std::str::from_utf8(&source.content) {
            _ if source.content.len() > MAX_FILE => {
                ("left_out", format!("larger than {} MiB: keep it yourself", MAX_FILE >> 20))
            }
            Ok(text) => ("text", text.to_string()),
            Err(_) => ("base64", STANDARD.encode(&source.content)),
        };
        json!({"name": source.name, "sha256": source.sha256, key: content})
    });
    format!("{:#}\n", json!({"files": files.collect::<Vec<Value>>()}))
}
