//! Options that several commands share, each declared once.

use crate::disk::{Disk, Force};
use crate::error::{Error, invalid};
use crate::project::head_at;
use crate::record::{FOUND_NAMES, PrivateKey};
use crate::setup::fixture::Fixtures;
use crate::setup::operator::is_attended;
use clap::{ArgGroup, Args};
use spintrue_head::{Dimension, is_hidden, parse_quantity};
use spintrue_language::{Diagnostic, Effect, GaugeFile, Given, Prepared};
use std::path::PathBuf;

// The head that a command uses.
#[derive(Args)]
pub(crate) struct HeadOption {
    /// Address of the head, or its name in spintrue.toml
    #[arg(long, value_name = "ADDRESS", default_value = "sim", value_parser = head_at)]
    pub head: String,
}

// Fault injection.
#[derive(Args, Default)]
pub(crate) struct Faults {
    /// Inject a fault into the simulated head, such as lock_lost@12s, "stuck_trim(facet=3)@0s" or
    /// "interlock_opened@line 7"; without `@` from the start. May be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    pub faults: Vec<String>,
}

// What surrounds a head, and what a simulated one is made of.
#[derive(Args, Default)]
pub(crate) struct Surroundings {
    #[command(flatten)]
    pub fixtures: Fixtures,
    /// Seed of a simulated head: the same seed gives the same run [default: 1]
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    #[command(flatten)]
    pub faults: Faults,
}

// Values of params.
#[derive(Args)]
pub(crate) struct Settings {
    /// Set a param, such as speed=5000rpm, or many from a data sheet: @FILE.toml. May be repeated
    #[arg(long = "set", value_name = "NAME=VALUE")]
    pub settings: Vec<String>,
}

// Answers to the questions of a script.
#[derive(Args)]
pub(crate) struct Answers {
    /// Answer the questions of the script from a file with lines `"question" = "answer"`
    #[arg(long = "answers", value_name = "FILE.toml")]
    pub file: Option<String>,
}

impl Answers {
    /// Reads the answers to a script's questions. None where an operator at the terminal is asked,
    /// which `terminal` allows.
    pub(crate) fn read(
        &self,
        prepared: &mut Prepared,
        terminal: bool,
    ) -> Result<Option<Given>, Vec<Diagnostic>> {
        match &self.file {
            Some(path) => prepared.answers(&mut Disk, path).map(Some),
            None if terminal && is_attended() => Ok(None),
            None => {
                let or = if terminal { "; or run the script at a terminal" } else { "" };
                prepared.unanswerable(or).map_or(Ok(None), |refused| Err(vec![refused]))
            }
        }
    }
}

/// Effects that are allowed, all in one argument.
pub(crate) type Effects = Vec<Effect>;

// A limit on what a script may do to the head.
#[derive(Args)]
pub(crate) struct Allow {
    /// Allow only these effects on the head, such as reads,spins,emits; a script that needs more is
    /// refused before anything moves. Without this option all are allowed, except that storing on a
    /// real head needs an operator at the terminal
    #[arg(long = "allow", value_name = "EFFECTS", value_parser = effects)]
    pub effects: Option<Effects>,
}

fn effects(list: &str) -> Result<Effects, Error> {
    let words = list.split(',').map(str::trim).filter(|word| !word.is_empty());
    let effects = words.map(|word| {
        Effect::named(word).ok_or_else(|| {
            let known: Vec<&str> = Effect::ALL.into_iter().map(Effect::text).collect();
            invalid!("there is no effect `{word}`; known are {}", known.join(", "))
        })
    });
    effects.collect()
}

// A limit on how long a script may take.
#[derive(Args)]
pub(crate) struct AtMost {
    /// Refuse a script that could take longer than this, such as 5min, before anything moves. Computing is
    /// not counted then: on a head whose time passes by itself, a run that takes longer is stopped
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub at_most: Option<f64>,
}

