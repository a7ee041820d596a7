//! `record.json`: what the record is of, and a digest of every file and of itself.
//!
//! The digests show accidental and careless changes. A record with recomputed digests is detected only by
//! its signature, or by an archive that holds its digest.

use crate::disk::sha256;
use crate::record::data::Identity;
use crate::record::signature::PublicKey;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// The value of `format`.
pub(crate) const FORMAT: &str = "spintrue record";

/// Version of the format. The first one had no compressed files and digested keys in the order of their bytes.
pub(crate) const VERSION: u64 = 2;

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
    /// Digest of `record.json`.
    pub digest: String,
    /// Digest of the archive's row of the run, where there is one.
    pub row: Option<String>,
    /// The key whose signature belongs to the record.
    pub signed_by: Option<PublicKey>,
}

/// Why `record.json` cannot be relied on.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum ManifestError {
    /// It is of a version that is not known here.
    Newer(String),
    /// It is not as it was written.
    Changed(String),
}

/// SHA-256 of the canonical form of RFC 8785.
pub(crate) fn canonical_digest(value: &Value) -> String {
    // Of what is no number, text or list of such, JSON has nothing to write.
    let canonical = serde_json_canonicalizer::to_vec(value).unwrap_or_default();
    sha256(canonical)
}

/// The text of the file for people to read: two blanks a level, a line feed at its end.
fn text(sorted: &Value) -> String {
    format!("{sorted:#}\n")
}

impl Manifest {
    /// The text of `record.json`, and its digest.
    pub(crate) fn written(
        identity: &Identity,
        (verdict, exit_code): (&str, u8),
        files: &BTreeMap<String, FileDigest>,
        row: Option<&str>,
        signed_by: Option<&PublicKey>,
    ) -> (String, String) {
        let mut value = json!({
            "format": FORMAT,
            "version": VERSION,
            "identity": identity,
            "verdict": verdict,
            "exit_code": exit_code,
            "files": files,
            "archive_row": row,
            "signed_by": signed_by.map(PublicKey::text),
        });
        let digest = canonical_digest(&value);
        if let Some(fields) = value.as_object_mut() {
            fields.insert("digest".to_string(), json!(digest));
        }
        value.sort_all_objects();
        (text(&value), digest)
    }

    /// Reads `record.json` and checks its own digest.
    pub(crate) fn read(written: &str) -> Result<Manifest, ManifestError> {
        let changed = |why: String| ManifestError::Changed(why);
        let shape = |what: &str| changed(format!("record.json: {what}"));
        let mut value: Value = serde_json::from_str(written).map_err(|error| {
            // Line and column stand before it already.
            let message = error.to_string();
            let message = message.split(" at line ").next().unwrap_or_default();
            changed(format!("record.json:{}:{}: {message}", error.line(), error.column()))
        })?;
        if value.get("format").and_then(Value::as_str) != Some(FORMAT) {
            return Err(shape("not a record of spintrue: `format` is missing or different"));
        }
        let version = value.get("version").and_then(Value::as_u64);
        let version = version.ok_or_else(|| shape("`version` is no whole number"))?;
        if version > VERSION {
            return Err(ManifestError::Newer(format!(
                "record.json has version {version} of the format; this program reads up to version {VERSION}"
            )));
        }
        value.sort_all_objects();
        let altered = |how: &str| changed(format!("record.json was changed: {how}"));
        if text(&value) != written {
            return Err(altered("it is not written as this program writes it"));
        }
        let said = value.as_object_mut().and_then(|fields| fields.remove("digest"));
        let Some(Value::String(said)) = said else { return Err(shape("`digest` is no text")) };
        let digest = match version {
            1 => {
                value.sort_all_objects();
                sha256(value.to_string())
            }
            _ => canonical_digest(&value),
        };
        if digest != said {
            return Err(altered("its digest does not fit it"));
        }
        let files = value.get("files").cloned().unwrap_or_default();
        let files: BTreeMap<String, FileDigest> =
            serde_json::from_value(files).map_err(|e| shape(&format!("`files`: {e}")))?;
        if let Some(name) = files.keys().find(|name| !plain(name)) {
            return Err(shape(&format!("`{name}` is no plain name of a file")));
        }
        let named = |path: &str, name: &str| {
            let text = value.pointer(path).and_then(Value::as_str).map(str::to_string);
            text.ok_or_else(|| shape(&format!("`{name}` is no text")))
        };
        let (verdict, serial) =
            (named("/verdict", "verdict")?, named("/identity/serial", "identity.serial")?);
        let row = value.get("archive_row").and_then(Value::as_str).map(str::to_string);
        let signed_by = match value.get("signed_by") {
            Some(Value::String(key)) => match PublicKey::from_text(key) {
                Some(key) => Some(key),
                None => return Err(shape("`signed_by` is no public key for Ed25519")),
            },
            _ => None,
        };
        Ok(Manifest { files, verdict, serial, digest, row, signed_by })
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
        Manifest::written(&Identity::default(), ("passed", 0), &files, None, None).0
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
