//! The folder of a record: taken while it is empty, marked until it is complete, each file on the
//! disk before it has its name.

use crate::disk::{hexadecimal, make_folder, unwritten};
use crate::error::{Error, invalid};
use crate::record::manifest::FileDigest;
use flate2::{Compression, GzBuilder};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::thread;

/// The file that exists until the record is complete.
pub(crate) const MARK: &str = "UNFINISHED";

const MARK_TEXT: &str = "\
This record is not finished. Either the run goes on, or it was cut off: then events.jsonl,
lines.csv and tables hold what was known until then, and the last line of each may be cut short.
";

/// The manifest.
pub(crate) const MANIFEST: &str = "record.json";

/// The signature of the manifest, where there is one.
pub(crate) const SIGNATURE: &str = "record.json.sig";

/// The end of the name of a compressed file (gzip, RFC 1952).
pub(super) const PACKED: &str = ".gz";

/// A folder that is being filled.
pub(super) struct Folder {
    path: PathBuf,
    files: BTreeMap<String, FileDigest>,
    /// Files that are written and not yet known to be on the disk: path, and the final name.
    written: Vec<(File, PathBuf, Option<PathBuf>)>,
    /// Files that grew during the run, once they are compressed.
    grown: Vec<PathBuf>,
}

/// What is digested as it is written.
pub(super) struct Digesting<W: Write> {
    to: W,
    hash: Sha256,
    bytes: u64,
}

impl<W: Write> Digesting<W> {
    pub(super) fn new(to: W) -> Digesting<W> {
        Digesting { to, hash: Sha256::new(), bytes: 0 }
    }

    /// What was written to, and the digest of all that was.
    pub(super) fn end(self) -> (W, FileDigest) {
        let sha256 = hexadecimal(&self.hash.finalize());
        (self.to, FileDigest { bytes: self.bytes, sha256 })
    }
}

impl<W: Write> Write for Digesting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.to.write(bytes)?;
        self.hash.update(bytes.get(..written).unwrap_or_default());
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// A file that is written line by line.
pub(super) struct Stream {
    name: String,
    file: Digesting<BufWriter<File>>,
}

/// Bytes that are gathered before they are written.
const MAX_WAITING: usize = 16 << 10;

impl Folder {
    /// Takes an empty or new folder.
    pub(super) fn take(path: &Path) -> Result<Folder, Error> {
        let name = path.display();
        if path.exists() && !path.is_dir() {
            return Err(invalid!("{name} is a file: name a folder for the record"));
        }
        make_folder(path)?;
        let mut entries = fs::read_dir(path).map_err(|error| unwritten(path, &error))?;
        if entries.next().is_some() {
            let more = if path.join(MANIFEST).exists() || path.join(MARK).exists() {
                "holds a record already"
            } else {
                "is not empty"
            };
            return Err(invalid!("the folder {name} {more}: name one that is not there yet"));
        }
        let mark = path.join(MARK);
        let marked = File::create_new(&mark);
        let written = marked.and_then(|mut file| file.write_all(MARK_TEXT.as_bytes()));
        written.map_err(|error| unwritten(&mark, &error))?;
        let folder = Folder {
            path: path.to_path_buf(),
            files: BTreeMap::new(),
            written: Vec::new(),
            grown: Vec::new(),
        };
        sync(path)?;
        if let Some(parent) = path.parent() {
            sync(if parent.as_os_str().is_empty() { Path::new(".") } else { parent })?;
        }
        Ok(folder)
    }

    /// Begins a file that grows while the run goes on.
    pub(super) fn stream(&self, name: &str) -> Result<Stream, Error> {
        let path = self.path.join(name);
        let file = File::create_new(&path).map_err(|error| unwritten(&path, &error))?;
        let file = Digesting::new(BufWriter::with_capacity(MAX_WAITING, file));
        Ok(Stream { name: name.to_string(), file })
    }

    /// Ends such a file.
    pub(super) fn end(&mut self, mut stream: Stream) -> Result<(), Error> {
        stream.flush()?;
        let path = self.path.join(&stream.name);
        let (file, digest) = stream.file.end();
        let file = file.into_inner().map_err(|error| unwritten(&path, error.error()))?;
        self.files.insert(stream.name, digest);
        self.written.push((file, path, None));
        Ok(())
    }

    /// Ends such a file and compresses it: it gets the name with [`PACKED`], and goes when the record is sealed.
    pub(super) fn end_packed(&mut self, mut stream: Stream) -> Result<(), Error> {
        stream.flush()?;
        let path = self.path.join(&stream.name);
        let plain = File::open(&path).map_err(|error| unwritten(&path, &error))?;
        self.put_packed(&stream.name, plain)?;
        self.grown.push(path);
        Ok(())
    }

