//! Images that a script exposes, and scans of charts among them that it reads. The trims in force are remembered with
//! each chart.

use crate::images::{ChartFacts, Images, no_charts};
use crate::station::{Outcome, Station, StationError};
use spintrue_head::{Bitmap, Calls, ExposedPage, Fault, PageOrder, Reading, Trim};
use std::sync::Arc;

impl Station {
    /// Sets where images come from; without this there are none.
    pub fn set_images(&mut self, images: Box<dyn Images>) {
        self.images = Some(images);
    }

    /// The image of a name; or why there is none.
    pub fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        let none = || format!("{name} cannot be read: there are no images here");
        self.images.as_mut().ok_or_else(none)?.image(name)
    }

    /// What the chart of a name is made for; or why it is none.
    pub(crate) fn chart(&mut self, name: &str) -> Result<ChartFacts, String> {
        self.images.as_mut().ok_or_else(|| no_charts(name))?.chart(name)
    }

    /// Exposes the chart of a name.
    pub(crate) fn expose_chart(&mut self, name: &str, page: &PageOrder) -> Outcome<ExposedPage> {
        let trims = self.read_trims_in_force()?.unwrap_or_default().to_vec();
        let exposed = self.expose_page(page)?;
        self.charts.insert(name.to_string(), trims);
        if let Some(images) = &mut self.images {
            images.exposed(name).map_err(Fault::Refused)?;
        }
        Ok(exposed)
    }

    /// The trims that were in force when the chart of a name was exposed last; none where that is not known.
    pub(crate) fn trims_of_chart(&self, name: &str) -> Vec<Trim> {
        self.charts.get(name).cloned().unwrap_or_default()
    }

    /// A reading of each facet, by a scan of the chart of a name. Refused while armed, since lock and interlock are
    /// not looked at meanwhile.
    pub(crate) fn read_chart(&mut self, name: &str, scan: &str) -> Outcome<Vec<Reading>> {
        self.go_on()?;
        if self.armed {
            return Err(Fault::armed("reading a scan").into());
        }
        let images = self.images.as_mut().ok_or_else(|| no_charts(name));
        let readings = images.and_then(|images| images.read_chart(name, scan));
        self.go_on()?;
        readings.map_err(StationError::NoScan)
    }
}
