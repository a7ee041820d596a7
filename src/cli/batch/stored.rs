//! Whether an archive holds a run: asked where a batch was cut off between storing a run and saying
//! so.

use rusqlite::{Connection, OpenFlags};
use std::path::Path;

/// Whether the archive has a run of this head and these scripts since a time of day. One head is
/// run by nobody else while its batch goes on, so such a run is the one of that batch.
pub(super) fn stored(
    archive: &Path,
    serial: &str,
    digest: &str,
    since: &str,
) -> Result<bool, String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let asked = Connection::open_with_flags(archive, flags).and_then(|archive| {
        archive.query_row(
            "SELECT EXISTS (SELECT 1 FROM runs WHERE serial = ?1 AND digest = ?2 AND started >= ?3)",
            [serial, digest, since],
            |row| row.get(0),
        )
    });
    asked.map_err(|error| format!("the archive {} cannot be read: {error}", archive.display()))
}
