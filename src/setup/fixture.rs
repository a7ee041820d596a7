//! `--fixture`: devices around a head, read from files and fitted to the head before it is used, so
//! that records and recordings treat them as part of the head.

use crate::disk::read_text;
use crate::error::{Error, invalid};
use crate::modbus::{Device, Modbus};
use crate::setup::address::{Opened, config_errors};
use crate::setup::gauge::Certificate;
use crate::terminal::{complain, wrapped};
use clap::Args;
use spintrue_head::{Fitted, Paced};
use spintrue_language::GaugeFile;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

#[derive(Args, Clone, Default)]
pub(crate) struct Fixtures {
    /// Add the signals and channels of a device to the head, such as a door, a clamp or a vacuum
    /// gauge on Modbus/TCP (see `spintrue docs fixtures`). May be repeated
    #[arg(long = "fixture", id = "fixture", value_name = "FILE.toml")]
    files: Vec<PathBuf>,
    /// The certificate of the gauge, and the study of its station (see `spintrue docs gauges`)
    #[arg(long, value_name = "FILE.toml")]
    gauge_file: Option<PathBuf>,
}

// The option where it cannot be used, so that the error can say why.
#[derive(Args)]
pub(crate) struct NoFixtures {
    #[arg(long = "fixture", value_name = "FILE.toml", hide = true)]
    files: Vec<PathBuf>,
}

impl NoFixtures {
    pub(crate) fn check(&self) -> Result<(), Error> {
        if self.files.is_empty() {
            return Ok(());
        }
        Err(invalid!(
            "many simulated heads are run here, and a fixture is one real device: write its signals \
             and channels into the description of the simulated head, or try one head with \
             `spintrue run SCRIPT --fixture FILE.toml`"
        ))
    }
}

/// Fixtures that were read, and are not connected yet.
#[derive(Default)]
pub(crate) struct OpenFixtures {
    devices: Vec<(PathBuf, Device)>,
    gauge: Option<Certificate>,
}

impl Fixtures {
    /// Those of files that are named elsewhere than on the command line.
    pub(crate) fn of(files: Vec<PathBuf>, gauge_file: Option<PathBuf>) -> Fixtures {
        Fixtures { files, gauge_file }
    }

    /// The files, as they were named, each with its option.
    pub(crate) fn paths(&self) -> impl Iterator<Item = (&'static str, &PathBuf)> {
        let fixtures = self.files.iter().map(|path| ("--fixture", path));
        fixtures.chain(self.gauge_file.iter().map(|path| ("--gauge-file", path)))
    }

    /// The files with their texts, as far as they can be read.
    pub(crate) fn texts(&self) -> impl Iterator<Item = (String, Vec<u8>)> {
        let read =
            |path: &PathBuf| Some((path.display().to_string(), read_text(path).ok()?.into()));
        self.paths().filter_map(move |(_, path)| read(path))
    }

    /// Reads the files.
    pub(crate) fn read(&self) -> Result<OpenFixtures, Error> {
        let read = |path: &PathBuf| {
            let text = read_text(path)?;
            let name = path.display().to_string();
            let wrong = |errors: Vec<_>| config_errors(&[(&name, &text)], &errors);
            Ok((path.clone(), Device::read(&text).map_err(wrong)?))
        };
        let devices = self.files.iter().map(read).collect::<Result<_, Error>>()?;
        let gauge = self.gauge_file.as_deref().map(Certificate::read).transpose()?;
        Ok(OpenFixtures { devices, gauge })
    }
}

impl OpenFixtures {
    /// What the file of the gauge says.
    pub(crate) fn gauge(&self) -> Option<&GaugeFile> {
        self.gauge.as_ref().map(|gauge| &gauge.file)
    }

    /// Fits them to a head that is only asked what it is: nothing is connected.
    pub(crate) fn described(&self, opened: Opened) -> Result<Opened, Error> {
        let paced = self.are_waited_for(&opened);
        self.fitted(opened, paced, &Arc::default())
    }

    /// Fits them to a head that is to be used. With fixtures, or where `is_realtime` asks for it, the
    /// time of a simulated head passes as on a bench, until `stop` ends a wait.
    pub(crate) fn fit(
        &self,
        opened: Opened,
        is_realtime: bool,
        stop: &Arc<AtomicBool>,
    ) -> Result<Opened, Error> {
        let by_fixture = self.are_waited_for(&opened);
        let fitted = self.fitted(opened, is_realtime || by_fixture, stop)?;
        if by_fixture && !is_realtime {
            let note = "a fixture is real, so the time of this simulated head passes as on a bench";
            complain(&wrapped(note, ""));
        }
        Ok(fitted)
    }

    /// Whether they would not keep pace with the head.
    fn are_waited_for(&self, opened: &Opened) -> bool {
        !self.devices.is_empty() && opened.virtual_time
    }

    fn fitted(
        &self,
        mut opened: Opened,
        paced: bool,
        stop: &Arc<AtomicBool>,
    ) -> Result<Opened, Error> {
        if let (Some((path, _)), Some(_)) = (self.devices.first(), &opened.replay) {
            return Err(invalid!(
                "a recording holds what its fixtures answered, so its replay takes none: leave \
                 `--fixture {}` out",
                path.display()
            ));
        }
        if paced {
            opened.link = Box::new(Paced::new(opened.link, Arc::clone(stop)));
            opened.virtual_time = false;
        }
        for (path, device) in &self.devices {
            let fixture = Box::new(Modbus::new(device.clone()));
            let fitted = Fitted::fit(opened.link, fixture);
            let fitted = fitted.map_err(|why| invalid!("{}: {why}", path.display()))?;
            opened.link = Box::new(fitted);
        }
        if let Some(gauge) = &self.gauge {
            opened.link = gauge.over(opened.link);
            opened.gauge_file = self.gauge().cloned();
        }
        Ok(opened)
    }
}
