//! Rules that the compiler does not keep: which module may use which, a header on every file, no file far
//! longer than the others, no glob import.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Every module that stands before in the table.
const ABOVE: &str = "all above";

/// Each module with those it may use. DEVELOPERS.md shows the same table to people.
const MODULES: &[(&str, &[&str])] = &[
    ("source", &[]),
    ("image", &[]),
    ("units", &[]),
    ("visible", &[]),
    ("operator", &["units", "visible"]),
    ("diagnostics", &["source"]),
    ("syntax", &["source", "diagnostics", "units"]),
    ("program", &["source", "units", "operator"]),
    ("optics", &["units"]),
    ("head", &["image", "units", "visible", "operator", "optics"]),
    ("statistics", &[]),
    ("acceptance", &["statistics"]),
    ("builtins", &["units", "program", "optics", "head", "statistics"]),
    ("check", &["source", "diagnostics", "syntax", "units", "operator", "program", "builtins"]),
    ("bounds", &["source", "units", "program", "head", "builtins"]),
    ("interpret", &["source", "operator", "program", "builtins", "head", "acceptance", "units"]),
    ("session", &[ABOVE]),
    (
        "ide",
        &["source", "diagnostics", "syntax", "units", "program", "builtins", "check", "session"],
    ),
    ("paper", &["visible", "units", "program"]),
    (
        "record",
        &[
            "source",
            "units",
            "visible",
            "program",
            "optics",
            "head",
            "acceptance",
            "interpret",
            "session",
            "paper",
        ],
    ),
    ("lsp", &["source", "diagnostics", "syntax", "session", "ide"]),
    (
        "terminal",
        &[
            "source",
            "units",
            "visible",
            "diagnostics",
            "syntax",
            "program",
            "head",
            "acceptance",
            "builtins",
            "interpret",
            "ide",
            "paper",
        ],
    ),
    ("shell", &[ABOVE]),
    ("cli", &[ABOVE]),
];

/// What only some modules may touch, and those modules.
const ONLY: &[(&str, &[&str])] = &[
    ("head::sim", &["head", "record", "setup", "cli"]),
    ("head::wire", &["head", "setup", "cli"]),
    ("head::fixture", &["head", "setup"]),
    ("ariadne::", &["diagnostics"]),
    ("chumsky::", &["syntax"]),
    ("logos::", &["syntax"]),
    ("clap::", &["disk", "setup", "archive", "batch", "cli"]),
    ("indicatif::", &["campaign", "cli"]),
    ("rustyline::", &["shell"]),
    ("signal_hook::", &["setup"]),
    ("terminal_size::", &["terminal"]),
    ("rustix::", &["terminal"]),
    ("toml::", &["head", "record", "session"]),
    ("csv::", &["session", "archive", "batch"]),
    ("flate2::", &["head"]),
    ("png::", &["record", "cli"]),
    ("jiff::", &["record", "archive", "batch"]),
    ("rusqlite::", &["archive"]),
    ("tokio_postgres::", &["archive"]),
    ("tokio::", &["archive"]),
    ("maud::", &["paper", "record", "archive"]),
    ("quick_junit::", &["record"]),
    ("base64::", &["record"]),
    ("rustfft::", &["optics"]),
    ("statrs::", &["statistics"]),
    ("lsp_server::", &["lsp"]),
    ("lsp_types::", &["lsp"]),
    ("serialport::", &["head"]),
    ("rmodbus::", &["head"]),
];

/// Lines that a file may have.
const LINES_MOST: usize = 600;

fn sources() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut folders = vec![root];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                files.push((path, text));
            }
        }
    }
    assert!(files.len() > 30, "the walk found only {} files", files.len());
    files
}

/// The module of a file: its folder under src, or its own name.
fn module(path: &Path) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let inside = path.strip_prefix(root).unwrap();
    let first = inside.components().next().unwrap().as_os_str().to_string_lossy();
    first.trim_end_matches(".rs").to_string()
}

/// Code without comments and without the tests at its end.
fn code(text: &str) -> String {
    let body = text.split("#[cfg(test)]").next().unwrap_or("");
    body.lines().map(|line| line.split("//").next().unwrap_or("")).collect::<Vec<_>>().join("\n")
}

/// The modules that a piece of code names by `crate::…`.
fn named_modules(code: &str) -> Vec<String> {
    let after = code.split("crate::").skip(1);
    let word = |rest: &str| rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
    after
        .flat_map(|rest| match rest.strip_prefix('{') {
            Some(group) => group
                .split('}')
                .next()
                .unwrap_or("")
                .split(',')
                .map(|part| word(part.trim()))
                .collect::<Vec<String>>(),
            None => vec![word(rest)],
        })
        .filter(|module: &String| !module.is_empty())
        .collect()
}

#[test]
fn modules_use_only_what_they_may() {
    let may: BTreeMap<&str, &[&str]> = MODULES.iter().copied().collect();
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let module = module(&path);
        if module == "lib" || module == "main" {
            continue;
        }
        let Some(allowed) = may.get(module.as_str()) else {
            wrong.push(format!("{}: module `{module}` is not in the table", path.display()));
            continue;
        };
        let above = MODULES.iter().map(|(name, _)| *name).take_while(|name| *name != module);
        let above: Vec<&str> = if allowed.contains(&ABOVE) { above.collect() } else { Vec::new() };
        for used in named_modules(&code(&text)) {
            let may = allowed.contains(&used.as_str()) || above.contains(&used.as_str());
            if used != module && !may {
                wrong.push(format!("{}: `{module}` may not use `{used}`", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn libraries_stay_in_their_modules() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let module = module(&path);
        for (what, modules) in ONLY {
            if code(&text).contains(what) && !modules.contains(&module.as_str()) {
                wrong.push(format!("{}: `{what}` belongs to {modules:?}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The worked examples, in whatever language, by their files.
fn examples() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples");
    let folders = fs::read_dir(root).unwrap().map(|entry| entry.unwrap().path());
    let files = folders.flat_map(|folder| fs::read_dir(folder).unwrap());
    let files = files.map(|entry| entry.unwrap().path()).filter(|path| path.is_file());
    files.map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

#[test]
fn every_example_says_what_it_holds_and_stays_readable() {
    for (path, text) in examples() {
        let opens = if path.extension().is_some_and(|e| e == "py") { "\"\"\"" } else { "//! " };
        assert!(text.starts_with(opens), "{}: no header", path.display());
        let lines = text.lines().count();
        assert!(lines <= LINES_MOST, "{}: {lines} lines, split it", path.display());
    }
}

#[test]
fn every_file_says_what_it_holds_and_stays_readable() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let name = path.display();
        if !text.starts_with("//! ") {
            wrong.push(format!("{name}: no header"));
        }
        let lines = text.lines().count();
        if lines > LINES_MOST {
            wrong.push(format!("{name}: {lines} lines, split it"));
        }
        if code(&text).contains("::*;") {
            wrong.push(format!("{name}: imports everything of something"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// DEVELOPERS.md shows the module table; it must name every module.
#[test]
fn the_module_table_is_in_the_architecture_page() {
    let page =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    for (module, may) in MODULES {
        let row = page.lines().find(|line| line.starts_with(&format!("| `{module}`")));
        let row = row.unwrap_or_else(|| panic!("no row for `{module}`"));
        let uses = row.rsplit('|').nth(1).unwrap_or("");
        for used in *may {
            assert!(uses.contains(used), "the row of `{module}` does not name `{used}`");
        }
    }
}
