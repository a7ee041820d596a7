//! What all test binaries share: the folders of the repository, a folder for one test, scripts by the
//! folder, and snapshots that lie beside the scripts.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use insta::{Settings, assert_snapshot, glob};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// The folder of the repository.
pub fn root() -> &'static Path {
    let mut folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    folders.find(|folder| folder.join("Cargo.lock").is_file()).unwrap()
}

/// A path in the repository, as an argument.
pub fn repository(name: &str) -> String {
    root().join(name).display().to_string()
}

/// Every script in a folder of the repository and below it, sorted.
pub fn scripts(folder: &str) -> Vec<PathBuf> {
    let (mut folders, mut scripts) = (vec![root().join(folder)], Vec::new());
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "spt") {
                scripts.push(path);
            }
        }
    }
    scripts.sort();
    scripts
}

/// The name of a file without its folder and suffix.
pub fn stem(path: &Path) -> &str {
    path.file_stem().unwrap().to_str().unwrap()
}

/// The name of a file without its folder.
pub fn file_name(path: &Path) -> &str {
    path.file_name().unwrap().to_str().unwrap()
}

/// Compares what is shown of each file below `tests/corpus` with the snapshot beside it.
pub fn corpus(pattern: &str, shown: impl Fn(&Path) -> String) {
    // insta keeps the failures of a glob in one place for all threads.
    static TURNS: Mutex<()> = Mutex::new(());
    let _turn = TURNS.lock().unwrap_or_else(PoisonError::into_inner);
    glob!("../corpus", pattern, |path| snapshot(path.parent().unwrap(), stem(path), &shown(path)));
}

/// Compares a text with the snapshot of that name in a folder.
pub fn snapshot(folder: &Path, name: &str, text: &str) {
    let mut settings = Settings::new();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.set_snapshot_path(folder);
    settings.bind(|| assert_snapshot!(name, text));
}

/// A new place below the folder `SPINTRUE_LEAVE`, where `tests/extra/schemas.py` finds what tests leave. None
/// without the variable.
pub fn left(name: &str) -> Option<PathBuf> {
    static COUNT: AtomicUsize = AtomicUsize::new(0);
    let folder = PathBuf::from(std::env::var_os("SPINTRUE_LEAVE")?);
    let number = COUNT.fetch_add(1, Ordering::SeqCst);
    let place = folder.join(format!("{}-{number}", std::process::id()));
    fs::create_dir_all(&place).unwrap();
    Some(place.join(name))
}

/// Leaves every record in a folder and below it.
fn leave(folder: &Path) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.path().is_dir() {
            leave(&entry.path());
        }
    }
    let record = folder.join("record.json");
    if record.is_file()
        && let Some(place) = left("record.json")
    {
        fs::copy(record, &place).unwrap();
        let _ = fs::copy(folder.join("events.jsonl.gz"), place.with_file_name("events.jsonl.gz"));
    }
}

/// A new folder that is removed at the end of the test.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Folder {
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        let number = COUNT.fetch_add(1, Ordering::SeqCst);
        let name = format!("spintrue-{name}-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    /// Writes a file, which may lie in a folder below.
    pub fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, bytes).unwrap();
        path
    }

    /// Writes a file; gives its path as an argument.
    pub fn named(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        self.file(name, bytes).display().to_string()
    }

    /// A path in it, as an argument.
    pub fn path(&self, name: &str) -> String {
        self.0.join(name).display().to_string()
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.0.join(name)).unwrap()
    }

    pub fn names(&self) -> Vec<String> {
        names(&self.0)
    }
}

impl AsRef<Path> for Folder {
    fn as_ref(&self) -> &Path {
        &self.0
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            leave(&self.0);
        }
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// The names in a folder, sorted; none where there is no folder.
pub fn names(folder: impl AsRef<Path>) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Compares a table of a page, between `<!-- NAME -->` and `<!-- end of NAME -->`, or writes it anew
/// with `INSTA_UPDATE=always`.
pub fn table_of_page(page: &str, name: &str, table: &str) {
    let path = root().join(page);
    let text = fs::read_to_string(&path).unwrap();
    let (start, end) = (format!("<!-- {name} -->\n"), format!("<!-- end of {name} -->"));
    let (before, rest) = text.split_once(&start).unwrap();
    let (told, after) = rest.split_once(&end).unwrap();
    if std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always") {
        fs::write(&path, format!("{before}{start}{table}{end}{after}")).unwrap();
    } else {
        assert_eq!(told, table, "{page}");
    }
}
