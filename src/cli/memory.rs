//! What a simulated head keeps over power loss, in a file: `sim?memory=FILE`.

use crate::cli::files::read_text;
use crate::head::sim::SimHead;
use crate::head::system::why;
use crate::head::{Fault, Trim};
use serde::{Deserialize, Serialize};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The file, in SI units.
#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    /// Whose it is.
    serial: String,
    /// One per facet.
    trims: Vec<Trim>,
}

/// Gives a simulated head the trims of a file, which need not be there yet,
/// and has it keep what it stores there.
pub(super) fn remember(head: &mut SimHead, path: &Path) -> Result<(), String> {
    let of = |why: String| format!("error: the memory {} cannot be used: {why}", path.display());
    let serial = head.serial();
    let kept = if path.exists() {
        let text = read_text(path).map_err(of)?;
        let kept: Kept = serde_json::from_str(&text).map_err(|error| of(error.to_string()))?;
        if kept.serial != serial {
            let other = format!("it is that of head {}, and this is {serial}", kept.serial);
            return Err(of(other));
        }
        Some(kept)
    } else {
        None
    };
    let path = path.to_path_buf();
    let trims = kept.as_ref().map(|kept| kept.trims.as_slice());
    let name = path.display().to_string();
    let keeper = move |trims: &[Trim]| {
        let kept = Kept { serial: serial.clone(), trims: trims.to_vec() };
        write(&path, &kept).map_err(|error| {
            let (path, why) = (path.display(), why(&error));
            Fault::Broken(format!(
                "the stored trims of the simulated head are not kept: {path}: {why}"
            ))
        })
    };
    head.set_memory(trims, keeper)
        .map_err(|fault| format!("error: the memory {name} cannot be used: {fault}"))
}

/// Old or new, never a mixture: the file is replaced as a whole.
fn write(path: &Path, kept: &Kept) -> std::io::Result<()> {
    let mut text = serde_json::to_string_pretty(kept)?;
    text.push('\n');
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    let beside = PathBuf::from(beside);
    let written = std::fs::File::create(&beside).and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.sync_all()
    });
    let kept = written.and_then(|()| std::fs::rename(&beside, path));
    if kept.is_err() {
        // What is half written is of no use.
        let _ = std::fs::remove_file(&beside);
    }
    kept
}