    /// Compresses all that can be read.
    pub(super) fn put_packed(&mut self, name: &str, mut plain: impl Read) -> Result<(), Error> {
        self.write(&format!("{name}{PACKED}"), |file| {
            let mut packed = GzBuilder::new().write(file, Compression::best());
            io::copy(&mut plain, &mut packed)?;
            packed.finish().map(drop)
        })
    }

    /// Writes a whole file under another name, until it is on the disk.
    pub(super) fn put(&mut self, name: &str, bytes: impl AsRef<[u8]>) -> Result<(), Error> {
        self.write(name, |file| file.write_all(bytes.as_ref()))
    }

    fn write(
        &mut self,
        name: &str,
        fill: impl FnOnce(&mut Digesting<BufWriter<File>>) -> io::Result<()>,
    ) -> Result<(), Error> {
        let (path, part) = (self.path.join(name), self.path.join(format!("{name}.part")));
        let file = File::create(&part).and_then(|file| {
            let mut file = Digesting::new(BufWriter::new(file));
            fill(&mut file)?;
            let (file, digest) = file.end();
            Ok((file.into_inner()?, digest))
        });
        match file {
            Ok((file, digest)) => {
                self.files.insert(name.to_string(), digest);
                self.written.push((file, part, Some(path)));
                Ok(())
            }
            Err(error) => {
                // The mark says that a file is missing. Complete files stay.
                let _ = fs::remove_file(&part);
                let _ = self.settle();
                Err(unwritten(&path, &error))
            }
        }
    }

    /// Where it is.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Digests of the files written so far.
    pub(super) fn files(&self) -> &BTreeMap<String, FileDigest> {
        &self.files
    }

    /// Writes the manifest with its signature, waits until everything is on the disk, and gives each file its
    /// name, the manifest last. Only the mark is left to remove.
    pub(super) fn seal(mut self, manifest: &str, signature: Option<&[u8]>) -> Result<(), Error> {
        if let Some(signature) = signature {
            self.write(SIGNATURE, |file| file.write_all(signature))?;
        }
        self.write(MANIFEST, |file| file.write_all(manifest.as_bytes()))?;
        self.settle()?;
        self.grown
            .iter()
            .try_for_each(|path| fs::remove_file(path).map_err(|error| unwritten(path, &error)))
    }

    /// Waits until everything is on the disk, and gives each file its name; the last one only if all
    /// before it succeeded.
    fn settle(&mut self) -> Result<(), Error> {
        // All at once: one flush of the disk serves all of them.
        let synced: Vec<io::Result<()>> = thread::scope(|scope| {
            let files = self.written.iter();
            let waiting: Vec<_> =
                files.map(|(file, ..)| scope.spawn(move || file.sync_all())).collect();
            let lost = |_| Err(io::Error::other("the system did not answer"));
            waiting.into_iter().map(|one| one.join().unwrap_or_else(lost)).collect()
        });
        let mut trouble = Ok(());
        let last = synced.len().saturating_sub(1);
        let written = std::mem::take(&mut self.written);
        for (at, ((file, path, name), synced)) in written.into_iter().zip(synced).enumerate() {
            // Some systems rename no open file.
            drop(file);
            let named = synced.and_then(|()| match &name {
                Some(_) if at == last && trouble.is_err() => fs::remove_file(&path),
                Some(name) => fs::rename(&path, name),
                None => Ok(()),
            });
            if let Err(error) = named
                && trouble.is_ok()
            {
                trouble = Err(unwritten(&name.unwrap_or(path), &error));
            }
        }
        trouble
    }
}

/// Names of new files last only once their folder is on the disk too.
pub(crate) fn sync(path: &Path) -> Result<(), Error> {
    if cfg!(unix) {
        let synced = File::open(path).and_then(|folder| folder.sync_all());
        synced.map_err(|error| unwritten(path, &error))?;
    }
    Ok(())
}

/// Removes the mark of a sealed folder.
pub(crate) fn unmark(path: &Path) -> Result<(), Error> {
    let mark = path.join(MARK);
    fs::remove_file(&mark).map_err(|error| unwritten(&mark, &error))?;
    sync(path)
}

impl Stream {
    /// The name of the file.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// Adds to the file, which is to be flushed once that may not be lost any more.
    pub(super) fn write(&mut self, bytes: &[u8]) -> Result<(), Error> {
        let written = self.file.write_all(bytes);
        written.map_err(|error| unwritten(Path::new(&self.name), &error))
    }

    /// Hands what waits to the operating system; what came before stays as it is.
    pub(super) fn flush(&mut self) -> Result<(), Error> {
        let written = self.file.flush();
        written.map_err(|error| unwritten(Path::new(&self.name), &error))
    }
}
