//! `--last`: gives params what an earlier record of the same head holds.

use crate::cli::record::verify::{Looked, looked};
use std::path::Path;

/// An earlier record that is whole.
pub(in crate::cli) struct Last {
    /// What gives its values to params.
    pub setting: String,
    /// Serial number of its head.
    serial: String,
    folder: String,
}

impl Last {
    /// Looks at a record. Fails with what is to be printed.
    pub(in crate::cli) fn read(folder: &Path) -> Result<Last, String> {
        let name = folder.display().to_string();
        let refused = |why: &str| {
            format!(
                "error: nothing is compared with {name}: {why}\n`spintrue record verify` tells more"
            )
        };
        if folder.to_str().is_none() {
            return Err(format!(
                "error: the path {name} is not UTF-8 text, so no data sheet can be read there: give \
                 the folder another name"
            ));
        }
        match looked(folder) {
            Looked::Whole(manifest) => {
                let values = folder.join("values.toml");
                let setting = format!("@last:{}", values.display());
                Ok(Last { setting, serial: manifest.serial, folder: name })
            }
            Looked::NoRecord(why) => Err(format!("error: {why}")),
            Looked::Unfinished(_) => Err(refused("it was never finished")),
            Looked::Changed(_) => Err(refused("it is not as it was written")),
        }
    }

    /// Fails, with what is to be printed, where the record is that of another head.
    pub(in crate::cli) fn is_of(&self, serial: &str) -> Result<(), String> {
        if self.serial == serial {
            return Ok(());
        }
        let (folder, other) = (&self.folder, &self.serial);
        Err(format!("error: {folder} is the record of head {other}, and this one is {serial}"))
    }
}
