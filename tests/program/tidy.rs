//! Rules that the compiler does not keep: which module of a member may use which, no long circle of files,
//! which library belongs where, a header on every file, and no file or function far longer than the others.

mod imports;

use crate::support::{root, table_of_page};
use imports::{Member, code, files};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Modules, each with those that it may use. What stands in `lib.rs` itself all may use.
type Arrows = &'static [(&'static str, &'static [&'static str])];

/// The members, each with its folder and its arrows.
const MEMBERS: &[(&str, &str, Arrows)] = &[
    ("chart", "src/chart", CHART),
    ("head", "src/head", HEAD),
    ("sim", "src/sim", SIM),
    ("language", "src/language", LANGUAGE),
    ("program", "src", PROGRAM),
];

/// The folders of the other members, which are no part of the program.
const OTHERS: &[&str] = &["chart", "head", "sim", "language"];

const CHART: Arrows = &[
    ("error", &[]),
    ("solve", &[]),
    ("spec", &[]),
    ("layout", &["error", "spec"]),
    ("draw", &["error", "layout", "spec"]),
    ("scan", &["error"]),
    ("coarse", &["error", "scan"]),
    ("pose", &["coarse", "error", "layout", "scan"]),
    ("picture", &["coarse", "draw", "error", "pose"]),
    ("window", &["layout", "pose", "scan", "solve"]),
    ("travel", &["solve", "window"]),
    ("ruler", &["error", "pose", "scan", "solve"]),
    ("reading", &["ruler", "spec"]),
    ("waves", &["reading"]),
    (
        "read",
        &[
            "coarse", "error", "picture", "pose", "reading", "ruler", "scan", "solve", "travel",
            "waves", "window",
        ],
    ),
];

const HEAD: Arrows = &[
    ("fault", &[]),
    ("faults", &["page"]),
    ("image", &[]),
    ("page", &[]),
    ("injector", &["fault"]),
    ("system", &[]),
    ("units", &[]),
    ("optics", &["units"]),
    ("gauge", &["fault", "optics"]),
    ("signals", &["fault", "units"]),
    ("description", &["optics", "signals"]),
    ("plausible", &["description", "optics"]),
    ("range", &["description", "fault", "optics", "units"]),
    ("visible", &[]),
    ("call", &["description", "fault", "image", "optics", "safe", "signals", "units"]),
    ("link", &["call", "description", "fault", "gauge", "injector", "optics"]),
    ("realtime", &["call", "fault", "link"]),
    ("record", &["call", "fault", "link", "units"]),
    ("safe", &["description", "fault", "link", "units"]),
    (
        "contract",
        &["call", "description", "fault", "link", "optics", "page", "plausible", "safe", "signals"],
    ),
    ("fixture", &["call", "description", "fault", "link", "safe", "signals"]),
    ("toml_form", &[]),
    ("trace", &["call", "description", "fault", "record", "system", "units"]),
    (
        "wire",
        &[
            "call",
            "description",
            "fault",
            "gauge",
            "image",
            "link",
            "optics",
            "safe",
            "system",
            "units",
            "visible",
        ],
    ),
    ("stop_request", &[]),
    ("serve", &["fault", "gauge", "link", "stop_request", "system", "visible", "wire"]),
    ("words", &["call"]),
    ("replay", &["call", "fault", "link", "trace", "words"]),
];

