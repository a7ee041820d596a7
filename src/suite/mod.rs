//! Tests of scripts on simulated heads: what a test file describes is run on all cores, and each result
//! is compared with what was expected.

#![allow(clippy::disallowed_methods, reason = "this module finds files and starts threads")]

mod file;
mod report;
mod trial;

pub(crate) use report::{cases, text};

use crate::error::{Error, invalid};
use crate::suite::file::Test;
use crate::terminal::progress;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// The end of the name of a test file.
pub(crate) const ENDING: &str = ".test.toml";

/// Most files in a folder and those in it, and how deep folders are searched.
const MAX_FILES: usize = 100_000;
const MAX_DEPTH: usize = 20;

/// Most tests at once.
const MAX_TESTS: usize = 100_000;

/// The result of a test.
pub(crate) struct Tested {
    pub test: Test,
    pub result: TestResult,
    /// Head time in s.
    pub took: f64,
}

/// How a test ended.
#[derive(Debug, PartialEq)]
pub(crate) enum TestResult {
    /// As it was expected.
    Passed,
    /// In these respects not.
    Failed(Vec<String>),
    /// Not as expected, which is known; why.
    Known(String),
    /// It was not run, since the tests were stopped.
    NotRun,
}

/// The tests of files, folders and single scripts whose names contain one of some texts; all without
/// such a text.
pub(crate) fn tests(places: &[PathBuf], only: &[String]) -> Result<Vec<Test>, Error> {
    let mut tests = Vec::new();
    for place in places {
        for file in files(place)? {
            tests.extend(file::read(&file)?);
        }
    }
    let all = tests.len();
    if all > MAX_TESTS {
        return Err(invalid!("these are {all} tests, and {MAX_TESTS} are the most at once"));
    }
    tests.retain(|test| {
        let name = format!("{}: {}", test.file, test.name);
        only.is_empty() || only.iter().any(|part| name.contains(part))
    });
    if tests.is_empty() {
        return Err(match all {
            0 => invalid!(
                "there are no tests: their files end in {ENDING} (see `spintrue docs tests`)"
            ),
            _ => invalid!("`--only` leaves none of {all} tests: `--list` lists their names"),
        });
    }
    Ok(tests)
}

/// The test files at a place, in the order of their names.
fn files(place: &Path) -> Result<Vec<PathBuf>, Error> {
    if !place.exists() {
        return Err(invalid!("there is no file or folder {}", place.display()));
    }
    if !place.is_dir() {
        return Ok(vec![place.to_path_buf()]);
    }
    let (mut found, mut seen) = (Vec::new(), 0);
    let mut folders = vec![(place.to_path_buf(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let cannot = |error| invalid!("{} cannot be read: {error}", folder.display());
        for entry in std::fs::read_dir(&folder).map_err(cannot)? {
            let path = entry.map_err(cannot)?.path();
            let path = path.strip_prefix(".").map(Path::to_path_buf).unwrap_or(path);
            seen += 1;
            if seen > MAX_FILES {
                return Err(invalid!("{} holds too many files: name less", place.display()));
            }
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            // A link may lead back.
            if path.is_dir() && !path.is_symlink() {
                if depth < MAX_DEPTH && !name.starts_with('.') {
                    folders.push((path, depth + 1));
                }
            } else if name.ends_with(ENDING) {
                found.push(path);
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Runs tests on several threads until all are done or `stop` is set; the results in the order of the
/// tests.
pub(crate) fn run(tests: Vec<Test>, threads: usize, stop: &AtomicBool) -> Vec<Tested> {
    let next = AtomicUsize::new(0);
    let results: Vec<Mutex<Option<(TestResult, f64)>>> =
        tests.iter().map(|_| Mutex::default()).collect();
    progress::begin_counting(tests.len(), "tests");
    std::thread::scope(|scope| {
        for _ in 0..threads.clamp(1, tests.len().max(1)) {
            scope.spawn(|| {
                while !stop.load(Ordering::SeqCst) {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let (Some(test), Some(place)) = (tests.get(index), results.get(index)) else {
                        return;
                    };
                    let result = trial::run(test);
                    *place.lock().unwrap_or_else(PoisonError::into_inner) = Some(result);
                    progress::step();
                }
            });
        }
    });
    let results = results.into_iter().map(|result| {
        let result = result.into_inner().unwrap_or_else(PoisonError::into_inner);
        result.unwrap_or((TestResult::NotRun, 0.0))
    });
    let all = tests.into_iter().zip(results);
    all.map(|(test, (result, took))| Tested { test, result, took }).collect()
}
