//! Charts that a script exposes, and scans of them that it reads. The trims in force are remembered with each.

use crate::images::{ChartFacts, no_charts};
use crate::station::{Outcome, Station, StationError};
use spintrue_head::{Calls, ExposedPage, Fault, PageOrder, Reading, Trim};

impl Station {
    /// What the chart of a name is made for; or why it is none.
    pub(crate) fn chart(&mut self, name: &str) -> Result<ChartFacts, String> {
        self.images.as_mut().ok_or_else(|| no_charts(name))?.chart(name)
    }

    /// Exposes the image of a name.
    pub(crate) fn expose_image(&mut self, name: &str, page: &PageOrder) -> Outcome<ExposedPage> {
        if self.chart(name).is_err() {
            return self.expose_page(page);
        }
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
