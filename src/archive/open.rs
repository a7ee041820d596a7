//! Opens an archive at a path or an address.

use crate::archive::address::Address;
use crate::archive::file::File;
use crate::archive::server::Server;
use crate::archive::sql::Store;
use crate::disk::refuse_pipe;
use crate::error::Error;
use std::path::Path;

/// The place of an archive as it is shown, without a password.
pub(crate) fn archive_name(place: &Path) -> Result<String, Error> {
    Ok(Address::of(place)?.map_or_else(|| place.display().to_string(), |address| address.name))
}

/// Opens an archive to add runs to, and makes it where there is none.
pub(crate) fn open_to_write(place: &Path) -> Result<Box<dyn Store>, Error> {
    Ok(match Address::of(place)? {
        Some(address) => Box::new(Server::open_to_write(address)?),
        None => {
            refuse_pipe(place)?;
            Box::new(File::open_to_write(place)?)
        }
    })
}

/// Opens an archive that is there, to read only.
pub(crate) fn open_to_read(place: &Path) -> Result<Box<dyn Store>, Error> {
    Ok(match Address::of(place)? {
        Some(address) => Box::new(Server::open_to_read(address)?),
        None => {
            refuse_pipe(place)?;
            Box::new(File::open_to_read(place)?)
        }
    })
}
