//! Opens an archive at a path or an address.

use crate::archive::file::File;
use crate::archive::schema::{STEPS, version_of};
use crate::archive::sql::{Purpose, Store};
use crate::disk::refuse_pipe;
use crate::error::Error;
use std::path::Path;
use std::time::Instant;

/// The place of an archive as it is shown, without a password.
pub(crate) fn archive_name(place: &Path) -> Result<String, Error> {
    Ok(on_server::name(place)?.unwrap_or_else(|| place.display().to_string()))
}

/// An archive in a file that is not there.
pub(crate) fn is_missing(place: &Path) -> bool {
    on_server::name(place).is_ok_and(|server| server.is_none()) && !place.exists()
}

/// Opens an archive; to add runs to, it is made where there is none.
pub(crate) fn open(place: &Path, purpose: Purpose) -> Result<Box<dyn Store>, Error> {
    if let Some(server) = on_server::open(place, purpose)? {
        return Ok(server);
    }
    refuse_pipe(place)?;
    Ok(Box::new(match purpose {
        Purpose::Write => File::open_to_write(place)?,
        Purpose::Read => File::open_to_read(place)?,
    }))
}

/// Opens an archive that is there, and reads it as it is at this moment.
pub(crate) fn open_to_read(place: &Path) -> Result<Box<dyn Store>, Error> {
    let mut store = open(place, Purpose::Read)?;
    store.begin(Purpose::Read)?;
    Ok(store)
}

/// Brings an archive to the newest schema, or only tries that and rolls it back; tells what was done.
pub(crate) fn upgrade(place: &Path, keep: bool) -> Result<String, Error> {
    let since = Instant::now();
    let before = match on_server::upgrade(place, keep)? {
        Some(before) => before,
        None => File::upgrade(place, keep)?,
    };
    let (name, newest) = (archive_name(place)?, version_of(STEPS));
    let took = since.elapsed().as_secs_f64();
    Ok(match (newest - before, keep) {
        (0, _) => format!("{name} has schema version {newest}, the newest\n"),
        (_, true) => format!(
            "{name} has schema version {newest} now, it had {before}: older programs no longer read it\n"
        ),
        (steps, false) => format!(
            "{name} has schema version {before}; {steps} steps to version {newest} were tried and rolled back \
             ({took:.1} s): nothing has changed\n"
        ),
    })
}

#[cfg(feature = "postgres")]
mod on_server {
    use super::{Error, Path, Purpose, Store};
    use crate::archive::address::Address;
    use crate::archive::server::Server;

    pub(super) fn name(place: &Path) -> Result<Option<String>, Error> {
        Ok(Address::of(place)?.map(|address| address.name))
    }

    pub(super) fn upgrade(place: &Path, keep: bool) -> Result<Option<i64>, Error> {
        Address::of(place)?.map(|address| Server::upgrade(&address, keep)).transpose()
    }

    pub(super) fn open(place: &Path, purpose: Purpose) -> Result<Option<Box<dyn Store>>, Error> {
        let Some(address) = Address::of(place)? else { return Ok(None) };
        Ok(Some(Box::new(Server::open(address, purpose)?)))
    }
}

#[cfg(not(feature = "postgres"))]
mod on_server {
    use super::{Error, Path, Purpose, Store};
    use crate::error::invalid;

    pub(super) fn name(place: &Path) -> Result<Option<String>, Error> {
        let is_address = place.to_str().is_some_and(|text| text.contains("://"));
        if is_address {
            return Err(invalid!(
                "this spintrue was built without PostgreSQL: name a file, or build it with \
                 `--features postgres`"
            ));
        }
        Ok(None)
    }

    pub(super) fn upgrade(place: &Path, _: bool) -> Result<Option<i64>, Error> {
        name(place)?;
        Ok(None)
    }

    pub(super) fn open(place: &Path, _: Purpose) -> Result<Option<Box<dyn Store>>, Error> {
        name(place)?;
        Ok(None)
    }
}
