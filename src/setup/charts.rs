//! The images of a running script, and the scans of charts among them.

use crate::disk::{Disk, resolve};
use crate::error::Error;
use crate::record::ScannedSheets;
use crate::setup::scans::{Pictures, read_layout, read_sheet};
use spintrue_chart::Ruler;
use spintrue_head::{Bitmap, Reading};
use spintrue_language::{ChartFacts, Files, Images, read_image};
use std::cell::OnceCell;
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

/// Images that are kept for the next `expose`.
const MAX_CACHED_IMAGES: usize = 4;

/// An image, and what it is a chart for, once that was asked; or why it is none.
type Known = (Arc<Bitmap>, OnceCell<Result<ChartFacts, String>>);

/// Images as a script names them, each read once, and scans of its charts.
pub(super) struct ScriptImages {
    script: String,
    /// Scans that were read.
    pub scanned: ScannedSheets,
    /// A ruler that lies on every sheet.
    pub ruler: Option<Ruler>,
    /// What draws the charts that a simulated head exposes.
    pub pictures: Option<Pictures>,
    /// Charts that were exposed.
    exposed: u32,
    known: HashMap<String, Known>,
}

impl ScriptImages {
    pub(super) fn new(script: &str, scanned: &ScannedSheets) -> ScriptImages {
        ScriptImages {
            script: script.to_string(),
            scanned: scanned.clone(),
            ruler: None,
            pictures: None,
            exposed: 0,
            known: HashMap::new(),
        }
    }

    fn read(&self, name: &str, scan: &Path) -> Result<Vec<Reading>, Error> {
        let layout = read_layout(&resolve(Some(&self.script), name))?;
        let by = (&layout, self.ruler.as_ref());
        let (_, looks) =
            read_sheet(name, by, scan, &self.scanned, |sheet| vec![sheet.reading.clone()])?;
        Ok(looks.into_iter().next().unwrap_or_default())
    }
}

impl Images for ScriptImages {
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        if let Some((known, _)) = self.known.get(name) {
            return Ok(Arc::clone(known));
        }
        let image = Arc::new(read_image(&mut Disk, &self.script, name)?);
        if self.known.len() >= MAX_CACHED_IMAGES {
            self.known.clear();
        }
        self.known.insert(name.to_string(), (Arc::clone(&image), OnceCell::new()));
        Ok(image)
    }

    fn chart(&mut self, name: &str) -> Result<ChartFacts, String> {
        let read = || Ok(Disk.chart(&self.script, name)?);
        match self.known.get(name) {
            Some((_, chart)) => chart.get_or_init(read).clone(),
            None => read(),
        }
    }

    fn exposed(&mut self, _name: &str) -> Result<(), String> {
        self.exposed += 1;
        let name = format!("chart-{}", self.exposed);
        let pictures = self.pictures.as_ref();
        pictures.map_or(Ok(()), |pictures| pictures.write(&name)).map_err(|error| error.to_string())
    }

    fn read_chart(&mut self, name: &str, scan: &str) -> Result<Vec<Reading>, String> {
        self.read(name, Path::new(scan)).map_err(|error| error.to_string())
    }
}
