//! What a simulated head keeps over power loss, in a file: `sim?memory=FILE`.

use crate::disk::{Place, read_text};
use crate::error::{Error, invalid};
use serde::{Deserialize, Serialize};
use spintrue_head::{Fault, Trim};
use spintrue_sim::SimHead;
use std::path::Path;

/// The file, in SI units.
#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct Memory {
    /// Serial number of the head.
    serial: String,
    /// One per facet.
    trims: Vec<Trim>,
}

/// Gives a simulated head the trims of a file, which need not exist yet, and stores its trims there.
pub(super) fn remember(head: &mut SimHead, path: &Path) -> Result<(), Error> {
    let unusable = |why: String| invalid!("the memory {} cannot be used: {why}", path.display());
    let serial = head.serial();
    let memory = if path.exists() {
        let text = read_text(path).map_err(|error| unusable(error.to_string()))?;
        let memory: Memory =
            serde_json::from_str(&text).map_err(|error| unusable(error.to_string()))?;
        if memory.serial != serial {
            let other = format!("it is that of head {}, and this is {serial}", memory.serial);
            return Err(unusable(other));
        }
        Some(memory)
    } else {
        None
    };
    let file = path.to_path_buf();
    let kept_not = |why: String| {
        Fault::Broken(format!("the stored trims of the simulated head are not kept: {why}"))
    };
    let store = move |trims: &[Trim]| {
        let memory = Memory { serial: serial.clone(), trims: trims.to_vec() };
        let text =
            serde_json::to_string_pretty(&memory).map_err(|error| kept_not(error.to_string()))?;
        Place::replace(&file, text + "\n").map_err(|error| kept_not(error.to_string()))
    };
    let trims = memory.as_ref().map(|memory| memory.trims.as_slice());
    head.set_memory(trims, store).map_err(|fault| unusable(fault.to_string()))
}
