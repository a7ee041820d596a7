//! `record.json`: what the record is of, and a digest of every file and of itself.
//!
//! The digests show accidental and careless changes. They have no key: a record with recomputed digests is
//! not detected.

use crate::record::data::Identity;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use thiserror::Error;

/// The value of `format`.
pub(crate) const FORMAT: &str = "spintrue record";

/// Version of the format.
pub(crate) const VERSION: u64 = 1;

/// A file of the record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FileDigest {
    /// Its length.
    pub bytes: u64,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
}

/// What `record.json` says of the other files; its own digest was right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Manifest {
    /// By their names.
    pub files: BTreeMap<String, FileDigest>,
    /// The verdict of the run.
    pub verdict: String,
    /// Serial number of the head.
    pub serial: String,
}

/// Why `record.json` is not as it was written.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub(crate) enum ManifestError {
    /// No JSON.
    #[error("record.json:{line}:{column}: {message}")]
    Json {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        message: String,
    },
    /// JSON, but not this.
    #[error("record.json: {0}")]
    Shape(String),
    /// Of a version that is not known here.
    #[error("record.json has version {0} of the format; this program reads version 1")]
    Version(u64),
    /// Its digest does not fit, or it is not written as it should be.
    #[error("record.json was changed: {0}")]
    Changed(&'static str),
}

/// Bytes in hexadecimal.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The same value with the keys of each object in the order of their bytes.
fn sorted(value: Value) -> Value {
    match value {
        Value::Object(fields) => {
            let mut fields: Vec<(String, Value)> = fields.into_iter().collect();
            fields.sort_by(|(one, _), (other, _)| one.cmp(other));
            Value::Object(fields.into_iter().map(|(key, value)| (key, sorted(value))).collect())
        }
        Value::Array(items) => Value::Array(items.into_iter().map(sorted).collect()),
        other => other,
    }
}

/// SHA-256 of the canonical form: sorted keys, no blanks between the tokens, UTF-8.
fn digest(sorted: &Value) -> String {
    hexadecimal(&Sha256::digest(sorted.to_string().as_bytes()))
}

/// The text of the file for people to read: two blanks a level, a line feed at its end.
fn text(sorted: &Value) -> String {
    format!("{sorted:#}\n")
}

impl Manifest {
    /// The text of `record.json`.
    pub(crate) fn written(
        identity: &Identity,
        verdict: &str,
        exit_code: u8,
        files: &BTreeMap<String, FileDigest>,
    ) -> Result<String, serde_json::Error> {
        let value = sorted(json!({
            "format": FORMAT,
            "version": VERSION,
            "identity": serde_json::to_value(identity)?,
            "verdict": verdict,
            "exit_code": exit_code,
            "files": serde_json::to_value(files)?,
        }));
        let digest = digest(&value);
        let mut fields = match value {
            Value::Object(fields) => fields,
            _ => Map::new(),
        };
        fields.insert("digest".to_string(), Value::String(digest));
        Ok(text(&sorted(Value::Object(fields))))
    }

    /// Reads `record.json` and checks its own digest.
    pub(crate) fn read(written: &str) -> Result<Manifest, ManifestError> {
        let value: Value = serde_json::from_str(written).map_err(|error| ManifestError::Json {
            line: error.line(),
            column: error.column(),
            // Line and column stand before it already.
            message: error.to_string().split(" at line ").next().unwrap_or_default().to_string(),
        })?;
        let shape = |what: &str| ManifestError::Shape(what.to_string());
        if value.get("format").and_then(Value::as_str) != Some(FORMAT) {
            return Err(shape("not a record of spintrue: `format` is missing or different"));
        }
        match value.get("version").and_then(Value::as_u64) {
            Some(VERSION) => {}
            Some(other) => return Err(ManifestError::Version(other)),
            None => return Err(shape("`version` is no whole number")),
        }
        let value = sorted(value);
        if text(&value) != written {
            return Err(ManifestError::Changed("it is not written as this program writes it"));
        }
        let Value::Object(mut fields) = value else { return Err(shape("no object")) };
        let Some(Value::String(said)) = fields.remove("digest") else {
            return Err(shape("`digest` is no text"));
        };
        let rest = sorted(Value::Object(fields));
        if digest(&rest) != said {
            return Err(ManifestError::Changed("its digest does not fit it"));
        }
        let files = rest.get("files").cloned().unwrap_or_default();
        let files: BTreeMap<String, FileDigest> =
            serde_json::from_value(files).map_err(|e| shape(&format!("`files`: {e}")))?;
        if let Some(name) = files.keys().find(|name| !plain(name)) {
            return Err(shape(&format!("`{name}` is no plain name of a file")));
        }
        let verdict = rest.get("verdict").and_then(Value::as_str);
        let verdict = verdict.ok_or_else(|| shape("`verdict` is no text"))?.to_string();
        let serial = rest.get("identity").and_then(|identity| identity.get("serial"));
        let serial = serial.and_then(Value::as_str);
        let serial = serial.ok_or_else(|| shape("`identity.serial` is no text"))?.to_string();
        Ok(Manifest { files, verdict, serial })
    }
}

/// Whether a name leads nowhere but into the record's own folder.
fn plain(name: &str) -> bool {
    !name.is_empty() && name != "." && name != ".." && !name.contains(['/', '\\', ':', '\0'])
}

#[cfg(test)]
mod tests {
    use super::{FileDigest, Manifest, ManifestError};
    use crate::record::data::Identity;
    use std::collections::BTreeMap;

    fn written() -> String {
        let file = FileDigest { bytes: 3, sha256: "00".repeat(32) };
        let files = BTreeMap::from([("lines.csv".to_string(), file)]);
        Manifest::written(&Identity::default(), "passed", 0, &files).unwrap()
    }

    #[test]
    fn it_reads_back() {
        let manifest = Manifest::read(&written()).unwrap();
        assert_eq!(manifest.verdict, "passed");
        assert_eq!(manifest.files["lines.csv"].bytes, 3);
    }

    /// Whatever byte is changed, and to whatever, is found.
    #[test]
    fn every_changed_byte_is_found() {
        let text = written();
        for at in 0..text.len() {
            for byte in [b' ', b'x', b'1', b'"', b'\n'] {
                let mut bytes = text.clone().into_bytes();
                if bytes[at] == byte {
                    continue;
                }
                bytes[at] = byte;
                let changed = String::from_utf8(bytes).unwrap();
                assert!(Manifest::read(&changed).is_err(), "byte {at}:\n{changed}");
            }
        }
    }

    #[test]
    fn a_key_said_twice_is_found() {
        let text =
            written().replacen("  \"verdict\"", "  \"verdict\": \"failed\",\n  \"verdict\"", 1);
        assert!(matches!(Manifest::read(&text), Err(ManifestError::Changed(_))));
    }
}