// Both limits.
#[derive(Args)]
pub(crate) struct Limits {
    #[command(flatten)]
    pub allow: Allow,
    #[command(flatten)]
    pub longest: AtMost,
}

// The archive that a run goes to; a command with this has `--record` as well.
#[derive(Args)]
#[command(group(ArgGroup::new("kept").args(["record", "archive"]).multiple(true)))]
pub(crate) struct Archiving {
    /// Store the run in an archive, created where there is none: a file, such as station.sqlite, or
    /// postgres://USER@HOST/DATABASE with the password in PGPASSWORD (see `spintrue docs history`)
    #[arg(long, value_name = "ARCHIVE")]
    pub archive: Option<PathBuf>,
    /// Name of the operator, for the record and the archive
    #[arg(long, value_name = "NAME", requires = "kept")]
    pub operator: Option<String>,
    /// What else takes part, for the record and the archive, such as station=S3, fixture=F-12 or
    /// gauge=G-7. May be repeated
    #[arg(long, value_name = "NAME=VALUE", requires = "kept", value_parser = named)]
    pub identity: Vec<(String, String)>,
    /// Test a head again that was tested before, for this reason; the table `retest` of a data sheet may
    /// limit how often, by whom and after what
    #[arg(long, value_name = "REASON", requires = "kept", value_parser = reason)]
    pub retest: Option<String>,
    /// Sign the record with this private key for Ed25519 (see `spintrue docs records`)
    #[arg(long, value_name = "KEY.pem", requires = "record")]
    pub sign: Option<PathBuf>,
}

impl Archiving {
    /// What takes part by its name, each name once, with the gauge by its file. A study of the gauge holds at
    /// its station.
    pub(crate) fn named(&self, gauge: Option<&GaugeFile>) -> Result<Vec<(String, String)>, Error> {
        self.named_at(None, gauge)
    }

    /// The same at a station.
    pub(crate) fn named_at(
        &self,
        station: Option<&str>,
        gauge: Option<&GaugeFile>,
    ) -> Result<Vec<(String, String)>, Error> {
        let mut named: Vec<(String, String)> = Vec::new();
        let station = station.map(|name| ("station".to_string(), name.to_string()));
        let identity = || self.identity.iter().chain(&station);
        let given = |name: &str| identity().find(|(given, _)| given == name);
        for (name, value) in identity() {
            if named.iter().any(|(known, _)| known == name) {
                return Err(invalid!("`--identity {name}=...` is given twice: leave one out"));
            }
            named.push((name.clone(), value.clone()));
        }
        let Some(gauge) = gauge else { return Ok(named) };
        let own = [("gauge", &gauge.id), ("gauge_certificate", &gauge.certificate)];
        for (name, value) in own {
            match given(name) {
                Some((_, other)) if other != value => {
                    return Err(invalid!(
                        "`--identity {name}={other}`, but the file of the gauge says {value}: leave the \
                         option out, or give the file of the gauge that stands here"
                    ));
                }
                Some(_) => {}
                None => named.push((name.to_string(), value.clone())),
            }
        }
        if let (Some(study), Some((_, station))) = (&gauge.study, given("station"))
            && study.station != *station
        {
            return Err(invalid!(
                "the study in the file of gauge {} was made at station {}, and this is {station}: study the \
                 gauge where it stands, and keep that study in a file for this station",
                gauge.id,
                study.station
            ));
        }
        Ok(named)
    }

    /// The key that signs records.
    pub(crate) fn key(&self) -> Result<Option<PrivateKey>, Error> {
        self.sign.as_deref().map(PrivateKey::read).transpose()
    }
}

/// Names that other options give.
const OPTIONS: [(&str, &str); 2] = [("operator", "--operator"), ("reason", "--retest")];

/// Longest name and value in characters.
const MAX_NAMED: usize = 200;

