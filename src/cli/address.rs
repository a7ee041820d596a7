//! Head addresses: which head a run uses.

use crate::cli::files::read_text;
use crate::cli::memory;
use crate::cli::own;
use crate::cli::trace::{self, Replaying};
use crate::diagnostics::codes;
use crate::head::control::SharedControl;
use crate::head::sim;
use crate::head::sim::medium::Medium;
use crate::head::wire::driver;
use crate::head::wire::greeting::Target;
use crate::head::wire::line::{BAUD, Line};
use crate::head::wire::link::Place;
use crate::head::{Calls, Link, Rig};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// A head with its gauge and faults, ready for a station.
pub(super) struct Opened {
    pub link: Box<dyn Link>,
    /// There is a gauge.
    pub has_gauge: bool,
    /// What goes wrong with a simulated head by itself, and when.
    pub faults: Vec<String>,
    /// What a simulated head exposes on.
    pub medium: Option<Medium>,
    /// Seed of a simulated head.
    pub seed: u64,
    /// What is replayed, where it is a recording.
    pub replay: Option<Replaying>,
    /// Ends waits of a head at the other end of a wire early.
    pub stop: Arc<AtomicBool>,
    /// Closes the link to such a head while a reply is waited for.
    pub cut: Arc<AtomicBool>,
    /// Its time passes by what it is asked for only, not by itself.
    pub virtual_time: bool,
    /// Texts that a simulated head is made of, by their names.
    pub files: Vec<(String, Vec<u8>)>,
    /// Who controls it, where several may.
    pub control: Option<Box<dyn SharedControl>>,
}

/// A simulated head as its address names it, of which any number can be made.
#[derive(Clone)]
pub(super) struct Simulated {
    /// Its description, by the name that people know it by; none for the built-in head.
    pub description: Option<(String, String)>,
    /// The seed that the address asks for.
    pub seed: Option<u64>,
    /// Further faults, as `--fault` gives them.
    pub faults: Vec<String>,
    /// The serial number of a head whose description names none of its own.
    pub serial: Option<String>,
    /// The file that keeps what it stores, if there is one.
    pub memory: Option<PathBuf>,
}

/// Reads an address: `sim`, `sim:FILE.toml`, either with `?seed=7`. Fails with what is to be
/// printed. `faults` are further ones, as `--fault` gives them.
pub(super) fn simulated(address: &str, faults: &[String]) -> Result<Simulated, String> {
    if address.starts_with("tcp:") || address.starts_with("serial:") {
        return Err(format!(
            "error: `{address}`: simulated heads are made here: write `sim` or `sim:FILE.toml`"
        ));
    }
    let (place, query) = match address.split_once('?') {
        Some((place, query)) => (place, Some(query)),
        None => (address, None),
    };
    let (mut seed, mut memory) = (None, None);
    for pair in query.into_iter().flat_map(|query| query.split('&')) {
        match pair.split_once('=') {
            Some(("seed", value)) => {
                let read = value.parse().map_err(|_| {
                    format!(
                        "error: `{address}`: the seed must be a whole number from 0, not `{value}`"
                    )
                })?;
                seed = Some(read);
            }
            Some(("memory", file)) if !file.is_empty() => memory = Some(PathBuf::from(file)),
            _ => {
                return Err(format!(
                    "error: `{address}`: a simulated head takes `seed=NUMBER` and `memory=FILE`, \
                     not `{pair}`"
                ));
            }
        }
    }
    let (kind, rest) = match place.split_once(':') {
        Some((kind, rest)) => (kind, Some(rest)),
        None => (place, None),
    };
    let description = match (kind, rest) {
        ("sim", None) => None,
        ("sim", Some(file)) => {
            let text = read_text(Path::new(file)).map_err(|why| format!("error: {why}"))?;
            Some((file.to_string(), text))
        }
        ("replay", _) => {
            return Err(format!(
                "error: `{address}` plays one recording, and simulated heads are asked for here: \
                 replay it with `spintrue run SCRIPT --head {address}`"
            ));
        }
        _ => {
            return Err(format!(
                "error: `{address}` is no head this version knows: write `sim`, `sim:FILE.toml`, \
                 `replay:FILE`, `tcp://HOST:PORT` or `serial://DEVICE`"
            ));
        }
    };
    Ok(Simulated { description, seed, faults: faults.to_vec(), memory, serial: None })
}

impl Simulated {
    /// Its address, without its seed.
    pub(super) fn address(&self) -> String {
        let description = self.description.as_ref().map(|(name, _)| format!(":{name}"));
        let memory = self.memory.as_ref().map(|path| format!("?memory={}", path.display()));
        format!("sim{}{}", description.unwrap_or_default(), memory.unwrap_or_default())
    }

