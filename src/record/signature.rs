//! Signatures of records: Ed25519 (RFC 8032) over the bytes of `record.json`, detached. Keys are PEM files as
//! OpenSSL makes them: PKCS#8 (RFC 5958), and SubjectPublicKeyInfo (RFC 8410).

use crate::disk::read_text;
use crate::error::{Error, invalid};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use std::path::Path;

/// Bytes of a signature.
pub(super) const SIGNATURE_BYTES: usize = Signature::BYTE_SIZE;

/// A key that signs records.
pub(crate) struct PrivateKey(SigningKey);

impl PrivateKey {
    /// Reads a key, unless others may read it too.
    pub(crate) fn read(path: &Path) -> Result<PrivateKey, Error> {
        let name = path.display();
        let text = read_text(path)?;
        if is_open_to_others(path) {
            return Err(invalid!(
                "others can read the key {name}, so a signature by it proves nothing: take that right \
                 away (chmod 600 {name}), or make a new key"
            ));
        }
        if text.contains("ENCRYPTED PRIVATE KEY") {
            return Err(invalid!(
                "the key {name} is encrypted, and nothing asks for its password here: name one that is not"
            ));
        }
        let key = SigningKey::from_pkcs8_pem(&text).map_err(|_| {
            invalid!(
                "{name} is no private key for Ed25519 in PEM: `openssl genpkey -algorithm ed25519 -out \
                 KEY.pem` makes one"
            )
        })?;
        Ok(PrivateKey(key))
    }

    /// The key that verifies what this one signs.
    pub(super) fn public(&self) -> PublicKey {
        PublicKey(Box::new(self.0.verifying_key()))
    }

    pub(super) fn sign(&self, bytes: &[u8]) -> [u8; SIGNATURE_BYTES] {
        self.0.sign(bytes).to_bytes()
    }
}

/// A key that verifies signatures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct PublicKey(Box<VerifyingKey>);

impl PublicKey {
    pub(crate) fn read(path: &Path) -> Result<PublicKey, Error> {
        let name = path.display();
        let text = read_text(path)?;
        let key = VerifyingKey::from_public_key_pem(&text).map_err(|_| {
            invalid!(
                "{name} is no public key for Ed25519 in PEM: `openssl pkey -in KEY.pem -pubout` prints that \
                 of a private key"
            )
        })?;
        Ok(PublicKey(Box::new(key)))
    }

    /// From the text of a record: base64 of the DER form, the middle of a PEM file.
    pub(super) fn from_text(text: &str) -> Option<PublicKey> {
        let der = STANDARD.decode(text).ok()?;
        Some(PublicKey(Box::new(VerifyingKey::from_public_key_der(&der).ok()?)))
    }

    /// As a record has it.
    pub(crate) fn text(&self) -> String {
        let der = self.0.to_public_key_der();
        der.map(|der| STANDARD.encode(der.as_bytes())).unwrap_or_default()
    }

    /// Strictly: a signature that another verifier could take or refuse is refused.
    pub(super) fn verifies(&self, bytes: &[u8], signature: &[u8]) -> bool {
        let signature = Signature::from_slice(signature);
        signature.is_ok_and(|signature| self.0.verify_strict(bytes, &signature).is_ok())
    }
}

#[cfg(unix)]
fn is_open_to_others(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata().map_or(true, |data| data.permissions().mode() & 0o077 != 0)
}

/// Elsewhere rights are lists of users, which nothing here can judge.
#[cfg(not(unix))]
fn is_open_to_others(_: &Path) -> bool {
    false
}
