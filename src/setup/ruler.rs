//! `--ruler`: the certificate of a ruler that lies on a scanner beside a chart.

use crate::disk::read_text;
use crate::error::{Error, invalid};
use crate::setup::address::config_errors;
use crate::setup::gauge::date;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use spintrue_chart::Ruler;
use spintrue_head::Dimension;
use spintrue_sim::{TomlReader, read_description};
use std::path::Path;
use toml::de::DeTable;

/// Reads a file of a ruler; its certificate must be in force today.
pub(crate) fn read_ruler(path: &Path) -> Result<Ruler, Error> {
    let text = read_text(path)?;
    let name = path.display().to_string();
    let read = read_description(&text, &DeTable::new(), &["ruler"], ruler);
    let read = read.map_err(|errors| config_errors(&[(&name, &text)], &errors))?;
    let (ruler, due) = read.ok_or_else(|| invalid!("{name}: this is no file of a ruler"))?;
    if due < TimeZone::UTC.to_datetime(Timestamp::now()).date() {
        return Err(invalid!("{name}: the calibration of this ruler was due on {due}"));
    }
    ruler.check().map_err(|error| invalid!("{name}: {error}"))?;
    Ok(ruler)
}

fn ruler(reader: &TomlReader<'_, '_>) -> Option<(Ruler, Date)> {
    let table = reader.table("ruler");
    table.needs(&["id", "certificate", "due", "marks", "mark_u", "slope_u"]);
    let named = (table.text("id"), table.text("certificate"));
    let due = date(&table, "due");
    let marks = table.quantities("marks", Dimension::LENGTH, -10.0..=10.0, None);
    let mark_u = table.quantity("mark_u", Dimension::LENGTH, 0.0..=1e-3);
    let slope_u = table.quantity("slope_u", Dimension::NUMBER, 0.0..=0.1);
    table.finish();
    let _ = (named.0?, named.1?);
    Some((Ruler { marks: marks?, mark_u: mark_u?, slope_u: slope_u? }, due?))
}
