//! Where the images come from that a script exposes, and what reads scans of charts among them: the station is given
//! them, since it touches no files.

use spintrue_head::{Bitmap, Reading};
use std::rc::Rc;
use std::sync::Arc;

/// What a chart is made for.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartFacts {
    /// Model of the head.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// Facets of its polygon.
    pub facets: u32,
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Dots in a line.
    pub dots: u32,
    /// Length of the line in m.
    pub length: f64,
    /// From line to line in m.
    pub pitch: f64,
}

/// What is known of an image before a script runs.
#[derive(Clone, Debug, Default)]
pub struct ImageFact {
    /// Dots and lines.
    pub size: (u32, u32),
    /// What it is made for, where the script reads scans of it.
    pub chart: Option<Rc<ChartFacts>>,
}

/// Why there is no chart where a program has nothing that reads them.
pub(crate) fn no_charts(path: &str) -> String {
    format!("{path} cannot be read: there are no charts here")
}

/// Gives images by their names. Without more there are no charts among them.
pub trait Images {
    /// The image of a name as a script says it; or why there is none, with the name.
    fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String>;

    /// What the chart of a name is made for; or why it is none, with the name.
    fn chart(&mut self, name: &str) -> Result<ChartFacts, String> {
        Err(no_charts(name))
    }

    /// The chart of a name was exposed. What goes wrong here ends the script.
    fn exposed(&mut self, name: &str) -> Result<(), String> {
        let _ = name;
        Ok(())
    }

    /// What a scan in a file tells of the chart of a name: a reading of every facet. Or why it tells nothing.
    fn read_chart(&mut self, name: &str, scan: &str) -> Result<Vec<Reading>, String> {
        let _ = scan;
        Err(no_charts(name))
    }
}
