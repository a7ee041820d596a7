//! The pages keep their word: scripts in them are checked, and what they show a command to print
//! is what it prints.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;

use common::Folder;
use spintrue::diagnostics::render::render;
use spintrue::session::{FileError, Files, Text, prepare};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Two tests renew pages; they take turns.
static PAGES: Mutex<()> = Mutex::new(());

/// Every page with its text.
fn pages() -> Vec<(PathBuf, String)> {
    let mut pages = vec![root().join("README.md"), root().join("DEVELOPERS.md")];
    if let Ok(docs) = fs::read_dir(root().join("docs")) {
        let docs = docs.map(|entry| entry.unwrap().path());
        pages.extend(docs.filter(|path| path.extension().is_some_and(|e| e == "md")));
    }
    pages.into_iter().map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

/// The blocks of one language in a page.
fn blocks(page: &str, language: &str) -> Vec<String> {
    let start = format!("```{language}\n");
    page.split(&start).skip(1).map(|rest| rest.split("```").next().unwrap().to_string()).collect()
}

/// The block itself, and the files it uses from the scripts.
struct Block(String);

impl Files for Block {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let text = match from {
            None => self.0.clone(),
            Some(_) => fs::read_to_string(root().join("scripts").join(path))
                .map_err(|error| error.to_string())?,
        };
        Ok(Text { name: path.to_string(), text })
    }

    fn bytes(&mut self, _from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Ok(fs::read(root().join("scripts").join(path)).map_err(|error| error.to_string())?)
    }
}

#[test]
fn scripts_in_pages_are_right() {
    let mut count = 0;
    for (path, page) in pages() {
        for block in blocks(&page, "spintrue") {
            let prepared = prepare(&mut Block(block), &path.display().to_string(), &[]).unwrap();
            let said = render(&prepared.diagnostics, &prepared.sources, false, 80);
            assert!(prepared.diagnostics.is_empty(), "{}:\n{said}", path.display());
            count += 1;
        }
    }
    assert!(count > 0);
}

/// What a command of a page holds that cannot be run here: it builds the product, or needs a head
/// at the other end.
const ELSEWHERE: [&str; 6] =
    ["cargo ", "tcp://", "serial://", "python3 ", "spintrue serve", "postgres://"];

/// A new folder as a reader has it who unpacked the product, and commands typed there.
struct Reader(Folder);

impl Reader {
    fn new(page: &Path) -> Reader {
        let folder = Folder::new(&format!("reader-{}", page.file_stem().unwrap().display()));
        std::os::unix::fs::symlink(root().join("scripts"), folder.0.join("scripts")).unwrap();
        Reader(folder)
    }

    /// Types a command into bash; gives what is to be read then, and the exit code.
    fn types(&self, command: &str) -> (String, Option<i32>) {
        let binary = Path::new(env!("CARGO_BIN_EXE_spintrue"));
        let path = std::env::join_paths(
            std::iter::once(binary.parent().unwrap().to_path_buf())
                .chain(std::env::split_paths(&std::env::var_os("PATH").unwrap())),
        );
        let output = Command::new("bash")
            .args(["-c", &format!("exec 2>&1; {command}")])
            .current_dir(&self.0.0)
            .env("PATH", path.unwrap())
            .env("XDG_DATA_HOME", &self.0.0)
            .stdin(Stdio::null())
            .output()
            .unwrap();
        (String::from_utf8(output.stdout).unwrap(), output.status.code())
    }
}

/// The blocks of a page that hold commands, in their order: the language and the text.
fn commands(page: &str) -> Vec<(&str, &str)> {
    let fenced = page.split("```").skip(1).step_by(2);
    let blocks = fenced.filter_map(|block| block.split_once('\n'));
    blocks.filter(|(language, _)| matches!(*language, "sh" | "console")).collect()
}