fn reason(text: &str) -> Result<String, Error> {
    if text.trim().is_empty() || text.contains(is_hidden) || text.chars().count() > MAX_NAMED {
        return Err(invalid!("write the reason in up to {MAX_NAMED} visible characters"));
    }
    Ok(text.trim().to_string())
}

/// Reads a name and its value.
pub(crate) fn named(text: &str) -> Result<(String, String), Error> {
    let Some((name, value)) = text.split_once('=') else {
        return Err(invalid!("write a name and its value, such as station=S3"));
    };
    let is_word = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    if name.is_empty() || !name.chars().all(is_word) {
        return Err(invalid!(
            "a name has small letters from a to z, digits and `_` only: `{name}` has not"
        ));
    }
    if FOUND_NAMES.contains(&name) || name == "attempt" {
        return Err(invalid!("`{name}` is found out by spintrue itself: use another name"));
    }
    if let Some((_, option)) = OPTIONS.into_iter().find(|(known, _)| *known == name) {
        return Err(invalid!("`{name}` has an option of its own: `{option} {value}`"));
    }
    if value.trim() != value || value.is_empty() || value.contains(is_hidden) {
        return Err(invalid!(
            "the value of `{name}` is empty, or has blanks around it or invisible characters"
        ));
    }
    if name.len().max(value.chars().count()) > MAX_NAMED {
        return Err(invalid!("`{name}` or its value is longer than {MAX_NAMED} characters"));
    }
    Ok((name.to_string(), value.to_string()))
}

// A recording of every call.
#[derive(Args)]
pub(crate) struct Recording {
    /// Record every call of the head and its reply in a file;
    /// `--head replay:FILE` plays it back (see `spintrue docs recordings`)
    #[arg(long, value_name = "FILE")]
    pub trace: Option<PathBuf>,
    #[command(flatten)]
    pub force: Force,
}

/// Reads a time in s, as `--at-most` and others take it.
pub(crate) fn time(text: &str) -> Result<f64, Error> {
    let (value, unit) = parse_quantity(text).map_err(|error| invalid!("{error}"))?;
    let example = "give a time, such as `5min` or `90 s`";
    let Some(unit) = unit else { return Err(invalid!("a bare number is no time: {example}")) };
    if unit.dimension != Dimension::TIME {
        return Err(invalid!("this is {}, not time: {example}", unit.dimension.name(&[])));
    }
    if value < 0.0 {
        return Err(invalid!("a time is not negative: {example}"));
    }
    Ok(value)
}

/// Reads a positive quantity of a dimension, in SI.
pub(crate) fn positive(text: &str, dimension: Dimension, example: &str) -> Result<f64, Error> {
    match parse_quantity(text) {
        Ok((value, Some(unit))) if unit.dimension == dimension && value > 0.0 => Ok(value),
        Ok(_) => {
            let kind = dimension.name(&[]);
            Err(invalid!("this is no positive {kind}: write it like `{example}`"))
        }
        Err(error) => Err(invalid!("{error}")),
    }
}

/// Reads a length.
pub(crate) fn length(text: &str) -> Result<f64, Error> {
    positive(text, Dimension::LENGTH, "250 mm")
}

/// Reads a length that may be zero.
pub(crate) fn length_or_zero(text: &str) -> Result<f64, Error> {
    match parse_quantity(text) {
        Ok((0.0, _)) => Ok(0.0),
        _ => length(text),
    }
}

#[cfg(test)]
mod tests {
    use super::time;

    #[test]
    fn a_limit_is_a_time() {
        assert_eq!(time("5min").unwrap(), 300.0);
        assert_eq!(time("90 s").unwrap(), 90.0);
        let wrong = |text| time(text).unwrap_err().to_string();
        assert!(wrong("5mm").contains("length"));
        assert!(wrong("5").contains("bare number"));
        assert!(wrong("-1 s").contains("negative"));
        assert!(time("soon").is_err());
    }
}