    /// Makes the head that a seed draws.
    pub(super) fn make(&self, seed: u64) -> Result<Opened, String> {
        let faults = self.faults.as_slice();
        let text = self.description.as_ref().map(|(name, text)| (name.as_str(), text.as_str()));
        let (mut head, gauge) = sim::open_with(text, seed, faults).map_err(|errors| {
            let of = |option: &&String| errors.iter().any(|error| error.file == **option);
            let wrong = faults.iter().filter(of).map(|option| fault_report(option, &errors));
            let wrong: String = wrong.collect();
            let (name, text) = text.unwrap_or(("sim", ""));
            if wrong.is_empty() { config_report(name, text, &errors) } else { wrong }
        })?;
        if let Some(serial) = &self.serial
            && !sim::has_serial(text.map_or("", |(_, text)| text))
        {
            head.set_serial(serial);
        }
        let mut files = Vec::new();
        files.extend(self.description.clone().map(|(name, text)| (name, text.into_bytes())));
        if let Some(path) = &self.memory {
            let before = read_text(path).ok().map(String::into_bytes);
            files.extend(before.map(|text| (path.display().to_string(), text)));
            memory::remember(&mut head, path)?;
        }
        let medium = Some(head.medium());
        let (faults, injector) = (head.faults(), head.injector());
        let rig = Rig::new(Box::new(head), Some(Box::new(gauge)));
        let link = Box::new(rig.with_injector(Box::new(injector)));
        Ok(Opened { faults, medium, seed, files, ..plain(link, true, true) })
    }
}

/// Opens the head at an address. Fails with what is to be printed.
pub(super) fn open(address: &str, seed: Option<u64>) -> Result<Opened, String> {
    open_with(address, seed, &[])
}

/// The same with faults, as `--fault` gives them.
pub(super) fn open_with(
    address: &str,
    seed: Option<u64>,
    faults: &[String],
) -> Result<Opened, String> {
    if let Some(file) = address.strip_prefix("replay:") {
        if let Some(option) = seed.map(|_| "--seed").or((!faults.is_empty()).then_some("--fault")) {
            return Err(format!(
                "error: `{option}` needs a simulated head, and `{address}` plays a recording: what \
                 happened then is in it; leave `{option}` out"
            ));
        }
        return trace::open(file);
    }
    if let Some(place) = wired(address) {
        let (place, secret) = place?;
        if seed.is_some() || !faults.is_empty() {
            return Err(format!(
                "error: the head at `{address}` belongs to its server: give `--seed` and `--fault` \
                 to `spintrue serve`"
            ));
        }
        return open_wired(place, secret, Arc::default());
    }
    if let Some(kind) = own::find(address) {
        if let Some(option) = seed.map(|_| "--seed").or((!faults.is_empty()).then_some("--fault")) {
            return Err(format!(
                "error: `{option}` needs a simulated head of spintrue's own, which `{address}` is \
                 not: leave it out"
            ));
        }
        let (head, gauge) = kind.opened(address)?;
        let has_gauge = gauge.is_some();
        let mut link = Rig::new(head, gauge);
        // A head that moves nothing real need not wait for real either.
        let virtual_time = link.describe().is_ok_and(|head| head.simulated);
        return Ok(plain(Box::new(link), has_gauge, virtual_time));
    }
    let simulated = simulated(address, faults)?;
    if let (Some(one), Some(other)) = (seed, simulated.seed)
        && one != other
    {
        return Err(format!("error: `--seed {one}` and the address `{address}` ask for two seeds"));
    }
    simulated.make(seed.or(simulated.seed).unwrap_or(1))
}