const SIM: Arrows = &[
    ("circle", &[]),
    ("galvanometer", &["circle"]),
    ("noise", &["circle"]),
    ("ode", &[]),
    ("reader", &[]),
    ("windage", &[]),
    ("faults", &["reader"]),
    ("fixtures", &["noise", "reader"]),
    ("wiring", &["reader"]),
    ("disturbances", &["circle", "noise", "reader"]),
    ("rotor", &["ode", "windage"]),
    ("bounds", &["ode", "rotor"]),
    ("optics", &["reader"]),
    (
        "config",
        &[
            "circle",
            "disturbances",
            "faults",
            "fixtures",
            "galvanometer",
            "optics",
            "rotor",
            "wiring",
        ],
    ),
    ("limits", &["config", "rotor"]),
    ("contradictions", &["config", "limits", "reader"]),
    (
        "file",
        &[
            "config",
            "disturbances",
            "faults",
            "fixtures",
            "galvanometer",
            "limits",
            "noise",
            "optics",
            "reader",
            "rotor",
            "windage",
            "wiring",
        ],
    ),
    ("pulses", &["config", "disturbances", "noise", "optics", "rotor"]),
    ("lines", &["config", "galvanometer", "optics", "pulses"]),
    ("expose", &["config", "faults", "lines", "noise", "optics", "pulses", "world"]),
    ("gauge", &["circle", "config", "noise", "world"]),
    ("injector", &["faults", "reader", "world"]),
    ("detector", &["config", "noise", "optics", "pulses", "world"]),
    ("medium", &["lines", "optics", "world"]),
    ("render", &["medium"]),
    (
        "world",
        &[
            "config",
            "faults",
            "fixtures",
            "galvanometer",
            "lines",
            "medium",
            "noise",
            "pulses",
            "rotor",
        ],
    ),
    ("page", &["config", "expose", "lines", "medium", "optics", "pulses", "world"]),
    ("simulated", &["config", "expose", "injector", "medium", "page", "rotor", "world"]),
    ("truth", &["simulated"]),
];

const LANGUAGE: Arrows = &[
    ("banding", &[]),
    ("images", &[]),
    ("operator", &[]),
    ("source", &[]),
    ("diagnostics", &["source"]),
    ("program", &["operator", "source"]),
    ("station", &["images", "operator", "statistics"]),
    ("statistics", &[]),
    ("acceptance", &["statistics"]),
    ("builtins", &["banding", "images", "program", "station", "statistics"]),
    ("bounds", &["builtins", "images", "program", "source", "station"]),
    ("interpret", &["acceptance", "builtins", "operator", "program", "source", "station"]),
    ("syntax", &["diagnostics", "source"]),
    ("check", &["builtins", "diagnostics", "operator", "program", "source", "syntax"]),
    (
        "session",
        &[
            "acceptance",
            "bounds",
            "builtins",
            "check",
            "diagnostics",
            "images",
            "interpret",
            "operator",
            "program",
            "source",
            "station",
            "syntax",
        ],
    ),
    (
        "ide",
        &["bounds", "builtins", "check", "diagnostics", "program", "session", "source", "syntax"],
    ),
];

const PROGRAM: Arrows = &[
    ("build", &[]),
    ("lsp", &[]),
    ("modbus", &[]),
    ("paper", &[]),
    ("terminal", &["paper"]),
    ("error", &["terminal"]),
    ("shipped", &[]),
    ("project", &["error"]),
    ("disk", &["error", "project", "shipped"]),
    ("record", &["disk", "error", "paper", "terminal"]),
    ("archive", &["disk", "error", "paper", "record", "terminal"]),
    ("setup", &["disk", "error", "modbus", "project", "record", "terminal"]),
    ("batch", &["archive", "disk", "error", "paper", "project", "record", "setup", "terminal"]),
    ("campaign", &["archive", "disk", "error", "record", "setup", "terminal"]),
    ("shell", &["error", "paper", "record", "terminal"]),
    ("suite", &["disk", "error", "project", "record", "setup", "terminal"]),
    ("cli", &[ALL]),
];

/// Every module of its member.
const ALL: &str = "all";

/// Libraries that only some modules may touch.
const ONLY: &[(&str, &[&str])] = &[
    ("ariadne::", &["language diagnostics"]),
    ("base64::", &["program record"]),
    ("chumsky::", &["language syntax"]),
    (
        "clap::",
        &[
            "program archive",
            "program batch",
            "program campaign",
            "program cli",
            "program disk",
            "program project",
            "program setup",
        ],
    ),
    ("csv::", &["language session", "program archive", "program batch"]),
    ("ed25519_dalek::", &["program record"]),
    ("font8x8::", &["chart draw"]),
    ("flate2::", &["head trace", "program record"]),
    ("futures_util::", &["program archive"]),
    ("gethostname::", &["program record"]),
    ("indicatif::", &["program cli", "program terminal"]),
    (
        "jiff::",
        &["program archive", "program batch", "program cli", "program record", "program setup"],
    ),
    ("logos::", &["language syntax"]),
    ("lsp_server::", &["program lsp"]),
    ("lsp_types::", &["program lsp"]),
    ("maud::", &["program archive", "program batch", "program paper", "program record"]),
    ("nalgebra::", &["chart solve", "chart travel"]),
    ("png::", &["chart picture", "chart scan", "program cli", "program record"]),
    ("quick_xml::", &["program record"]),
    ("rand_pcg::", &["chart layout", "language statistics", "sim noise", "program campaign"]),
    ("rusqlite::", &["program archive"]),
    ("rustfft::", &["language banding", "language statistics"]),
    ("rustix::", &["program terminal"]),
    ("rustyline::", &["program shell"]),
    ("serde_json_canonicalizer::", &["program record"]),
    ("serialport::", &["head wire"]),
    ("signal_hook::", &["head stop_request"]),
    ("statrs::", &["language statistics"]),
    ("strsim::", &["head units"]),
    ("terminal_size::", &["program terminal"]),
    ("tiff::", &["chart scan"]),
    ("tokio::", &["head stop_request", "program archive"]),
    ("tokio_postgres::", &["program archive"]),
    (
        "toml::",
        &[
            "language session",
            "program cli",
            "program modbus",
            "program project",
            "program record",
            "program setup",
            "program suite",
            "sim lib",
            "sim faults",
            "sim reader",
        ],
    ),
    ("zune_jpeg::", &["chart scan"]),
];