/// Whatever a page has its reader type works in a real shell, in the order of the page, in a folder
/// of its own. Below `$ …` in a console block stands what is printed; with `INSTA_UPDATE=always` the
/// pages are written anew.
#[cfg(unix)]
#[test]
fn what_pages_have_typed_works_in_a_shell() {
    let _one_at_a_time = PAGES.lock().unwrap_or_else(|lock| lock.into_inner());
    let renew = std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always");
    let (mut typed, mut shown) = (0, 0);
    for (path, page) in pages() {
        let reader = Reader::new(&path);
        let mut renewed = page.clone();
        for (language, block) in commands(&page) {
            if language == "sh" {
                let lines = block.replace("\\\n", " ");
                for command in lines.lines().filter(|line| !line.is_empty()) {
                    if ELSEWHERE.iter().any(|word| command.contains(word)) {
                        continue;
                    }
                    let (printed, code) = reader.types(command);
                    // The worst of a list of heads is no mistake of the reader.
                    let verdict = command.contains(" batch ") && matches!(code, Some(1 | 3 | 4));
                    assert!(code == Some(0) || verdict, "{}: {command}\n{printed}", path.display());
                    typed += 1;
                }
                continue;
            }
            let (command, told) = block.split_once('\n').unwrap();
            let (printed, _) = reader.types(command.strip_prefix("$ ").unwrap());
            if renew {
                renewed = renewed.replace(block, &format!("{command}\n{}\n", printed.trim_end()));
            } else {
                assert_eq!(told.trim_end(), printed.trim_end(), "{}: {command}", path.display());
            }
            shown += 1;
        }
        if renewed != page {
            fs::write(&path, renewed).unwrap();
        }
    }
    assert!(typed > 15 && shown > 4, "{typed} commands, {shown} of them shown");
}

/// The page of the simulated head tells the one table of faults. With `INSTA_UPDATE=always` it is
/// written anew.
#[test]
fn the_page_of_faults_is_the_table() {
    let _one_at_a_time = PAGES.lock().unwrap_or_else(|lock| lock.into_inner());
    let renew = std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always");
    let path = root().join("docs/simulated-head.md");
    let page = fs::read_to_string(&path).unwrap();
    let (start, end) = ("<!-- faults -->\n", "<!-- end of faults -->");
    let (before, rest) = page.split_once(start).unwrap();
    let (told, after) = rest.split_once(end).unwrap();
    let mut table = String::from(
        "\n| fault | key of its own | what it does | how a routine notices it |\n| --- | --- | --- | --- |\n",
    );
    for kind in spintrue::head::faults::FAULTS {
        let key = kind.key().map_or("–".to_string(), |key| format!("`{key}`"));
        table
            .push_str(&format!("| `{}` | {key} | {} | {} |\n", kind.name, kind.does, kind.symptom));
    }
    table.push('\n');
    if renew {
        fs::write(&path, format!("{before}{start}{table}{end}{after}")).unwrap();
    } else {
        assert_eq!(told, table);
    }
}

/// Every key of a description is documented on its page, with the value of the built-in head.
#[test]
fn the_page_of_keys_names_every_key() {
    let page = fs::read_to_string(root().join("docs/simulated-head.md")).unwrap();
    let keys: toml::Table = spintrue::head::sim::BUILT_IN.parse().unwrap();
    for (table, keys) in keys {
        let Some(keys) = keys.as_table() else { continue };
        for key in keys.keys() {
            assert!(page.contains(&format!("`{table}.{key}`")), "`{table}.{key}` is not told");
        }
    }
}

