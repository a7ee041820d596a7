//! The history of the line editor, readable by the user alone.

use crate::shell::helper::Helper;
use rustyline::Editor;
use rustyline::history::{FileHistory, History as _};
use std::path::PathBuf;

/// The file of what was typed; none keeps nothing.
pub(super) struct History(pub Option<PathBuf>);

impl History {
    /// What was typed before; nothing where that cannot be read.
    pub(super) fn open(&self) -> FileHistory {
        let mut history = FileHistory::new();
        if let Some(path) = &self.0 {
            let _ = history.load(path);
        }
        history
    }

    /// Writes what was typed since.
    pub(super) fn append(&self, editor: &mut Editor<Helper, FileHistory>) {
        if let Some(path) = &self.0
            && private(path).is_ok()
        {
            let _ = editor.append_history(path);
        }
    }
}

/// Makes the file, readable by the user alone.
fn private(path: &std::path::Path) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let mut options = std::fs::OpenOptions::new();
    options.append(true).create(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
        let file = options.mode(0o600).open(path)?;
        file.set_permissions(std::fs::Permissions::from_mode(0o600))?;
    }
    #[cfg(not(unix))]
    options.open(path)?;
    Ok(())
}
