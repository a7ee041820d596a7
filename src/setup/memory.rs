//! What a simulated head keeps over power loss, in a file: `sim?memory=FILE`.

use crate::disk::{Place, read_text};
use crate::error::{Error, invalid};
use serde::{Deserialize, Serialize};
use spintrue_head::{Fault, Proof, Trim};
use spintrue_sim::{SimHead, Stored};
use std::path::Path;

/// The file, in SI units.
#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct Memory {
    /// Serial number of the head.
    serial: String,
    /// One per facet.
    trims: Vec<Trim>,
    /// What proved them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    proof: Option<Proof>,
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
    let store = move |stored: &Stored| {
        let Stored { trims, proof } = stored.clone();
        let memory = Memory { serial: serial.clone(), trims, proof };
        let text =
            serde_json::to_string_pretty(&memory).map_err(|error| kept_not(error.to_string()))?;
        Place::replace(&file, text + "\n").map_err(|error| kept_not(error.to_string()))
    };
    let stored = memory.map(|Memory { trims, proof, .. }| Stored { trims, proof });
    head.set_memory(stored, store).map_err(|fault| unusable(fault.to_string()))
}