/// The page of heads tells every key of a description, and none that is not there.
#[test]
fn the_page_of_heads_names_every_key() {
    use spintrue::head::Head;

    /// Keys that have keys of their own, where the page speaks of those as `outer.inner`.
    const OUTER: [&str; 4] = ["clock", "in_scan_trim", "cross_scan_trim", "times"];

    let page = fs::read_to_string(root().join("docs/heads.md")).unwrap();
    let (_, rest) = page.split_once("<!-- description -->\n").unwrap();
    let (table, _) = rest.split_once("<!-- end of description -->").unwrap();
    let mut told = Vec::new();
    for row in table.lines().skip(2) {
        let mut last = String::new();
        for word in row.split('|').nth(1).unwrap().split('`').skip(1).step_by(2) {
            // `.range` behind `in_scan_trim.step` belongs to the same register.
            let outer = last.split('.').next().unwrap_or("").to_string();
            last = if word.starts_with('.') { outer + word } else { word.to_string() };
            told.push(last.clone());
        }
    }
    let station = fs::read_to_string(root().join("scripts/heads/ten_with_station.toml")).unwrap();
    let (mut head, _) = spintrue::head::sim::open(Some(("station", &station)), 1).unwrap();
    let mut description = head.describe().unwrap();
    // What may be left out is left out of a head that has none.
    description.times.station_most = 1.0;
    let description = serde_json::to_value(description).unwrap();
    let mut keys = Vec::new();
    for (key, value) in description.as_object().unwrap() {
        match value.as_object() {
            Some(inner) if OUTER.contains(&key.as_str()) => {
                keys.extend(inner.keys().map(|inner| format!("{key}.{inner}")));
            }
            _ => keys.push(key.clone()),
        }
    }
    told.sort();
    keys.sort();
    assert_eq!(told, keys, "docs/heads.md, left, and the description, right");
}

/// Descriptions of fixtures, in their page and among the scripts, are right.
#[test]
fn descriptions_of_fixtures_are_right() {
    let page = fs::read_to_string(root().join("docs/fixtures.md")).unwrap();
    let mut all = blocks(&page, "toml");
    for entry in fs::read_dir(root().join("scripts/fixtures")).unwrap() {
        all.push(fs::read_to_string(entry.unwrap().path()).unwrap());
    }
    assert!(all.len() > 1);
    for text in all {
        let wrong = spintrue::head::fixture::modbus::Device::read(&text).err();
        assert_eq!(wrong, None, "{text}");
    }
}

/// The page of heads tells the one table of contracts. With `INSTA_UPDATE=always` it is written
/// anew.
#[test]
fn the_page_of_contracts_is_the_table() {
    let _one_at_a_time = PAGES.lock().unwrap_or_else(|lock| lock.into_inner());
    let renew = std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always");
    let path = root().join("docs/heads.md");
    let page = fs::read_to_string(&path).unwrap();
    let (start, end) = ("<!-- contracts -->\n", "<!-- end of contracts -->");
    let (before, rest) = page.split_once(start).unwrap();
    let (told, after) = rest.split_once(end).unwrap();
    let mut table = String::from("\n| contract | what holds | does |\n| --- | --- | --- |\n");
    for contract in spintrue::head::contract::TABLE {
        let does = format!("{:?}", contract.risk).to_lowercase();
        table.push_str(&format!("| `{}` | {} | {does} |\n", contract.name, contract.holds));
    }
    table.push('\n');
    if renew {
        fs::write(&path, format!("{before}{start}{table}{end}{after}")).unwrap();
    } else {
        assert_eq!(told, table);
    }
}

/// The lens that is worked out on the page of the language is run, and its checks decide.
#[test]
fn the_lens_of_the_language_page_comes_out() {
    let page = fs::read_to_string(root().join("docs/language.md")).unwrap();
    let (_, section) = page.split_once("## Lenses and turns\n").unwrap();
    let section = section.split("\n## ").next().unwrap();
    let worked = blocks(section, "spintrue");
    assert!(!worked.is_empty());
    let script = std::env::temp_dir().join(format!("spintrue-lens-{}.spt", std::process::id()));
    for block in worked {
        fs::write(&script, &block).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_spintrue"))
            .args(["run", "--head", "sim", "--json"])
            .arg(&script)
            .output()
            .unwrap();
        let printed = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{block}\n{printed}");
        let conforming = format!("\"conforming\":{}", block.matches("expect \"").count());
        assert!(printed.contains(&conforming), "{conforming}: {printed}");
    }
    fs::remove_file(script).unwrap();
}