/// Lines that a file may have.
const MAX_LINES: usize = 600;

/// Lines that a function may have.
const MAX_FUNCTION: usize = 100;

/// Functions that are longer, each for a reason.
const LONG: &[(&str, &str, &str)] = &[
    ("src/sim/file.rs", "from", "one key of the head file after the other"),
    ("src/language/syntax/tests/dump.rs", "statement", "one arm for each statement"),
];

/// Files that a circle of imports may have.
const MAX_CIRCLE: usize = 3;

fn members() -> impl Iterator<Item = (&'static str, Arrows, Member)> {
    MEMBERS.iter().map(|(name, folder, arrows)| {
        let without = if *name == "program" { OTHERS } else { &[] };
        (*name, *arrows, Member::read(&root().join(folder), without))
    })
}

fn sources() -> Vec<(PathBuf, String)> {
    let all = files(&root().join("src"), &[]);
    assert!(all.len() > 400, "the walk found only {} files", all.len());
    all.into_iter().map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

/// The path of a file as people write it.
fn short(path: &Path) -> String {
    path.strip_prefix(root()).unwrap().display().to_string()
}

#[track_caller]
fn none(wrong: Vec<String>) {
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn modules_use_what_the_table_says() {
    let mut wrong = Vec::new();
    for (name, arrows, member) in members() {
        let mut used: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for module in member.files.keys().filter_map(|module| module.first()) {
            used.entry(module).or_default();
        }
        for (user, uses) in &member.uses {
            if let (Some(user), Some(uses)) = (user.first(), uses.first()) {
                used.get_mut(user.as_str())
                    .unwrap()
                    .extend((user != uses).then_some(uses.as_str()));
            }
        }
        let may: BTreeMap<&str, BTreeSet<&str>> =
            arrows.iter().map(|(module, may)| (*module, may.iter().copied().collect())).collect();
        for (module, uses) in &used {
            let Some(may) = may.get(module) else {
                wrong.push(format!("{name}: `{module}` is not in the table"));
                continue;
            };
            if may.contains(ALL) {
                continue;
            }
            let beyond = uses.difference(may);
            wrong.extend(beyond.map(|other| format!("{name}: `{module}` may not use `{other}`")));
            let stale = may.difference(uses);
            wrong.extend(stale.map(|other| format!("{name}: `{module}` does not use `{other}`")));
        }
        let gone = may.keys().filter(|module| !used.contains_key(*module));
        wrong.extend(gone.map(|module| format!("{name}: there is no `{module}`")));
    }
    none(wrong);
}

#[test]
fn nothing_uses_the_commands() {
    assert!(PROGRAM.iter().all(|(_, may)| !may.contains(&"cli")));
}

#[test]
fn no_circle_of_imports_is_long() {
    for (name, _, member) in members() {
        assert!(member.uses.len() > 20, "{name}: only {} imports were found", member.uses.len());
        let long = member.circle_beyond(MAX_CIRCLE);
        assert_eq!(long, None, "{name}");
    }
}

/// DEVELOPERS.md shows the arrows, between `<!-- arrows -->` and `<!-- end of arrows -->`.
#[test]
fn the_arrows_are_in_the_architecture_page() {
    let mut table = String::from("\n| module | uses |\n| --- | --- |\n");
    for (name, _, arrows) in MEMBERS {
        for (module, may) in *arrows {
            let may = if may.is_empty() { "–".to_string() } else { may.join(", ") };
            table.push_str(&format!("| {name} `{module}` | {may} |\n"));
        }
    }
    table_of_page("DEVELOPERS.md", "arrows", &format!("{table}\n"));
}

#[test]
fn libraries_stay_in_their_modules() {
    let mut wrong = Vec::new();
    for (name, _, member) in members() {
        for (module, path) in &member.files {
            let module = format!("{name} {}", module.first().map_or("lib", String::as_str));
            let code = code(&fs::read_to_string(path).unwrap());
            for (library, homes) in ONLY {
                let named = code.match_indices(library).any(|(at, _)| {
                    let before = code[..at].chars().next_back();
                    before.is_none_or(|c| !c.is_alphanumeric() && c != '_')
                });
                if named && !homes.contains(&module.as_str()) {
                    wrong.push(format!("{}: `{library}` belongs to {homes:?}", short(path)));
                }
            }
        }
    }
    none(wrong);
}

/// The worked examples, in whatever language, by their files.
fn examples() -> Vec<(PathBuf, String)> {
    let folders = fs::read_dir(root().join("docs/examples")).unwrap();
    let files = folders.flat_map(|folder| fs::read_dir(folder.unwrap().path()).unwrap());
    let files = files.map(|entry| entry.unwrap().path());
    let told = files.filter(|path| path.extension().is_some_and(|e| e == "py" || e == "rs"));
    told.map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

#[test]
fn every_example_says_what_it_holds_and_stays_readable() {
    let all = examples();
    assert!(all.len() > 5, "the walk found only {} examples", all.len());
    for (path, text) in all {
        let opens = if path.extension().is_some_and(|e| e == "py") { "\"\"\"" } else { "//! " };
        assert!(text.starts_with(opens), "{}: no header", path.display());
        let lines = text.lines().count();
        assert!(lines <= MAX_LINES, "{}: {lines} lines, split it", path.display());
    }
}

#[test]
fn every_file_says_what_it_holds_and_stays_readable() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let name = short(&path);
        if !text.starts_with("//! ") {
            wrong.push(format!("{name}: no header"));
        }
        let lines = text.lines().count();
        if lines > MAX_LINES {
            wrong.push(format!("{name}: {lines} lines, split it"));
        }
        if code(&text).contains("::*;") {
            wrong.push(format!("{name}: imports everything of something"));
        }
    }
    none(wrong);
}

/// Functions of a formatted file, each with its lines.
fn functions(text: &str) -> Vec<(String, usize)> {
    let lines: Vec<&str> = text.lines().collect();
    let mut found = Vec::new();
    for (first, line) in lines.iter().enumerate() {
        let code = line.trim_start();
        let indent = &line[..line.len() - code.len()];
        let Some((before, after)) = code.split_once("fn ") else { continue };
        let is_plain = before.is_empty() || before.starts_with("pub") || before == "const ";
        if !is_plain {
            continue;
        }
        // The end of a body, of a body on one line, or of a declaration.
        let ends = |line: &&&str| {
            let own = line.strip_prefix(indent).filter(|rest| !rest.starts_with(' '));
            own.is_some_and(|rest| rest.ends_with('}') || rest.ends_with(';'))
        };
        let length = 1 + lines[first..].iter().take_while(|line| !ends(line)).count();
        let name = after.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap();
        found.push((name.to_string(), length));
    }
    found
}

#[test]
fn functions_stay_readable() {
    let (mut wrong, mut found) = (Vec::new(), 0);
    let excuse = |(file, name, _): &(&str, &str, &str)| (file.to_string(), name.to_string());
    let mut excused: BTreeSet<(String, String)> = LONG.iter().map(excuse).collect();
    for (path, text) in sources() {
        for (name, lines) in functions(&text) {
            found += 1;
            if lines > MAX_FUNCTION && !excused.remove(&(short(&path), name.clone())) {
                wrong.push(format!("{}: `{name}` has {lines} lines, split it", short(&path)));
            }
        }
    }
    assert!(found > 3000, "the walk found only {found} functions");
    wrong.extend(excused.iter().map(|(file, name)| format!("{file}: `{name}` needs no excuse")));
    none(wrong);
}
