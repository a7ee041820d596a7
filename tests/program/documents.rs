//! The pages keep their word: scripts in them are checked, and what they show a command to print
//! is what it prints.

use crate::program::{at_root, spintrue};
use crate::support::{Folder, names, root};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

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

#[test]
fn scripts_in_pages_are_right() {
    let mut count = 0;
    for (path, page) in pages() {
        let folder = Folder::new("blocks");
        for entry in fs::read_dir(root().join("scripts")).unwrap() {
            let entry = entry.unwrap();
            std::os::unix::fs::symlink(entry.path(), folder.0.join(entry.file_name())).unwrap();
        }
        for block in blocks(&page, "spintrue") {
            folder.file("block.spt", &block);
            let ended = spintrue(&folder, &["check", "--format", "json", "block.spt"]);
            let report: Value = serde_json::from_str(&ended.out).unwrap();
            let diagnostics = report["diagnostics"].as_array().unwrap();
            assert!(diagnostics.is_empty(), "{}:\n{block}\n{diagnostics:#?}", path.display());
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
            .env("HOME", &self.0.0)
            .env_remove("XDG_DATA_HOME")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        (String::from_utf8(output.stdout).unwrap(), output.status.code())
    }
}

/// What a reader does with a block.
enum Kind<'a> {
    /// Saves it in a file of this name: "save this as `NAME`:" stands before it.
    Saved(&'a str),
    /// Types its lines.
    Typed,
    /// Types its first line, and sees the others.
    Shown,
}

/// The blocks of a page with which a reader does something, in their order.
fn typed_blocks<'a>(page: &'a str) -> Vec<(Kind<'a>, &'a str)> {
    let parts: Vec<&str> = page.split("```").collect();
    let block = |pair: &[&'a str]| {
        let (language, text) = pair[1].split_once('\n')?;
        let name =
            pair[0].trim_end().strip_suffix("`:").and_then(|prose| prose.rsplit_once(" as `"));
        let kind = match (name, language) {
            (Some((_, name)), _) => Kind::Saved(name),
            (None, "sh") => Kind::Typed,
            (None, "console") => Kind::Shown,
            _ => return None,
        };
        Some((kind, text))
    };
    parts.chunks_exact(2).filter_map(block).collect()
}

/// Whatever a page has its reader type works in a real shell, in the order of the page, in a folder
/// of its own. Below `$ …` in a console block stands what is printed; with `INSTA_UPDATE=always` the
/// pages are written anew.
#[cfg(unix)]
#[test]
fn what_pages_have_typed_works_in_a_shell() {
    let renew = std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always");
    let (mut typed, mut shown) = (0, 0);
    for (path, page) in pages() {
        let reader = Reader::new(&path);
        let mut renewed = page.clone();
        for (kind, block) in typed_blocks(&page) {
            if let Kind::Saved(name) = kind {
                reader.0.file(name, block);
                continue;
            }
            if matches!(kind, Kind::Typed) {
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

/// The lens that is worked out on the page of the language is run, and its checks decide.
#[test]
fn the_lens_of_the_language_page_comes_out() {
    let page = fs::read_to_string(root().join("docs/language.md")).unwrap();
    let (_, section) = page.split_once("## Lenses and turns\n").unwrap();
    let section = section.split("\n## ").next().unwrap();
    let worked = blocks(section, "spintrue");
    assert!(!worked.is_empty());
    let folder = Folder::new("lens");
    for block in worked {
        let script = folder.named("lens.spt", &block);
        let ended = at_root(&["run", "--head", "sim", "--json", &script]);
        assert_eq!(ended.code, Some(0), "{block}\n{}", ended.all());
        let conforming = format!("\"conforming\":{}", block.matches("expect \"").count());
        assert!(ended.out.contains(&conforming), "{conforming}: {}", ended.out);
    }
}

/// Every key of a description of a simulated head is documented on its page. The description is that of
/// the built-in head.
#[test]
fn the_page_of_keys_names_every_key() {
    let page = fs::read_to_string(root().join("docs/simulated-head.md")).unwrap();
    let keys: toml::Table = at_root(&["head", "new"]).out.parse().unwrap();
    let mut count = 0;
    for (table, keys) in keys {
        for key in keys.as_table().into_iter().flat_map(toml::Table::keys) {
            assert!(page.contains(&format!("`{table}.{key}`")), "`{table}.{key}` is not told");
            count += 1;
        }
    }
    assert!(count > 50, "only {count} keys");
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
    let folder = Folder::new("fixtures");
    for text in all {
        folder.file("fixture.toml", &text);
        let describe = ["head", "describe", "sim", "--fixture", "fixture.toml"];
        let ended = spintrue(&folder, &describe);
        assert_eq!(ended.code, Some(0), "{text}\n{}", ended.error);
    }
}

/// Each promise of the page of threats has its test.
#[test]
fn the_page_of_threats_names_tests_that_exist() {
    let page = fs::read_to_string(root().join("docs/threats.md")).unwrap();
    let rows = page.lines().filter(|line| line.starts_with("| ")).skip(2);
    let tests: String = ["tests/program", "tests/program/wire"]
        .map(|folder| root().join(folder))
        .iter()
        .flat_map(|folder| names(folder).into_iter().map(|name| folder.join(name)))
        .filter(|path| path.extension().is_some_and(|extension| extension == "rs"))
        .map(|path| fs::read_to_string(path).unwrap())
        .collect();
    let mut found = 0;
    for row in rows {
        let last = row.trim_end_matches(" |").rsplit(" | ").next().unwrap();
        let named: Vec<&str> = last.split('`').skip(1).step_by(2).collect();
        assert!(!named.is_empty(), "{row}");
        for name in named {
            let exists = tests.contains(&format!("fn {name}()")) || root().join(name).is_file();
            assert!(exists, "{name}");
            found += 1;
        }
    }
    assert!(found > 8, "{found}");
}