/// A place on a wire: `tcp://HOST:PORT` or `serial:///dev/…?baud=…`, either with
/// `secret-file=FILE` behind the question mark; none where the address is another kind of head.
pub(super) fn wired(address: &str) -> Option<Result<(Place, Option<String>), String>> {
    let (is_serial, rest) = match address.split_once("://")? {
        ("tcp", rest) => (false, rest),
        ("serial", rest) => (true, rest),
        _ => return None,
    };
    let (place, query) = rest.split_once('?').unwrap_or((rest, ""));
    let (mut secret, mut baud) = (None, BAUD);
    for pair in query.split('&').filter(|pair| !pair.is_empty()) {
        match pair.split_once('=') {
            Some(("secret-file", file)) => match secret_in(Path::new(file)) {
                Ok(own) => secret = Some(own),
                Err(why) => return Some(Err(format!("error: {why}"))),
            },
            Some(("baud", rate)) if is_serial && rate.parse::<u32>().is_ok_and(|rate| rate > 0) => {
                baud = rate.parse().unwrap_or(BAUD);
            }
            _ => {
                let known =
                    if is_serial { "baud=RATE or secret-file=FILE" } else { "secret-file=FILE" };
                return Some(Err(format!(
                    "error: `{address}`: behind `?` stands {known}, not `{pair}`"
                )));
            }
        }
    }
    let port = place.rsplit_once(':').and_then(|(_, port)| port.parse::<u16>().ok());
    Some(match (is_serial, port) {
        (true, _) if place.is_empty() => Err(format!(
            "error: `{address}`: write `serial://DEVICE`, such as serial:///dev/ttyUSB0?baud=115200"
        )),
        (true, _) => Ok((Place::Serial(Line { device: place.to_string(), baud }), secret)),
        (false, Some(_)) => Ok((Place::Socket(place.to_string()), secret)),
        (false, None) => Err(format!(
            "error: `{address}`: write `tcp://HOST:PORT`, such as tcp://127.0.0.1:5025"
        )),
    })
}

/// Whether that is the address of a head that stands somewhere, and is not made here.
pub(super) fn is_elsewhere(address: &str) -> bool {
    wired(address).is_some() || own::find(address).is_some()
}

/// Opens the head at an address for which [`is_elsewhere`] holds; `stop` ends its waits early.
pub(super) fn open_elsewhere(address: &str, stop: Arc<AtomicBool>) -> Result<Opened, String> {
    match wired(address) {
        Some(place) => place.and_then(|(place, secret)| open_wired(place, secret, stop)),
        None => open(address, None),
    }
}

/// Opens the head at the other end of a wire.
fn open_wired(
    place: Place,
    secret: Option<String>,
    stop: Arc<AtomicBool>,
) -> Result<Opened, String> {
    let cut = Arc::new(AtomicBool::new(false));
    let target = Target { place, secret, stop: Arc::clone(&stop), cut: Arc::clone(&cut) };
    let opened = driver::open(target)
        .map_err(|fault| format!("error: the head does not answer: {fault}"))?;
    let seed = opened.seed.unwrap_or(1);
    let known = plain(Box::new(opened.link), true, opened.is_virtual);
    Ok(Opened { seed, stop, cut, control: Some(Box::new(opened.control)), ..known })
}

/// A head of which no more is known.
pub(super) fn plain(link: Box<dyn Link>, has_gauge: bool, virtual_time: bool) -> Opened {
    Opened {
        virtual_time,
        link,
        has_gauge,
        faults: Vec::new(),
        medium: None,
        seed: 1,
        replay: None,
        stop: Arc::default(),
        cut: Arc::default(),
        files: Vec::new(),
        control: None,
    }
}

/// Characters of a secret: at the one guess a second that a server lets through, eight random letters
/// or digits take longer than any head lives.
const SECRET_LEAST: usize = 8;

/// The secret on the first line of a file. Whatever is wrong is told without it.
pub(super) fn secret_in(file: &Path) -> Result<String, String> {
    let text = read_text(file)?;
    let secret = text.lines().next().unwrap_or("").trim();
    let shown = file.display();
    if secret.chars().count() < SECRET_LEAST {
        return Err(format!(
            "{shown}: the first line must hold a secret of {SECRET_LEAST} characters at least, since a \
             shorter one can be guessed over the wire: take a long random one"
        ));
    }
    if secret.chars().any(char::is_control) || secret.len() > 200 {
        return Err(format!("{shown}: a secret has at most 200 bytes and no control characters"));
    }
    Ok(secret.to_string())
}

/// The errors of one `--fault` as reports that point into it.
fn fault_report(option: &str, errors: &[sim::ConfigError]) -> String {
    let of: Vec<sim::ConfigError> = errors.iter().filter(|e| e.file == option).cloned().collect();
    config_report("--fault", option, &of)
}

/// The errors of a head's description as reports that point into its file.
pub(super) fn config_report(name: &str, text: &str, errors: &[sim::ConfigError]) -> String {
    let mut sources = crate::source::SourceMap::new();
    let source = sources.add(name, text);
    let reports: Vec<crate::diagnostics::Diagnostic> = errors
        .iter()
        .map(|error| {
            let span = crate::source::Span::new(source, error.span.start, error.span.end);
            let report = crate::diagnostics::Diagnostic::error(
                codes::BAD_HEAD_DESCRIPTION,
                error.message.clone(),
                span,
            );
            match &error.help {
                Some(help) => report.help(help.clone()),
                None => report,
            }
        })
        .collect();
    crate::terminal::told::rendered(&reports, &sources)
}
