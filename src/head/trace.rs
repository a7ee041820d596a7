//! A recording of head calls as bytes: JSON Lines, gzip-compressed (RFC 1952), written and read line
//! by line in bounded memory. The caller opens the files.
//!
//! The first line is the [`TraceHeader`], each other one a [`TraceEntry`], the last one
//! [`TraceEntry::End`] with a digest over all lines before. A recording without that line was cut off, and
//! is good up to there.

use crate::call::{Access, Call, Reply};
use crate::record::Heard;
use crate::units::number;
use crate::{Description, Fault, system};
use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt;
use std::io::{self, BufRead, BufReader, Read, Write};
use thiserror::Error;

/// What the first line of every recording calls itself.
pub const TRACE_FORMAT: &str = "spintrue recording";

/// The version that is written, and the newest that is read.
pub const TRACE_VERSION: u32 = 3;

/// Longest line in bytes.
pub(crate) const MAX_LINE: usize = 32 << 20;

/// Most bytes of all lines together.
pub(crate) const MAX_BYTES: u64 = 4 << 30;

/// Head time in s after which what was written goes out, even where nothing is commanded.
const FLUSH_INTERVAL: f64 = 1.0;

/// A script by its file name and digest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TraceScript {
    /// Its file name, without folders.
    pub name: String,
    /// SHA-256 of its text in hexadecimal.
    pub sha256: String,
}

/// What stands behind a recording.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TraceHeader {
    /// [`TRACE_FORMAT`]
    pub format: String,
    /// [`TRACE_VERSION`]
    pub version: u32,
    /// Version of the program that wrote it.
    pub spintrue: String,
    /// What the head said of itself.
    pub head: Description,
    /// There was a gauge.
    pub gauge: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// What went wrong with a simulated head on purpose, and when.
    pub faults: Vec<String>,
    /// The script first, then what it used; none where no script ran.
    pub scripts: Vec<TraceScript>,
    /// Name and value of each param.
    pub params: Vec<(String, String)>,
    /// Time passed by itself, so that clock and head were looked at while the script computed. Older
    /// versions did not look.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub real_time: bool,
}

/// A line after the first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TraceEntry {
    /// A call was answered.
    Heard(Heard),
    /// The clock of the head said another time than that of the last entry.
    Now {
        /// In s.
        #[serde(with = "number")]
        time: f64,
        /// How many readings of the clock before this one gave the time of the last entry.
        after: u64,
    },
    /// A simulated head was made to fail.
    Provoked {
        /// The fault.
        fault: String,
        /// After how many s of head time.
        after: f64,
        /// Why it could not be.
        refused: Option<String>,
    },
    /// All faults of a simulated head were taken away.
    Mended,
    /// Nothing comes behind this.
    End {
        /// How it ended, in a word such as `passed`.
        verdict: String,
        /// SHA-256 in hexadecimal over all lines before, line feeds included.
        sha256: String,
    },
}

/// Why a recording cannot be written or read. The caller names the file.
#[derive(Debug, Error)]
#[error("{0}")]
pub struct TraceError(String);

impl TraceError {
    /// Another kind of file.
    fn foreign() -> TraceError {
        TraceError("is no recording: `spintrue run SCRIPT --trace FILE` makes one".to_string())
    }

    /// A line, counted from 1, that no recording has.
    fn damaged(line: u64, why: &str) -> TraceError {
        TraceError(format!("is damaged on line {line}: {why}; have it sent again"))
    }

    /// A reply that no line can hold.
    fn unwritable(why: impl fmt::Display) -> TraceError {
        TraceError(format!("cannot hold what the head said: {why}"))
    }
}

impl From<io::Error> for TraceError {
    fn from(error: io::Error) -> TraceError {
        TraceError(format!("cannot be read or written: {}", system::io_reason(&error)))
    }
}

/// Writes a recording as it comes.
pub struct TraceWriter<W: Write> {
    to: GzEncoder<W>,
    digest: Sha256,
    line: Vec<u8>,
    lines: u64,
    bytes: u64,
    /// Time of the last entry, in s.
    time: f64,
    /// Looks at the clock since, that found the same.
    unchanged: u64,
    /// Head time when all had gone out.
    out: f64,
}

