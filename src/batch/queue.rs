//! A queue of serial numbers that are typed or scanned at the standard input, one a line. It is the list of its
//! batch: what is taken is on the disk before it is told, and the same command goes on with it.

use crate::disk::unwritten;
use crate::error::{Error, invalid};
use crate::record::sync;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, Read, Write, stdin};
use std::path::{Path, PathBuf};

/// The queue, in the folder of the batch.
pub(crate) const QUEUE: &str = "queue.csv";

/// Most heads of a queue, as of a list.
pub(super) const MAX_HEADS: usize = 10_000;

/// Longest line in bytes.
const MAX_LINE: u64 = 4096;

/// Largest file that is read, in bytes: longer than so many lines.
const MAX_BYTES: u64 = MAX_HEADS as u64 * MAX_LINE;

/// A line of the standard input.
pub(super) enum Entry {
    Serial(String),
    /// What is wrong with it.
    Wrong(String),
}

pub(super) struct Queue {
    path: PathBuf,
    file: File,
}

impl Queue {
    /// Opens the queue of a batch, whose folder is locked. An incomplete last line was never told, and is dropped.
    pub(super) fn open(folder: &Path) -> Result<Queue, Error> {
        let path = folder.join(QUEUE);
        let wrong = |error: std::io::Error| unwritten(&path, &error);
        let file = OpenOptions::new().create(true).read(true).append(true).open(&path);
        let file = file.map_err(wrong)?;
        let mut bytes = Vec::new();
        (&file).take(MAX_BYTES).read_to_end(&mut bytes).map_err(wrong)?;
        if bytes.len() as u64 == MAX_BYTES {
            return Err(invalid!("{} is larger than any queue", path.display()));
        }
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        file.set_len(whole as u64).map_err(wrong)?;
        let mut queue = Queue { path, file };
        if whole == 0 {
            queue.add("serial")?;
        }
        sync(folder)?;
        Ok(queue)
    }

    /// Adds a row and waits until it is on the disk.
    pub(super) fn add(&mut self, serial: &str) -> Result<(), Error> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record([serial]).map_err(|error| invalid!("{QUEUE}: {error}"))?;
        let row = writer.into_inner().map_err(|error| invalid!("{QUEUE}: {error}"))?;
        let written = self.file.write_all(&row).and_then(|()| self.file.sync_data());
        written.map_err(|error| unwritten(&self.path, &error))
    }
}

/// Hands over each line of the standard input, and none at its end. Ends where `tell` has no receiver.
pub(super) fn listen(tell: impl Fn(Option<Entry>) -> bool + Send + 'static) {
    std::thread::spawn(move || {
        let mut input = stdin().lock();
        while let Some(entry) = entry(&mut input) {
            if !tell(Some(entry)) {
                return;
            }
        }
        tell(None);
    });
}

/// The next line; none at the end or where nothing can be read.
fn entry(input: &mut impl BufRead) -> Option<Entry> {
    let mut line = Vec::new();
    let length = input.by_ref().take(MAX_LINE).read_until(b'\n', &mut line).ok()?;
    if length == 0 {
        return None;
    }
    if line.last() != Some(&b'\n') && length as u64 == MAX_LINE {
        let mut rest = MAX_LINE;
        while rest == MAX_LINE && line.last() != Some(&b'\n') {
            line.clear();
            rest = input.by_ref().take(MAX_LINE).read_until(b'\n', &mut line).ok()? as u64;
        }
        return Some(Entry::Wrong(format!("a line of {MAX_LINE} bytes or more")));
    }
    Some(match String::from_utf8(line) {
        Ok(text) if text.trim().is_empty() => Entry::Wrong("an empty line".to_string()),
        Ok(text) => Entry::Serial(text.trim().to_string()),
        Err(_) => Entry::Wrong("a line that is not UTF-8".to_string()),
    })
}

#[cfg(test)]
mod tests {
    use super::{Entry, MAX_LINE, entry};

    fn told(mut bytes: &[u8]) -> Vec<String> {
        let entries = std::iter::from_fn(|| entry(&mut bytes));
        let told = entries.map(|entry| match entry {
            Entry::Serial(serial) => serial,
            Entry::Wrong(why) => format!("wrong: {why}"),
        });
        told.collect()
    }

    #[test]
    fn a_line_is_a_serial_number_or_says_why_not() {
        let [short, long] = [MAX_LINE - 1, 3 * MAX_LINE].map(|length| "a".repeat(length as usize));
        let text = format!("SN-1\r\n \nSN 2\t\n{short}\n{long}\nSN-3");
        let wrong = format!("wrong: a line of {MAX_LINE} bytes or more");
        let wanted = ["SN-1", "wrong: an empty line", "SN 2", &short, &wrong, "SN-3"];
        assert_eq!(told(text.as_bytes()), wanted);
        assert_eq!(told(b"\xff\nA\n"), ["wrong: a line that is not UTF-8", "A"]);
        let exact = "b".repeat(MAX_LINE as usize * 2);
        assert_eq!(told(format!("{exact}\nA\n").as_bytes()), [&wrong, "A"]);
    }
}
