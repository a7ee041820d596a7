//! Opens an archive at a path or an address.

use crate::archive::address::Address;
use crate::archive::file::File;
use crate::archive::server::Server;
use crate::archive::sql::{Purpose, Store};
use crate::disk::refuse_pipe;
use crate::error::Error;
use std::path::Path;

/// The place of an archive as it is shown, without a password.
pub(crate) fn archive_name(place: &Path) -> Result<String, Error> {
    Ok(Address::of(place)?.map_or_else(|| place.display().to_string(), |address| address.name))
}

/// Opens an archive; to add runs to, it is made where there is none.
pub(crate) fn open(place: &Path, purpose: Purpose) -> Result<Box<dyn Store>, Error> {
    if let Some(address) = Address::of(place)? {
        return Ok(Box::new(Server::open(address, purpose)?));
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
