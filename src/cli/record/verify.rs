//! `record verify`: compares a record, the records of a batch, or the rows of an archive with their digests.

use crate::archive::{Archive, Stored, archive_name, chain};
use crate::batch;
use crate::disk::folders_with;
use crate::error::{Error, FAILED, invalid};
use crate::record::{MANIFEST, MARK, Manifest, PublicKey, State, examine};
use crate::terminal::{counted, progress, say};
use clap::Args;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(crate) struct Options {
    /// The folder of a record or of a batch, or an archive: a file, or postgres://USER@HOST/DATABASE
    place: PathBuf,
    /// Folder in which the records of an archive are, however deep. May be repeated
    #[arg(long, value_name = "DIR")]
    records: Vec<PathBuf>,
    /// Demand that the chain of an archive holds the link with this digest, as an earlier `record verify` told it
    #[arg(long, value_name = "SHA-256")]
    chain_link: Option<String>,
    /// Demand that records are signed by the private key of this public one
    #[arg(long, value_name = "KEY.pem")]
    public_key: Option<PathBuf>,
}

/// The key that records must be signed with, and its name.
type Key = Option<(PublicKey, String)>;

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let place = &options.place;
    let key: Key = match &options.public_key {
        Some(path) => Some((PublicKey::read(path)?, path.display().to_string())),
        None => None,
    };
    let is_archive = place.is_file() || place.to_string_lossy().contains("://");
    for (name, is_given) in
        [("--records", !options.records.is_empty()), ("--chain-link", options.chain_link.is_some())]
    {
        if is_given && !is_archive {
            return Err(invalid!("`{name}` is for archives, and {} is none", place.display()));
        }
    }
    let (what, wrong, code) = if is_archive {
        archive(options, &key)?
    } else if batch::is_batch(place) {
        whole_batch(place, &key)?
    } else {
        one(place, &key)?
    };
    let name = archive_name(place)?;
    let lines: String = wrong.iter().map(|line| format!("  {line}\n")).collect();
    say(&format!("{name}: {what}\n{lines}"));
    Ok(code)
}

/// What there is to say of a place, what is wrong with it, and the exit code.
type Judged = Result<(String, Vec<String>, u8), Error>;

/// The record of a folder, also where the key that it must be signed with is another.
fn examined(folder: &Path, key: &Key) -> State {
    match (examine(folder), key) {
        (State::Whole(manifest), Some((key, name))) if manifest.signed_by.as_ref() != Some(key) => {
            State::Changed(vec![match manifest.signed_by {
                Some(_) => format!("it is signed by another key than that of {name}"),
                None => format!("it is not signed, so not by the key of {name}"),
            }])
        }
        (state, _) => state,
    }
}

fn signed(manifest: &Manifest, key: &Key) -> String {
    match (&manifest.signed_by, key) {
        (None, _) => String::new(),
        (Some(_), Some((_, name))) => format!("\n  signed by the key of {name}"),
        (Some(key), None) => {
            let key = key.text();
            format!(
                "\n  signed by the key {key};\n  `--public-key KEY.pem` checks that it is yours"
            )
        }
    }
}

fn one(folder: &Path, key: &Key) -> Judged {
    Ok(match examined(folder, key) {
        State::None(error) => return Err(error),
        State::Unfinished(why) => (format!("UNFINISHED: {why}"), Vec::new(), FAILED),
        State::Changed(lines) => ("NOT AS IT WAS WRITTEN".to_string(), lines, FAILED),
        State::Whole(manifest) => {
            let count = manifest.files.len() + 1;
            let (verdict, signed) = (&manifest.verdict, signed(&manifest, key));
            let what =
                format!("whole and as it was written, {count} files; verdict: {verdict}{signed}");
            (what, Vec::new(), 0)
        }
    })
}

/// What is wrong with a record that is one of many.
fn faults(name: &str, state: State) -> Result<Manifest, Vec<String>> {
    let lines = match state {
        State::Whole(manifest) => return Ok(*manifest),
        State::None(error) => vec![error.to_string()],
        State::Unfinished(why) => vec![format!("UNFINISHED: {why}")],
        State::Changed(lines) => lines,
    };
    Err(lines.into_iter().map(|line| format!("{name}: {line}")).collect())
}

