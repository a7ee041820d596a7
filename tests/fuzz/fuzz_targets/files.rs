//! Every file that the program reads, but scripts: `FUZZ_KIND` names the kind, and the bytes are such a file.
//! What is refused is told, so that reports are rendered, too.
#![no_main]
#![allow(dead_code, unused_imports, unexpected_cfgs, reason = "only what reads files is called")]

use flate2::Compression;
use flate2::write::GzEncoder;
use libfuzzer_sys::fuzz_target;
use spintrue_chart::{Layout, Ruler, Spec, read_chart, read_scan};
use spintrue_head::{Bitmap, survey_trace};
use spintrue_language::{
    Diagnostic, FileError, Files, Prepared, Series, SourceMap, SourceText, prepare,
    render_diagnostics,
};
use spintrue_sim::{ConfigError, open_with};
use std::fmt::Debug;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

// The program has no library, so its modules are compiled in, as those of `src/main.rs`.
#[path = "../../../src/archive/mod.rs"]
mod archive;
#[path = "../../../src/batch/mod.rs"]
mod batch;
#[path = "../../../src/campaign/mod.rs"]
mod campaign;
#[path = "../../../src/disk/mod.rs"]
mod disk;
#[path = "../../../src/error.rs"]
mod error;
#[path = "../../../src/modbus/mod.rs"]
mod modbus;
#[path = "../../../src/paper/mod.rs"]
mod paper;
#[path = "../../../src/project.rs"]
mod project;
#[path = "../../../src/record/mod.rs"]
mod record;
#[path = "../../../src/setup/mod.rs"]
mod setup;
#[path = "../../../src/shipped.rs"]
mod shipped;
#[path = "../../../src/suite/mod.rs"]
mod suite;
#[path = "../../../src/terminal/mod.rs"]
mod terminal;

/// Rows of a list that are checked, each of which checks the script anew.
const MAX_ROWS: usize = 3;

/// Params of most kinds, as tests/extra/mutated.py has them in its lists and sheets.
const SCRIPT: &str = "param limit = 6 um\nparam name = \"a\"\nparam on = true\nparam count = 3\n\
    param widths = [1 mm, 2 mm]\nrecord \"limit\": limit\nexpect \"low\": limit <= 9 um\n";

/// Reads a table, and asks.
const TABLE: &str = "let rows = table(\"table.csv\") as list of {at: length, height: length, good: flag}\n\
    record \"rows\": rows\n";

/// The script, or the file that is tried, by its name.
struct Texts<'a>(&'a str, &'a str);

impl Files for Texts<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        let text = match path {
            "script" => self.0.to_string(),
            "file" | "table.csv" => self.1.to_string(),
            _ => return disk::Disk.read(from, path),
        };
        Ok(SourceText { name: path.to_string(), text })
    }
}

fn show(diagnostics: &[Diagnostic], sources: &SourceMap) {
    let _ = render_diagnostics(diagnostics, sources, true, 80);
}

fn show_errors(text: &str, errors: Result<impl Sized, Vec<ConfigError>>) {
    let sources = &mut SourceMap::new();
    let source = sources.add("file", text);
    for error in errors.err().into_iter().flatten() {
        let _ = format!("{error:?} {source:?}");
        assert!(text.get(error.span).is_some(), "a place outside the text");
    }
}

fn tell<T>(result: Result<T, error::Error>) -> Option<T> {
    result.map_err(|error| error.rendered()).ok()
}

fn prepared(script: &str, text: &str, settings: &[&str]) -> Option<Prepared> {
    let settings: Vec<String> = settings.iter().map(ToString::to_string).collect();
    let prepared = prepare(&mut Texts(script, text), "script", &settings).ok()?;
    show(&prepared.diagnostics, &prepared.sources);
    Some(prepared)
}

