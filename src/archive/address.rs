//! The address of an archive on a PostgreSQL server. Its password is a secret and never shown.

use crate::archive::tls::Encryption;
use crate::error::{Error, invalid};
use std::error::Error as _;
use std::path::Path;
use std::time::Duration;
use tokio_postgres::Config;
use tokio_postgres::config::{Host, SslMode};

/// How long a server may take to accept a connection.
pub(crate) const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);

/// How long a silent server counts as connected.
const SILENCE_TIMEOUT: Duration = Duration::from_secs(10);

const FORM: &str = "postgres://USER@HOST:PORT/DATABASE, with the password in PGPASSWORD";

/// A server, and the user there.
pub(crate) struct Address {
    pub config: Config,
    /// As it is shown, without the password.
    pub name: String,
    pub user: String,
    pub database: String,
    pub encryption: Encryption,
}

impl Address {
    /// Reads an address; none where it is the path of a file. A missing password is taken from
    /// PGPASSWORD in the environment.
    pub(crate) fn of(place: &Path) -> Result<Option<Address>, Error> {
        let Some(text) = place.to_str().filter(|text| is_address(text)) else { return Ok(None) };
        let mut address = parse(text)?;
        if address.config.get_password().is_none()
            && let Some(password) = std::env::var_os("PGPASSWORD")
        {
            address.config.password(password.as_encoded_bytes());
        }
        Ok(Some(address))
    }
}

fn is_address(text: &str) -> bool {
    text.starts_with("postgres://") || text.starts_with("postgresql://")
}

fn parse(text: &str) -> Result<Address, Error> {
    // With two of them, a part of the password would be taken for the host, and shown.
    if text.matches('@').count() > 1 {
        return Err(invalid!(
            "the address of the archive has more than one `@`: write one in a password as %40, or \
             give {FORM}"
        ));
    }
    let (text, encryption) = Encryption::taken_from(text)?;
    let mut config: Config = text.parse().map_err(|error: tokio_postgres::Error| {
        // Its cause names an option at most, never its value.
        let cause = error.source().map(|cause| format!(": {cause}")).unwrap_or_default();
        invalid!("the address of the archive cannot be read{cause}; give {FORM}")
    })?;
    let is_near = config.get_hosts().iter().all(is_this_machine);
    let encryption = encryption.unwrap_or(match is_near {
        true => Encryption::None,
        false => Encryption::Verified(None),
    });
    config.ssl_mode(match encryption {
        Encryption::None => SslMode::Disable,
        Encryption::Verified(_) => SslMode::Require,
    });
    let hosts: Vec<String> = config.get_hosts().iter().map(host).collect();
    let (Some(user), Some(database), false) =
        (config.get_user(), config.get_dbname(), hosts.is_empty())
    else {
        return Err(invalid!(
            "the address of the archive lacks user, host or database: give {FORM}"
        ));
    };
    let (user, database) = (user.to_string(), database.to_string());
    let ports: Vec<String> = config.get_ports().iter().map(u16::to_string).collect();
    let at = match ports.as_slice() {
        [] => hosts.join(","),
        [port] => format!("{}:{port}", hosts.join(",")),
        ports => {
            let both = hosts.iter().zip(ports).map(|(host, port)| format!("{host}:{port}"));
            both.collect::<Vec<_>>().join(",")
        }
    };
    config
        .application_name("spintrue")
        .connect_timeout(CONNECT_TIMEOUT)
        .keepalives_idle(CONNECT_TIMEOUT)
        .keepalives_interval(Duration::from_secs(2))
        .keepalives_retries(3)
        .tcp_user_timeout(SILENCE_TIMEOUT);
    let name = format!("postgres://{user}@{at}/{database}");
    Ok(Address { config, name, user, database, encryption })
}

/// What is said to this host leaves no machine.
fn is_this_machine(host: &Host) -> bool {
    match host {
        Host::Tcp(name) => {
            let address = name.parse::<std::net::IpAddr>();
            name == "localhost" || address.is_ok_and(|address| address.is_loopback())
        }
        #[cfg(unix)]
        Host::Unix(_) => true,
    }
}

/// A host as an address writes it.
fn host(host: &Host) -> String {
    match host {
        Host::Tcp(name) => name.clone(),
        #[cfg(unix)]
        Host::Unix(folder) => folder.to_string_lossy().replace('/', "%2F"),
    }
}

#[cfg(test)]
mod tests {
    use super::{is_address, parse};
    use crate::archive::tls::Encryption;

    #[test]
    fn an_address_is_told_without_its_password() {
        for (given, told) in [
            ("postgres://a:secret@h/d", "postgres://a@h:5432/d"),
            ("postgresql://a:secret@h:6000/d?connect_timeout=9", "postgres://a@h:6000/d"),
            ("postgres://a@h/d?password=secret", "postgres://a@h:5432/d"),
            ("postgres://a:se%40cret@%2Frun%2Fpg/d", "postgres://a@%2Frun%2Fpg:5432/d"),
            ("postgres://a:secret@g:1,h:2/d", "postgres://a@g:1,h:2/d"),
            ("postgres://a:sec?ret/@h/d", "postgres://a@h:5432/d"),
        ] {
            assert!(is_address(given));
            let address = parse(given).unwrap();
            assert_eq!(address.name, told);
            assert!(address.config.get_password().is_some(), "{given}");
        }
        assert!(!is_address("station.sqlite") && !is_address("postgres/a.sqlite"));
    }

    #[test]
    fn what_leaves_the_machine_is_encrypted_unless_told_otherwise() {
        let verified = |file: Option<&str>| Encryption::Verified(file.map(Into::into));
        for (given, how) in [
            ("postgres://a@localhost/d", Encryption::None),
            ("postgres://a@127.3.0.1/d", Encryption::None),
            ("postgres://a@%2Frun%2Fpg/d", Encryption::None),
            ("postgres://a@archive.example/d", verified(None)),
            ("postgres://a@localhost:1,archive.example:2/d", verified(None)),
            ("postgres://a@127.0.0.1.example/d", verified(None)),
            ("postgres://a@archive.example/d?sslmode=disable", Encryption::None),
            ("postgres://a@localhost/d?sslmode=verify-full", verified(None)),
            ("postgres://a@h/d?sslrootcert=system", verified(None)),
            (
                "postgres://a@h/d?sslrootcert=ca%20one.pem&connect_timeout=3",
                verified(Some("ca one.pem")),
            ),
            (
                "postgres://a@h/d?connect_timeout=3&sslrootcert=/etc/ca.pem",
                verified(Some("/etc/ca.pem")),
            ),
        ] {
            assert_eq!(parse(given).unwrap().encryption, how, "{given}");
        }
    }

    #[test]
    fn what_is_refused_does_not_tell_the_password_either() {
        for given in [
            "postgres://a:b@secret@h/d",
            "postgres://a:secret/d",
            "postgres://a:secret@h:port/d",
            "postgres://a:secret@h/d?sslmode=require",
            "postgres://a:secret@h/d?sslmode=verify-ca",
            "postgres://a:secret@h/d?sslmode=disable&sslrootcert=ca.pem",
            "postgres://a:secret@h/d?sslrootcert=%FF",
            "postgres://a:secret@h/d?password",
            "postgres://a:secret@h",
            "postgres://a:secret@/d",
            "postgres://:secret@h/d?user",
            "postgres://h/d",
            "postgres://",
            "postgres://a:secret%FF@h%FF/d",
            "postgres://a:secret@[h/d",
        ] {
            let why = parse(given).err().unwrap();
            assert!(!why.to_string().contains("secret"), "{why}");
        }
    }
}
