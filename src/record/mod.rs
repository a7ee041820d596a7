//! What is kept of a run: one plain [`Record`](data::Record), collected from what script and head say, each file made
//! of it, and the folder on the disk that holds them.

#![allow(clippy::disallowed_methods, reason = "this module writes and reads records")]

mod about;
mod cell;
mod checks;
mod collect;
mod curve;
mod data;
pub(crate) mod events;
mod folder;
mod holds;
mod html;
mod junit;
mod last;
mod lines;
mod looks;
mod manifest;
mod origin;
mod pages;
pub(crate) mod read;
mod recorder;
mod rounds;
mod scan_folder;
mod scans;
mod signature;
mod sources;
mod tables;
mod tap;
mod values;
mod verify;

pub(crate) use about::{About, Again, FOUND_NAMES, identity};
pub(crate) use cell::cell;
pub(crate) use curve::{Curve, StatusPoint};
pub(crate) use data::{Capped, Identity};
pub(crate) use folder::{MANIFEST, MARK, sync, unmark};
pub(crate) use holds::HeldRow;
pub(crate) use html::shell_words;
pub(crate) use junit::{CaseResult, ResultCase, cases_junit};
pub(crate) use last::Last;
pub(crate) use manifest::{Manifest, canonical_digest};
pub(crate) use origin::Origin;
pub(crate) use pages::{draw, encode, pages};
pub(crate) use read::{NOT_REACHED, Unmet};
pub(crate) use recorder::{Bound, Recorder, Recording, Sealed};
pub(crate) use scan_folder::keep_scan;
pub(crate) use scans::{ScannedSheet, ScannedSheets};
pub(crate) use signature::{PrivateKey, PublicKey};
pub(crate) use tables::table_csv;
pub(crate) use tap::cases_tap;
pub(crate) use verify::{State, examine, held};