impl<W: Write> TraceWriter<W> {
    /// Begins a recording.
    pub fn new(to: W, header: &TraceHeader) -> Result<TraceWriter<W>, TraceError> {
        let mut writer = TraceWriter {
            to: GzEncoder::new(to, Compression::default()),
            digest: Sha256::new(),
            line: Vec::new(),
            lines: 0,
            bytes: 0,
            time: f64::NAN,
            unchanged: 0,
            out: f64::NEG_INFINITY,
        };
        writer.put(header)?;
        writer.to.flush()?;
        Ok(writer)
    }

    fn put(&mut self, what: &impl Serialize) -> Result<(), TraceError> {
        self.line.clear();
        serde_json::to_writer(&mut self.line, what).map_err(TraceError::unwritable)?;
        self.line.push(b'\n');
        self.lines += 1;
        self.bytes += self.line.len() as u64;
        check_size(self.lines, self.line.len(), self.bytes)?;
        self.digest.update(&self.line);
        self.to.write_all(&self.line)?;
        Ok(())
    }

    /// A call was answered. What was written so far goes out behind each command, each fault, and
    /// each second of head time, so that little is lost where the program is cut off.
    pub fn heard(&mut self, heard: &Heard) -> Result<(), TraceError> {
        /// The same line without a copy of the call.
        #[derive(Serialize)]
        struct Line<'a> {
            heard: &'a Heard,
        }
        if let Reply::Description(description) = &heard.reply
            && let Ok(text) = serde_json::to_string(description)
            && serde_json::from_str::<Description>(&text).is_err()
        {
            let why = "its description holds a number that is not finite";
            return Err(TraceError::unwritable(why));
        }
        self.put(&Line { heard })?;
        self.time = heard.time;
        self.unchanged = 0;
        let looks = heard.call.row().access == Access::Observer
            || matches!(heard.call, Call::Sleep { .. } | Call::Measure);
        let late = heard.time - self.out >= FLUSH_INTERVAL || !heard.time.is_finite();
        if late || !looks || matches!(heard.reply, Reply::Fault(_)) {
            self.out = heard.time;
            self.to.flush()?;
        }
        Ok(())
    }

    /// The clock was read.
    pub fn clock(&mut self, time: f64) -> Result<(), TraceError> {
        if time.to_bits() == self.time.to_bits() {
            self.unchanged += 1;
            return Ok(());
        }
        let after = std::mem::take(&mut self.unchanged);
        self.time = time;
        self.put(&TraceEntry::Now { time, after })
    }

    /// A fault was injected, or all were cleared.
    pub fn faults(&mut self, call: &Call, result: &Result<Reply, Fault>) -> Result<(), TraceError> {
        self.unchanged = 0;
        match call {
            Call::Inject { fault, after } => {
                let refused = result.as_ref().err().map(Fault::to_string);
                self.put(&TraceEntry::Provoked { fault: fault.clone(), after: *after, refused })
            }
            _ => self.put(&TraceEntry::Mended),
        }
    }

    /// Ends the recording, `verdict` being how the run ended; gives back where it went.
    pub fn finish(mut self, verdict: &str) -> Result<W, TraceError> {
        let sha256 = hexadecimal(&self.digest.finalize_reset());
        self.put(&TraceEntry::End { verdict: verdict.to_string(), sha256 })?;
        Ok(self.to.finish()?)
    }
}

