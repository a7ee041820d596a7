//! Head addresses, and the heads that they name.

use crate::disk::read_text;
use crate::error::{Error, invalid};
use crate::setup::recording::Recorded;
use crate::setup::{memory, recording};
use spintrue_head::{
    DEFAULT_BAUD, Link, Rig, Secret, SerialLine, WireControl, WirePlace, WireTarget, connect,
};
use spintrue_language::{BAD_HEAD_DESCRIPTION, Diagnostic, GaugeFile, SourceMap, Span};
use spintrue_sim::{ConfigError, Medium, has_serial, open_with};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// A head with its gauge and faults, ready for a station.
pub(crate) struct Opened {
    pub link: Box<dyn Link>,
    /// There is a gauge.
    pub has_gauge: bool,
    /// Faults of a simulated head, and when they strike.
    pub faults: Vec<String>,
    /// What the file of the gauge says.
    pub gauge_file: Option<GaugeFile>,
    /// What a simulated head exposes on.
    pub medium: Option<Medium>,
    /// Seed of a simulated head.
    pub seed: u64,
    /// The recording that is replayed.
    pub replay: Option<Recorded>,
    /// Ends waits of a head behind a wire early.
    pub stop: Arc<AtomicBool>,
    /// Closes the link to such a head while it waits for a reply.
    pub cut: Arc<AtomicBool>,
    /// Its time passes with calls only.
    pub virtual_time: bool,
    /// Files that a simulated head is made from: name and content.
    pub files: Vec<(String, Vec<u8>)>,
    /// Which client controls it, where several can.
    pub control: Option<WireControl>,
}

/// A simulated head as its address names it; any number of heads can be made from it.
#[derive(Clone)]
pub(crate) struct Simulated {
    /// Name and text of its description; none for the built-in head.
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

/// Reads the address of a simulated head: `sim`, `sim:FILE.toml`, either with `?seed=7`. `faults` are
/// further ones, as `--fault` gives them.
pub(crate) fn simulated(address: &str, faults: &[String]) -> Result<Simulated, Error> {
    if address.starts_with("tcp:") || address.starts_with("serial:") {
        return Err(invalid!("`{address}` is no simulated head: write `sim` or `sim:FILE.toml`"));
    }
    let (place, query) =
        address.split_once('?').map_or((address, None), |(place, query)| (place, Some(query)));
    let (mut seed, mut memory) = (None, None);
    for pair in query.into_iter().flat_map(|query| query.split('&')) {
        match pair.split_once('=') {
            Some(("seed", value)) => {
                let read = value.parse().map_err(|_| {
                    invalid!("`{address}`: the seed must be a whole number from 0, not `{value}`")
                })?;
                seed = Some(read);
            }
            Some(("memory", file)) if !file.is_empty() => memory = Some(PathBuf::from(file)),
            _ => {
                return Err(invalid!(
                    "`{address}`: a simulated head takes `seed=NUMBER` and `memory=FILE`, \
                     not `{pair}`"
                ));
            }
        }
    }
    let description = match place.strip_prefix("sim:") {
        Some(file) => Some((file.to_string(), read_text(Path::new(file))?)),
        None if place == "sim" => None,
        None if place == "replay" || place.starts_with("replay:") => {
            return Err(invalid!(
                "`{address}` plays one recording, and simulated heads are asked for here: \
                 replay it with `spintrue run SCRIPT --head {address}`"
            ));
        }
        None => {
            return Err(invalid!(
                "unknown head address `{address}`: write `sim`, `sim:FILE.toml`, `replay:FILE`, \
                 `tcp://HOST:PORT` or `serial://DEVICE`"
            ));
        }
    };
    Ok(Simulated { description, seed, faults: faults.to_vec(), memory, serial: None })
}

impl Simulated {
    /// Its address, without its seed.
    pub(crate) fn address(&self) -> String {
        let description = self.description.as_ref().map(|(name, _)| format!(":{name}"));
        let memory = self.memory.as_ref().map(|path| format!("?memory={}", path.display()));
        format!("sim{}{}", description.unwrap_or_default(), memory.unwrap_or_default())
    }

