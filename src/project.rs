//! The project file `spintrue.toml`, in the working folder or the nearest folder above that has one. It names the heads of a
//! bench, and gives options that commands take where they are not given. It never chooses a head.

#![allow(clippy::disallowed_methods, reason = "this module looks for a file")]

use crate::error::{Error, invalid, line_of};
use clap::parser::ValueSource;
use clap::{ArgMatches, Command};
use serde::Deserialize;
use spintrue_head::io_reason;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Largest file in bytes.
const MAX_BYTES: u64 = 1 << 20;

/// Its name.
pub(crate) const FILE: &str = "spintrue.toml";

/// What the file holds.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Content {
    /// Addresses of heads by their names.
    #[serde(default)]
    heads: BTreeMap<String, String>,
    /// What stands around heads, by their names.
    #[serde(default)]
    around: BTreeMap<String, Around>,
    #[serde(default)]
    defaults: Defaults,
    /// The folder of a library that all scripts of the project use.
    library: Option<String>,
}

/// Options by their names.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Defaults {
    archive: Option<String>,
    #[serde(default)]
    fixture: Vec<String>,
    gauge_file: Option<String>,
    #[serde(default)]
    identity: Vec<String>,
    at_most: Option<String>,
}

/// What stands around a head: files of fixtures, and that of the gauge.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Around {
    #[serde(default)]
    fixture: Vec<String>,
    gauge_file: Option<String>,
}

/// A head that is asked for by its name, with the paths of the files around it.
pub(crate) struct NamedHead {
    pub address: String,
    pub fixtures: Vec<PathBuf>,
    pub gauge_file: Option<PathBuf>,
}

/// A project file and the folder that it lies in; an empty path where that is the working folder.
pub(crate) struct Project {
    folder: PathBuf,
    content: Content,
}

/// The project of the working folder, if there is one.
pub(crate) fn project() -> Result<Option<&'static Project>, Error> {
    static PROJECT: OnceLock<Result<Option<Project>, String>> = OnceLock::new();
    let read = PROJECT.get_or_init(|| find().map_err(|error| error.to_string()));
    read.as_ref().map(Option::as_ref).map_err(|why| Error::Invalid(why.clone()))
}

fn find() -> Result<Option<Project>, Error> {
    let here = std::env::current_dir().unwrap_or_default();
    let Some(folder) = here.ancestors().find(|folder| folder.join(FILE).is_file()) else {
        return Ok(None);
    };
    let text = File::open(folder.join(FILE)).and_then(|file| {
        let mut text = String::new();
        file.take(MAX_BYTES).read_to_string(&mut text).map(|_| text)
    });
    let text = text.map_err(|error| {
        invalid!("{} cannot be read: {}", folder.join(FILE).display(), io_reason(&error))
    })?;
    let content = parsed(&folder.join(FILE), &text)?;
    let folder = if folder == here { PathBuf::new() } else { folder.to_path_buf() };
    Ok(Some(Project { folder, content }))
}

/// What a project file says.
pub(crate) fn parsed(file: &Path, text: &str) -> Result<Content, Error> {
    let content: Content = toml::from_str(text).map_err(|error| {
        let line = line_of(text, error.span());
        invalid!("{}:{line}: {}", file.display(), error.message())
    })?;
    if let Some(name) = content.heads.keys().find(|name| !is_name(name)) {
        return Err(invalid!(
            "{}: `{name}` cannot name a head: a name has letters, digits, `_` and `-`, and is not `sim` or \
             `replay`",
            file.display()
        ));
    }
    if let Some(name) = content.around.keys().find(|name| !content.heads.contains_key(*name)) {
        return Err(invalid!(
            "{}: `[around.{name}]` belongs to no head: `[heads]` has no `{name}`",
            file.display()
        ));
    }
    Ok(content)
}

/// A file of the project's library, where there is one of that name.
pub(crate) fn library_file(name: &str) -> Option<PathBuf> {
    let project = project().ok().flatten()?;
    let path = project.folder.join(project.content.library.as_ref()?).join(name);
    path.is_file().then_some(path)
}

/// Whether a text can name a head, and is no address.
fn is_name(text: &str) -> bool {
    let is_plain = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
    !text.is_empty() && text.chars().all(is_plain) && text != "sim" && text != "replay"
}

/// The address of a head that is given by its name or its address.
pub(crate) fn head_at(text: &str) -> Result<String, Error> {
    Ok(named_head(text)?.map_or_else(|| text.to_string(), |head| head.address))
}

/// The head of a name; none where the text is no name, or there is no project.
pub(crate) fn named_head(text: &str) -> Result<Option<NamedHead>, Error> {
    let Some(project) = project()?.filter(|_| is_name(text)) else { return Ok(None) };
    let Content { heads, around, .. } = &project.content;
    let Some(address) = heads.get(text) else {
        let known: Vec<&str> = heads.keys().map(String::as_str).collect();
        let known = if known.is_empty() { "none".to_string() } else { known.join(", ") };
        return Err(invalid!("{FILE} has no head `{text}`; it has {known}"));
    };
    let around = around.get(text);
    let path = |path: &String| PathBuf::from(project.path(path));
    Ok(Some(NamedHead {
        address: project.address(address),
        fixtures: around.into_iter().flat_map(|it| &it.fixture).map(path).collect(),
        gauge_file: around.and_then(|it| it.gauge_file.as_ref()).map(path),
    }))
}