fn check_size(line: u64, length: usize, all: u64) -> Result<(), TraceError> {
    let most = match (length > MAX_LINE, all > MAX_BYTES) {
        (true, _) => "32 MiB in one line",
        (_, true) => "4 GiB in all",
        _ => return Ok(()),
    };
    Err(TraceError(format!("is no recording that can be read: line {line} goes beyond {most}")))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Reads a recording line by line.
pub struct TraceReader<R: Read> {
    from: BufReader<GzDecoder<R>>,
    header: TraceHeader,
    digest: Sha256,
    line: Vec<u8>,
    lines: u64,
    bytes: u64,
    ended: bool,
}

/// What is wrong with a line, without the place inside it.
fn plain(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or_default().to_string()
}

/// What there is to read.
enum Next {
    Line,
    End,
    Cut,
}

impl<R: Read> TraceReader<R> {
    /// Reads the first line.
    pub fn new(from: R) -> Result<TraceReader<R>, TraceError> {
        /// What is known of any version.
        #[derive(Deserialize)]
        struct Mark {
            format: String,
            version: u32,
            #[serde(default)]
            spintrue: String,
        }
        let mut from = BufReader::new(GzDecoder::new(from));
        let mut line = Vec::new();
        match next_line(&mut from, &mut line) {
            Ok(Next::Line) => {}
            Ok(Next::End | Next::Cut) => return Err(TraceError::foreign()),
            Err(error) if error.kind() == io::ErrorKind::InvalidInput => {
                return Err(TraceError::foreign());
            }
            Err(error) => return Err(error.into()),
        }
        check_size(1, line.len(), 0)?;
        let mark: Mark = serde_json::from_slice(&line).map_err(|_| TraceError::foreign())?;
        if mark.format != TRACE_FORMAT {
            return Err(TraceError::foreign());
        }
        if mark.version > TRACE_VERSION {
            return Err(TraceError(format!(
                "is a recording of version {}, written by spintrue {}, and this one reads versions up to \
                 {TRACE_VERSION}: replay it with a spintrue as new as that",
                mark.version, mark.spintrue
            )));
        }
        let header = serde_json::from_slice(&line)
            .map_err(|error| TraceError::damaged(1, &plain(&error)))?;
        let mut digest = Sha256::new();
        digest.update(&line);
        let bytes = line.len() as u64;
        Ok(TraceReader { from, header, digest, line, lines: 1, bytes, ended: false })
    }

    /// What stands behind it.
    pub fn header(&self) -> &TraceHeader {
        &self.header
    }

    fn read(&mut self) -> Result<Option<TraceEntry>, TraceError> {
        if self.ended {
            return Ok(None);
        }
        let number = self.lines + 1;
        let damaged = |why: &str| TraceError::damaged(number, why);
        let next =
            next_line(&mut self.from, &mut self.line).map_err(|error| match error.kind() {
                io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData => {
                    damaged("its compressed bytes are none")
                }
                _ => error.into(),
            })?;
        check_size(number, self.line.len(), self.bytes)?;
        if !matches!(next, Next::Line) {
            self.ended = true;
            return Ok(None);
        }
        let entry = serde_json::from_slice(&self.line).map_err(|e| damaged(&plain(&e)))?;
        if let TraceEntry::End { sha256, .. } = &entry {
            self.ended = true;
            if *sha256 != hexadecimal(&self.digest.finalize_reset()) {
                let why = "was changed after it was written: the digest on its last line is another; have \
                           it sent again";
                return Err(TraceError(why.to_string()));
            }
            // Reading on to the end of the stream has its checksum looked at.
            let mut rest = Vec::new();
            match next_line(&mut self.from, &mut rest) {
                Ok(Next::End) => {}
                _ => return Err(damaged("something comes behind its end")),
            }
        }
        self.digest.update(&self.line);
        self.lines = number;
        self.bytes += self.line.len() as u64;
        Ok(Some(entry))
    }
}

impl<R: Read> Iterator for TraceReader<R> {
    type Item = Result<TraceEntry, TraceError>;

    fn next(&mut self) -> Option<Self::Item> {
        let read = self.read().transpose();
        self.ended |= matches!(read, Some(Err(_)));
        read
    }
}

/// Reads a line with its line feed, up to one byte more than a line may have.
fn next_line(from: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Next> {
    line.clear();
    match from.take(MAX_LINE as u64 + 1).read_until(b'\n', line) {
        Ok(0) => Ok(Next::End),
        Ok(_) if line.last() == Some(&b'\n') || line.len() > MAX_LINE => Ok(Next::Line),
        Ok(_) => Ok(Next::Cut),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(Next::Cut),
        Err(error) => Err(error),
    }
}

/// What a look through a whole recording finds.
#[derive(Clone, Debug, PartialEq)]
pub struct TraceSurvey {
    /// What stands behind it.
    pub header: TraceHeader,
    /// Calls in it.
    pub calls: u64,
    /// Head time of the first and the last call, in s.
    pub span: Option<(f64, f64)>,
    /// How the run ended; none where the recording was cut off.
    pub verdict: Option<String>,
}

/// Reads a recording from end to end, and finds whether it is as it was written.
pub fn survey_trace(from: impl Read) -> Result<TraceSurvey, TraceError> {
    let mut reader = TraceReader::new(from)?;
    let (mut calls, mut span, mut verdict) = (0, None, None);
    while let Some(entry) = reader.next().transpose()? {
        match entry {
            TraceEntry::Heard(heard) => {
                calls += 1;
                span = Some((span.map_or(heard.time, |(first, _)| first), heard.time));
            }
            TraceEntry::End { verdict: said, .. } => verdict = Some(said),
            TraceEntry::Now { .. } | TraceEntry::Provoked { .. } | TraceEntry::Mended => {}
        }
    }
    Ok(TraceSurvey { header: reader.header, calls, span, verdict })
}