    /// Makes the head for a seed.
    pub(crate) fn make(&self, seed: u64) -> Result<Opened, Error> {
        let faults = self.faults.as_slice();
        let text = self.description.as_ref().map(|(name, text)| (name.as_str(), text.as_str()));
        let (mut head, gauge) = open_with(text, seed, faults).map_err(|errors| {
            let of = |option: &&String| errors.iter().any(|error| error.file == **option);
            let wrong = faults.iter().filter(of).map(|option| ("--fault", option.as_str()));
            let mut wrong: Vec<(&str, &str)> = wrong.collect();
            if wrong.is_empty() {
                wrong.push(text.unwrap_or(("sim", "")));
            }
            config_errors(&wrong, &errors)
        })?;
        if let Some(serial) = &self.serial
            && !has_serial(text.map_or("", |(_, text)| text))
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
        let (medium, faults) = (Some(head.medium()), head.faults());
        let injector = Box::new(head.injector());
        let rig = Rig::new(Box::new(head), Some(Box::new(gauge))).with_injector(injector);
        Ok(Opened { faults, medium, seed, files, ..plain(Box::new(rig), true, true) })
    }
}

/// Opens the head at an address, with faults as `--fault` gives them.
pub(super) fn open(address: &str, seed: Option<u64>, faults: &[String]) -> Result<Opened, Error> {
    let option = seed.map(|_| "--seed").or((!faults.is_empty()).then_some("--fault"));
    if let Some(file) = address.strip_prefix("replay:") {
        if let Some(option) = option {
            return Err(invalid!(
                "`{option}` needs a simulated head, and `{address}` plays a recording: what \
                 happened then is in it; leave `{option}` out"
            ));
        }
        return recording::open(file);
    }
    if let Some((place, secret)) = wired(address)? {
        if option.is_some() {
            return Err(invalid!(
                "the head at `{address}` belongs to its server: give `--seed` and `--fault` \
                 to `spintrue serve`"
            ));
        }
        return open_wired(place, secret, Arc::default());
    }
    let simulated = simulated(address, faults)?;
    if let (Some(one), Some(other)) = (seed, simulated.seed)
        && one != other
    {
        return Err(invalid!("`--seed {one}` and the address `{address}` ask for two seeds"));
    }
    simulated.make(seed.or(simulated.seed).unwrap_or(1))
}

/// Whether a head is elsewhere and not made from a description.
pub(crate) fn is_elsewhere(address: &str) -> bool {
    address.starts_with("tcp://") || address.starts_with("serial://")
}

/// A place on a wire: `tcp://HOST:PORT` or `serial:///dev/…?baud=…`, either with
/// `secret-file=FILE` behind the question mark, and that secret; none where the address is another
/// kind of head.
pub(crate) fn wired(address: &str) -> Result<Option<(WirePlace, Option<String>)>, Error> {
    let (is_serial, rest) = match address.split_once("://") {
        Some(("tcp", rest)) => (false, rest),
        Some(("serial", rest)) => (true, rest),
        _ => return Ok(None),
    };
    let (place, query) = rest.split_once('?').unwrap_or((rest, ""));
    let (mut secret, mut baud) = (None, DEFAULT_BAUD);
    for pair in query.split('&').filter(|pair| !pair.is_empty()) {
        match pair.split_once('=') {
            Some(("secret-file", file)) => secret = Some(secret_in(Path::new(file))?),
            Some(("baud", rate)) if is_serial && rate.parse::<u32>().is_ok_and(|rate| rate > 0) => {
                baud = rate.parse().unwrap_or(DEFAULT_BAUD);
            }
            _ => {
                let known =
                    if is_serial { "baud=RATE or secret-file=FILE" } else { "secret-file=FILE" };
                return Err(invalid!("`{address}`: behind `?` stands {known}, not `{pair}`"));
            }
        }
    }
    let has_port = place.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok());
    let device = place.to_string();
    match is_serial {
        true if place.is_empty() => Err(invalid!(
            "`{address}`: write `serial://DEVICE`, such as serial:///dev/ttyUSB0?baud=115200"
        )),
        true => Ok(Some((WirePlace::Serial(SerialLine { device, baud }), secret))),
        false if has_port => Ok(Some((WirePlace::Socket(device), secret))),
        false => {
            Err(invalid!("`{address}`: write `tcp://HOST:PORT`, such as tcp://127.0.0.1:5025"))
        }
    }
}

/// Opens the head at an address for which [`is_elsewhere`] holds; `stop` ends its waits early.
pub(crate) fn open_elsewhere(address: &str, stop: Arc<AtomicBool>) -> Result<Opened, Error> {
    match wired(address)? {
        Some((place, secret)) => open_wired(place, secret, stop),
        None => open(address, None, &[]),
    }
}

/// Opens the head at the other end of a wire.
fn open_wired(
    place: WirePlace,
    secret: Option<String>,
    stop: Arc<AtomicBool>,
) -> Result<Opened, Error> {
    let cut = Arc::new(AtomicBool::new(false));
    let target = WireTarget { place, secret, stop: Arc::clone(&stop), cut: Arc::clone(&cut) };
    let opened = connect(target).map_err(Error::Unreachable)?;
    let seed = opened.seed.unwrap_or(1);
    let known = plain(Box::new(opened.link), true, opened.is_virtual);
    Ok(Opened { seed, stop, cut, control: Some(opened.control), ..known })
}

/// A head of which nothing else is known.
pub(super) fn plain(link: Box<dyn Link>, has_gauge: bool, virtual_time: bool) -> Opened {
    Opened {
        gauge_file: None,
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

/// The secret on the first line of a file. No error shows it.
pub(crate) fn secret_in(file: &Path) -> Result<String, Error> {
    let text = read_text(file)?;
    let secret = text.lines().next().unwrap_or("").trim();
    let shown = file.display();
    Secret::new(secret).map_err(|why| invalid!("{shown}, the first line: {why}"))?;
    Ok(secret.to_string())
}

/// The errors of texts, each with its name, as reports that point into them. A fault is its own text and
/// the source of its errors.
pub(super) fn config_errors(texts: &[(&str, &str)], errors: &[ConfigError]) -> Error {
    let mut sources = SourceMap::new();
    let mut reports = Vec::new();
    for (name, text) in texts {
        let source = sources.add(*name, *text);
        let of = |error: &&ConfigError| *name != "--fault" || error.file == *text;
        reports.extend(errors.iter().filter(of).map(|error| {
            let span = Span::new(source, error.span.start, error.span.end);
            let report = Diagnostic::error(BAD_HEAD_DESCRIPTION, error.message.clone(), span);
            error.help.iter().fold(report, |report, help| report.help(help.clone()))
        }));
    }
    Error::reports(reports, &sources)
}
