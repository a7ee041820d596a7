//! Whether what goes to a PostgreSQL server is encrypted, and how the server proves who it is: its certificate is
//! verified up to an authority that is trusted, and must be of the host in the address.

use crate::archive::trouble::Trouble;
use crate::error::{Error, invalid};
use percent_encoding::percent_decode_str;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{ClientConfig, RootCertStore};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio_postgres_rustls::MakeRustlsConnect;

/// How a server is spoken to.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Encryption {
    None,
    /// By authorities in this file, or by those that the system trusts.
    Verified(Option<PathBuf>),
}

impl Encryption {
    /// Takes the options `sslmode` and `sslrootcert` out of an address, where they are named as the client
    /// library of PostgreSQL names them; none where neither is there.
    pub(crate) fn taken_from(address: &str) -> Result<(String, Option<Encryption>), Error> {
        // A password may hold a question mark.
        let host = address.find('@').map_or(0, |at| at + 1);
        let Some(options) = address.get(host..).and_then(|rest| rest.find('?')) else {
            return Ok((address.to_string(), None));
        };
        let (place, options) = address.split_at(host + options);
        let (mut mode, mut file, mut left) = (None, None, Vec::new());
        for option in options.trim_start_matches('?').split('&') {
            match option.split_once('=') {
                Some(("sslmode", value)) => mode = Some(value),
                Some(("sslrootcert", value)) => file = Some(value),
                _ => left.push(option),
            }
        }
        let rest = if left.is_empty() { "" } else { "?" };
        let rest = format!("{place}{rest}{}", left.join("&"));
        let authorities = match file {
            None | Some("system") => None,
            Some(file) => Some(decoded(file)?),
        };
        let encryption = match (mode, file) {
            (None, None) => None,
            (Some("disable"), None) => Some(Encryption::None),
            (None | Some("verify-full"), _) => Some(Encryption::Verified(authorities)),
            (Some("disable"), Some(_)) => {
                return Err(invalid!(
                    "`sslmode=disable` verifies nothing: leave it or `sslrootcert` out"
                ));
            }
            (Some(_), _) => {
                return Err(invalid!(
                    "of `sslmode` there are `verify-full`, which proves who the server is, and `disable`: \
                     encryption alone does not keep a password from a wrong server"
                ));
            }
        };
        Ok((rest, encryption))
    }

    /// What a connection needs; none where it is not encrypted.
    pub(crate) fn connector(&self) -> Result<Option<MakeRustlsConnect>, Trouble> {
        let Encryption::Verified(file) = self else { return Ok(None) };
        let roots = match file {
            Some(file) => of_file(file)?,
            None => of_system()?,
        };
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| Trouble::Own(error.to_string()))?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Some(MakeRustlsConnect::new(config)))
    }
}

/// A path of an address, in which bytes may be written as %XX.
fn decoded(text: &str) -> Result<PathBuf, Error> {
    let path = percent_decode_str(text).decode_utf8().map_err(|_| {
        invalid!("`sslrootcert` is no path: write a byte as %XX, such as %20 for a blank")
    })?;
    Ok(PathBuf::from(path.into_owned()))
}

fn of_file(file: &Path) -> Result<RootCertStore, Trouble> {
    let wrong = |why: &dyn std::fmt::Display| {
        Trouble::Own(format!(
            "{} holds no certificate of an authority in PEM: {why}",
            file.display()
        ))
    };
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_file_iter(file).map_err(|error| wrong(&error))? {
        let added = certificate.map(|certificate| roots.add(certificate));
        added.map_err(|error| wrong(&error))?.map_err(|error| wrong(&error))?;
    }
    if roots.is_empty() { Err(wrong(&"it has none")) } else { Ok(roots) }
}

fn of_system() -> Result<RootCertStore, Trouble> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    match roots.is_empty() {
        true => Err(Trouble::Own(
            "this system trusts no authority: name a file of one, ?sslrootcert=FILE".to_string(),
        )),
        false => Ok(roots),
    }
}
