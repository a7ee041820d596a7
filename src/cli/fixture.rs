//! `--fixture`: what stands around a head, read from files and fitted to the head before anybody uses
//! it, so that records and recordings hear of it as of the head itself.

use crate::cli::address::{Opened, config_report};
use crate::cli::files::read_text;
use crate::head::fixture::Fitted;
use crate::head::fixture::modbus::{Device, Modbus};
use crate::head::realtime::Paced;
use crate::terminal::{complain, wrapped};
use clap::Args;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

#[derive(Args)]
pub(super) struct Fixtures {
    /// Fits the signals and channels of a device to the head, such as a door, a clamp or a vacuum
    /// gauge behind Modbus/TCP (see docs/fixtures.md); may be repeated
    #[arg(long = "fixture", value_name = "FILE.toml")]
    files: Vec<PathBuf>,
}

/// Where no fixture can be: the option is known, to say why.
#[derive(Args)]
pub(super) struct NoFixtures {
    #[arg(long = "fixture", value_name = "FILE.toml", hide = true)]
    files: Vec<PathBuf>,
}

impl NoFixtures {
    /// Fails with what is to be printed.
    pub(super) fn refuse(&self) -> Result<(), String> {
        if self.files.is_empty() {
            return Ok(());
        }
        Err("error: many simulated heads are run here, and a fixture is one real device: write its \
             signals and channels into the description of the simulated head, or try one head with \
             `spintrue run SCRIPT --fixture FILE.toml`"
            .to_string())
    }
}

/// Fixtures that were read, and to which nothing is connected yet.
pub(super) struct Ready(Vec<(PathBuf, Device)>);

impl Fixtures {
    /// The files, as they were named.
    pub(super) fn paths(&self) -> &[PathBuf] {
        &self.files
    }

    /// The files with what stands in them, as far as they can be read.
    pub(super) fn texts(&self) -> impl Iterator<Item = (String, Vec<u8>)> {
        let read =
            |path: &PathBuf| Some((path.display().to_string(), read_text(path).ok()?.into()));
        self.files.iter().filter_map(read)
    }

    /// Reads the files. Fails with what is to be printed.
    pub(super) fn read(&self) -> Result<Ready, String> {
        let read = |path: &PathBuf| {
            let text = read_text(path).map_err(|why| format!("error: {why}"))?;
            let wrong = |errors: Vec<_>| config_report(&path.display().to_string(), &text, &errors);
            Ok((path.clone(), Device::read(&text).map_err(wrong)?))
        };
        self.files.iter().map(read).collect::<Result<_, String>>().map(Ready)
    }
}

impl Ready {
    /// Fits all of them to a head that is only asked what it is: nothing is connected, and nobody
    /// waits.
    pub(super) fn described(&self, opened: Opened) -> Result<Opened, String> {
        let paced = self.are_waited_for(&opened);
        self.fitted(opened, paced, &Arc::default())
    }

    /// Fits all of them to a head that is to be used. With fixtures, or where `real` asks for it, the
    /// time of a simulated head passes as on the wall, until `stop` ends a wait.
    pub(super) fn fit(
        &self,
        opened: Opened,
        real: bool,
        stop: &Arc<AtomicBool>,
    ) -> Result<Opened, String> {
        let by_fixture = self.are_waited_for(&opened);
        let fitted = self.fitted(opened, real || by_fixture, stop)?;
        if by_fixture && !real {
            let note =
                "a fixture is real, so that the time of this simulated head passes as on a bench";
            complain(&wrapped(note, ""));
        }
        Ok(fitted)
    }

    /// There are some, and they would not keep pace with the head.
    fn are_waited_for(&self, opened: &Opened) -> bool {
        !self.0.is_empty() && opened.virtual_time
    }

    fn fitted(
        &self,
        mut opened: Opened,
        paced: bool,
        stop: &Arc<AtomicBool>,
    ) -> Result<Opened, String> {
        if let (Some((path, _)), Some(_)) = (self.0.first(), &opened.replay) {
            return Err(format!(
                "error: a recording holds what the fixtures said then, so that none can be fitted to \
                 its replay: leave `--fixture {}` out",
                path.display()
            ));
        }
        if paced {
            opened.link = Box::new(Paced::new(opened.link, Arc::clone(stop)));
            opened.virtual_time = false;
        }
        for (path, device) in &self.0 {
            let fixture = Box::new(Modbus::new(device.clone()));
            let fitted = Fitted::fit(opened.link, fixture);
            let fitted = fitted.map_err(|why| format!("error: {}: {why}", path.display()))?;
            opened.link = Box::new(fitted);
        }
        Ok(opened)
    }
}