/// A file of texts.
fn text(kind: &str, text: &str) {
    match kind {
        "head" => show_errors(text, open_with(Some(("file", text)), 1, &[])),
        "fault" => {
            let faults: Vec<String> = text.split('\0').map(str::to_string).collect();
            let _ = open_with(None, 1, &faults).map_err(|errors| format!("{errors:?}"));
        }
        "fixture" => show_errors(text, modbus::Device::read(text)),
        "project" => drop(tell(project::parsed(Path::new("spintrue.toml"), text))),
        "sheet" => drop(prepared(SCRIPT, text, &["@file"])),
        "table" => drop(prepared(TABLE, text, &[])),
        "answers" => {
            let script =
                std::fs::read_to_string("scripts/fit_spacer.spt").expect("run it in the root");
            // Its library is beside it.
            let script = script.replace("use \"", "use \"scripts/");
            let Some(mut prepared) = prepared(&script, text, &[]) else { return };
            assert!(prepared.questions().count() > 0, "the script asks nothing");
            if let Err(wrong) = prepared.answers(&mut Texts(&script, text), "file") {
                show(&wrong, &prepared.sources);
            }
        }
        "list" => {
            let own = &["serial", "head", "fault", "sheet"];
            let files = &mut Texts(SCRIPT, text);
            let Ok((mut series, wrong)) = Series::read(files, "script", &[], "file", own) else {
                return;
            };
            show(&wrong, series.sources());
            for row in series.list().rows.clone().iter().take(MAX_ROWS) {
                let prepared = series.prepared(files, row);
                show(&prepared.diagnostics, &prepared.sources);
            }
        }
        _ => panic!("FUZZ_KIND names no kind: `{kind}`"),
    }
}

/// A folder of this process.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let folder = std::env::temp_dir().join(format!("spintrue-fuzz-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("no folder can be made");
        folder
    })
}

fn put(name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder().join(name);
    std::fs::write(&path, bytes).expect("no file can be written");
    path
}

/// A layout of the chart whose scans are read.
fn layout() -> &'static Layout {
    static LAYOUT: OnceLock<Layout> = OnceLock::new();
    LAYOUT.get_or_init(|| {
        let chart = std::fs::read("target/fuzz/seeds/chart/0").expect("gather the seeds first");
        read_chart(&chart).expect("the chart of the seeds")
    })
}

fuzz_target!(|data: &[u8]| {
    let kind = std::env::var("FUZZ_KIND").unwrap_or_default();
    match kind.as_str() {
        "image" => {
            if let Ok(image) = Bitmap::read(data) {
                assert_eq!(image.lines().len(), image.height() as usize);
            }
        }
        "scan" => drop(read_scan(layout(), None, Cursor::new(data)).map_err(|it| it.to_string())),
        "chart" => drop(read_chart(data).map_err(|it| it.to_string())),
        "recording" => {
            // Its packing is left to `packed`.
            let mut packed = GzEncoder::new(Vec::new(), Compression::none());
            let packed = packed.write_all(data).and_then(|()| packed.finish());
            let _ = survey_trace(&*packed.unwrap_or_default()).map_err(|error| error.to_string());
        }
        "packed" => drop(survey_trace(data).map_err(|error| error.to_string())),
        "gauge" => drop(tell(setup::check_gauge_file(&put("gauge.toml", data)))),
        "ruler" => drop(tell(setup::read_ruler(&put("ruler.toml", data)))),
        "tests" => drop(tell(suite::tests(&[put("t.test.toml", data)], &[]))),
        "results" => {
            let path = put("results.json", data).display().to_string();
            if let Some(results) = tell(campaign::Results::read(&path)) {
                let _ = (campaign::json(&results), results.missing());
            }
        }
        "memory" => {
            let path = put("memory.json", data);
            let head = setup::simulated(&format!("sim?memory={}", path.display()), &[]);
            let _ = tell(head.and_then(|head| head.make(1)));
        }
        "key" => {
            let path = put("key.pem", data);
            let _ = tell(record::PrivateKey::read(&path));
            let _ = tell(record::PublicKey::read(&path));
        }
        "events" => {
            put("events.jsonl", data);
            if let Some(events) = tell(record::read::read(folder())) {
                let _ = (events.unmet().text(), events.not_reached());
            }
        }
        "record" => {
            put(record::MANIFEST, data);
            let _ = record::held(folder());
            let value = serde_json::from_slice::<serde_json::Value>(data).unwrap_or_default();
            let origin = record::Origin::of(value.get("identity").unwrap_or(&value));
            let _ = (origin.faults_text(), origin.provoked_text(), origin.kind());
        }
        "journal" => {
            put("journal.jsonl", data);
            let _ = tell(batch::kept(folder()));
        }
        "archive" => {
            let path = put("a.sqlite", data);
            let filter = archive::Filter::default();
            let _ = tell(archive::list(&path, &filter, false));
            let _ = tell(archive::export(&path, archive::Format::Csv, &filter, &mut |_| ()));
            let _ = tell(archive::chain(&path, None));
        }
        kind => {
            if let Ok(it) = std::str::from_utf8(data) {
                text(kind, it);
            }
        }
    }
});
