//! `--last`: fills params from an earlier record of the same head.

use crate::error::{Error, invalid};
use crate::record::verify::{State, examine};
use std::path::Path;

/// An earlier record.
pub(crate) struct Last {
    /// The setting that passes its values to params.
    pub setting: String,
    /// Serial number of its head.
    serial: String,
    folder: String,
}

impl Last {
    /// Opens a record that is complete and unchanged.
    pub(crate) fn read(folder: &Path) -> Result<Last, Error> {
        let name = folder.display().to_string();
        let refused = |why: &str| {
            invalid!("nothing is compared with {name}: {why}\n`spintrue record verify` tells more")
        };
        if folder.to_str().is_none() {
            return Err(invalid!(
                "the path {name} is not UTF-8 text, so no data sheet can be read there: give \
                 the folder another name"
            ));
        }
        match examine(folder) {
            State::Whole(manifest) => {
                let values = folder.join("values.toml");
                let setting = format!("@last:{}", values.display());
                Ok(Last { setting, serial: manifest.serial, folder: name })
            }
            State::None(why) => Err(why),
            State::Unfinished(_) => Err(refused("it was never finished")),
            State::Changed(_) => Err(refused("it is not as it was written")),
        }
    }

    /// Refuses a head whose record this is not.
    pub(crate) fn check_serial(&self, serial: &str) -> Result<(), Error> {
        if self.serial == serial {
            return Ok(());
        }
        let (folder, other) = (&self.folder, &self.serial);
        Err(invalid!("{folder} is the record of head {other}, and this one is {serial}"))
    }
}