/// An address with the paths of its files as `at` has them.
pub(crate) fn placed(address: &str, at: impl Fn(&str) -> String) -> String {
    let (place, query) = address.split_once('?').unwrap_or((address, ""));
    let place = match place.split_once(':') {
        Some((kind @ ("sim" | "replay"), file)) => format!("{kind}:{}", at(file)),
        _ => place.to_string(),
    };
    let pairs = query.split('&').filter(|pair| !pair.is_empty());
    let pairs = pairs.map(|pair| match pair.split_once('=') {
        Some((key @ ("memory" | "secret-file"), file)) => format!("{key}={}", at(file)),
        _ => pair.to_string(),
    });
    let pairs = pairs.collect::<Vec<_>>().join("&");
    if pairs.is_empty() { place } else { format!("{place}?{pairs}") }
}

impl Project {
    /// Name and address of each head.
    pub(crate) fn heads(&self) -> impl Iterator<Item = (&str, String)> {
        self.content.heads.iter().map(|(name, address)| (name.as_str(), self.address(address)))
    }

    fn path(&self, path: &str) -> String {
        let is_server = path.contains("://");
        if is_server { path.to_string() } else { self.folder.join(path).display().to_string() }
    }

    fn address(&self, address: &str) -> String {
        placed(address, |file| self.path(file))
    }

    /// The options that a command takes, were not given, and have a value here.
    fn defaults(&self, command: &Command, given: &ArgMatches) -> Vec<(&'static str, String)> {
        let Defaults { archive, fixture, gauge_file, identity, at_most } = &self.content.defaults;
        // Matches know in debug builds only which options there are.
        let has = |id: &str| command.get_arguments().any(|argument| argument.get_id() == id);
        let is_given =
            |id: &str| has(id) && given.value_source(id) == Some(ValueSource::CommandLine);
        let takes = |id: &str| has(id) && !is_given(id);
        let address = given.try_get_one::<String>("head").ok().flatten();
        let is_replay = address.is_some_and(|address| address.starts_with("replay:"));
        let mut all = Vec::new();
        if takes("archive") && !is_replay {
            all.extend(archive.iter().map(|path| ("--archive", self.path(path))));
        }
        let is_kept = !all.is_empty() || ["archive", "record"].into_iter().any(is_given);
        if takes("identity") && is_kept {
            // Stations name themselves.
            let has_stations = given.try_contains_id("stations").is_ok() && is_given("stations");
            let pairs = identity.iter().filter(|it| !(has_stations && it.starts_with("station=")));
            all.extend(pairs.map(|pair| ("--identity", pair.clone())));
        }
        // What stands around a head by its name comes first. A default for all is never reached for a simulated one.
        let is_real = address.is_some_and(|address| address.contains("://")) && is_given("head");
        let name = given.try_get_raw("head").ok().flatten().and_then(|mut all| all.next());
        let own = name.and_then(|name| self.content.around.get(name.to_str()?));
        let shared = if is_real { fixture.as_slice() } else { &[] };
        if takes("fixture") {
            let own = own.map(|own| own.fixture.as_slice()).filter(|own| !own.is_empty());
            let paths = own.unwrap_or(shared).iter();
            all.extend(paths.map(|path| ("--fixture", self.path(path))));
        }
        if takes("gauge_file") {
            let shared = gauge_file.as_ref().filter(|_| is_real);
            let path = own.and_then(|own| own.gauge_file.as_ref()).or(shared);
            all.extend(path.map(|path| ("--gauge-file", self.path(path))));
        }
        if takes("at_most") {
            all.extend(at_most.iter().map(|time| ("--at-most", time.clone())));
        }
        all
    }
}

/// The arguments of the program with what the project gives, for the command that they name.
pub(crate) fn completed(
    arguments: Vec<OsString>,
    command: impl FnOnce() -> Command,
) -> Result<Vec<OsString>, Error> {
    let Some(project) = project()? else { return Ok(arguments) };
    // What an option needs may come from the project, so this look at the arguments refuses nothing.
    let mut command = command().ignore_errors(true);
    let Ok(matches) = command.try_get_matches_from_mut(&arguments) else { return Ok(arguments) };
    let (mut inner, mut command) = (&matches, &command);
    while let Some((name, deeper)) = inner.subcommand() {
        let Some(named) = command.find_subcommand(name) else { return Ok(arguments) };
        (inner, command) = (deeper, named);
    }
    // Behind `--` nothing is an option.
    let end = arguments.iter().position(|argument| argument == "--").unwrap_or(arguments.len());
    let (before, after) = arguments.split_at(end);
    let defaults = project.defaults(command, inner).into_iter();
    let defaults = defaults.flat_map(|(option, value)| [option.into(), value.into()]);
    Ok(before.iter().cloned().chain(defaults).chain(after.iter().cloned()).collect())
}