fn whole_batch(folder: &Path, key: &Key) -> Judged {
    let batch = batch::kept(folder)?;
    let (mut wrong, mut open) = (batch.wrong, Vec::from_iter(batch.stale));
    progress::begin_counting(batch.heads.len(), "records");
    for (serial, name, done) in &batch.heads {
        progress::step();
        let Some(done) = done else {
            open.push(format!("{name}: begun and not finished"));
            continue;
        };
        match faults(name, examined(&folder.join(name), key)) {
            Err(lines) => wrong.extend(lines),
            Ok(manifest) => {
                let is_same = manifest.serial == *serial && manifest.verdict == done.verdict;
                if !is_same || !done.is_of(&folder.join(name)) {
                    wrong.push(format!("{name}: this is not the record that the journal names"));
                }
            }
        }
    }
    let finished = batch.heads.iter().filter(|(.., done)| done.is_some()).count();
    let state = match (wrong.is_empty(), open.is_empty()) {
        (false, _) => "NOT AS IT WAS WRITTEN",
        (true, false) => "as it was written, and NOT FINISHED",
        (true, true) => "whole and as it was written",
    };
    wrong.append(&mut open);
    let code = if wrong.is_empty() { 0 } else { FAILED };
    if state.ends_with("FINISHED") {
        wrong.push(
            "where no batch is running, the same batch command goes on, and writes the summary"
                .to_string(),
        );
    }
    let left = batch.heads.len() - finished;
    let not_run = match (left, state.starts_with("whole")) {
        (1.., true) => format!("; of {}, {left} not run", counted(batch.heads.len(), "head")),
        _ => String::new(),
    };
    let records = counted(finished, "record");
    Ok((format!("a batch with {records}, {state}{not_run}"), wrong, code))
}

/// A run as messages name it.
fn named(row: &Stored) -> String {
    format!("run {} ({}, {})", row.id, row.serial, row.started)
}

fn archive(options: &Options, key: &Key) -> Judged {
    let (mut wrong, mut open, mut aside) = (Vec::new(), Vec::new(), 0);
    let mut records: HashMap<String, (String, Manifest)> = HashMap::new();
    for top in &options.records {
        let folders = folders_with(top, &[MANIFEST, MARK])?;
        progress::begin_counting(folders.len(), "records");
        for folder in folders {
            progress::step();
            let name = folder.display().to_string();
            let state = examined(&folder, key);
            let is_open = matches!(state, State::Unfinished(_));
            match faults(&name, state) {
                Ok(manifest) => drop(records.insert(manifest.digest.clone(), (name, manifest))),
                // What a run that was cut off left is no record; a row that names it finds it missing.
                Err(_) if batch::is_set_aside(&folder) => aside += 1,
                Err(lines) if is_open => open.extend(lines),
                Err(lines) => wrong.extend(lines),
            }
        }
    }
    progress::begin();
    let (mut runs, mut older, mut with_record) = (0, 0, 0);
    Archive::each_stored(&options.place, &mut |row| {
        runs += 1;
        match &row.row {
            None => older += 1,
            Some(_) if !row.is_unchanged => {
                wrong.push(format!("{}: its row was changed", named(&row)));
            }
            Some(_) => {}
        }
        let Some(digest) = &row.record else { return };
        with_record += 1;
        if options.records.is_empty() {
            return;
        }
        match records.remove(digest) {
            None => wrong.push(format!("{}: its record is missing, or was changed", named(&row))),
            Some((name, manifest)) if manifest.row != row.row => {
                wrong.push(format!("{}: its record {name} belongs to another row", named(&row)));
            }
            Some(_) => {}
        }
    })?;
    let rest = records.into_values().filter(|(_, manifest)| manifest.row.is_some());
    let mut rest: Vec<String> = rest.map(|(name, _)| name).collect();
    rest.sort();
    wrong.extend(rest.iter().map(|name| format!("{name}: the row of this record is missing")));
    let chain = chain(&options.place, options.chain_link.as_deref())?;
    wrong.extend(chain.wrong);
    let mut what = counted(runs, "run");
    what.push_str(match (wrong.is_empty(), open.is_empty()) {
        (false, _) => ", NOT AS THEY WERE STORED",
        (true, false) => ", as they were stored; NOT ALL RECORDS ARE FINISHED",
        (true, true) => ", as they were stored",
    });
    if older > 0 {
        what.push_str(&format!(
            "\n  {older} of them were stored by an older version, without a digest"
        ));
    }
    if let Some(from) = chain.from {
        let (count, end) = (counted(chain.count as usize, "link"), chain.end);
        what.push_str(&format!(
            "\n  the chain begins with {from}; after {count} it ends in\n  {end}"
        ));
    }
    if with_record > 0 {
        what.push_str(&format!("\n  {with_record} of them have a record"));
        what.push_str(match (options.records.is_empty(), wrong.is_empty()) {
            (true, _) => ": `--records DIR` compares those, too",
            (false, true) => ", as it was written",
            (false, false) => "",
        });
    }
    if aside > 0 {
        let cut_off = counted(aside, "run");
        what.push_str(&format!(
            "\n  {cut_off} cut off and set aside by a batch: no row needs them"
        ));
    }
    wrong.append(&mut open);
    let code = if wrong.is_empty() { 0 } else { FAILED };
    Ok((what, wrong, code))
}
