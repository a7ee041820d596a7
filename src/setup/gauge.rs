//! `--gauge-file`: the certificate of the gauge, and the study of the station that it stands at.
//!
//! What a certificate states of a gauge counts where the gauge states less of itself. One that is not in force
//! today (by UTC) is refused before anything moves.

use crate::disk::read_text;
use crate::error::{Error, invalid};
use crate::setup::address::config_errors;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use spintrue_head::{Call, Dimension, Fault, Link, Reading, Reply, Stated};
use spintrue_language::{GaugeFile, GaugeStudy};
use spintrue_sim::{TomlReader, TomlTable, read_description};
use std::path::Path;
use toml::de::DeTable;

const TABLES: &[&str] = &["gauge", "along", "across", "study"];

/// Standard uncertainties in m that are plausible of a gauge for lines.
const LENGTHS: core::ops::RangeInclusive<f64> = 0.0..=1e-3;

/// What a file says.
pub(super) struct Certificate {
    /// For the script.
    pub file: GaugeFile,
    /// What does not average out, along and across.
    stated: [Stated; 2],
}

/// Checks that a file of a gauge can be used today.
pub(crate) fn check_gauge_file(path: &Path) -> Result<(), Error> {
    Certificate::read(path).map(|_| ())
}

impl Certificate {
    /// Reads a file; it must be in force today.
    pub(super) fn read(path: &Path) -> Result<Certificate, Error> {
        let text = read_text(path)?;
        let name = path.display().to_string();
        let today = TimeZone::UTC.to_datetime(Timestamp::now()).date();
        let read =
            read_description(&text, &DeTable::new(), TABLES, |reader| certificate(reader, today));
        let read = read.map_err(|errors| config_errors(&[(&name, &text)], &errors))?;
        let (certificate, calibrated, due) =
            read.ok_or_else(|| invalid!("{name}: this is no file of a gauge"))?;
        let id = &certificate.file.id;
        if due < today {
            return Err(invalid!(
                "{name}: the calibration of gauge {id} was due on {due}: have it calibrated, or measure \
                 with another gauge"
            ));
        }
        if calibrated > today {
            return Err(invalid!(
                "{name}: gauge {id} is calibrated on {calibrated}, which is to come"
            ));
        }
        Ok(certificate)
    }

    /// A link whose readings are no surer than the certificate.
    pub(super) fn over(&self, link: Box<dyn Link>) -> Box<dyn Link> {
        Box::new(Certified { link, stated: self.stated })
    }
}

fn certificate(reader: &TomlReader<'_, '_>, today: Date) -> Option<(Certificate, Date, Date)> {
    let gauge = reader.table("gauge");
    gauge.needs(&["id", "certificate", "calibrated", "due"]);
    let (id, certificate) = (gauge.text("id"), gauge.text("certificate"));
    let (calibrated, due) = (date(&gauge, "calibrated"), date(&gauge, "due"));
    let temperature = ["coldest", "warmest"]
        .map(|key| gauge.quantity(key, Dimension::TEMPERATURE, 173.0..=473.0).unwrap_or(f64::NAN));
    if temperature[0] > temperature[1] {
        gauge.complain("coldest", "`gauge.coldest` is above `gauge.warmest`".to_string());
    }
    gauge.finish();
    let along = direction(reader, "along");
    let across = direction(reader, "across");
    let study = reader.has("study").then(|| study(reader, today));
    let file = GaugeFile {
        id: id?,
        certificate: certificate?,
        temperature,
        digits: [along.1, across.1],
        study: study.flatten(),
    };
    Some((Certificate { file, stated: [along.0, across.0] }, calibrated?, due?))
}

pub(super) fn date(table: &TomlTable<'_, '_>, key: &'static str) -> Option<Date> {
    let text = table.text(key)?;
    let read = text.parse().ok();
    if read.is_none() {
        table.complain_with(key, format!("`{text}` is no date"), "write it as \"2026-11-29\"");
    }
    read
}

/// What does not average out, and the digit.
fn direction(reader: &TomlReader<'_, '_>, name: &'static str) -> (Stated, f64) {
    let table = reader.table(name);
    let length = |key| table.quantity(key, Dimension::LENGTH, LENGTHS).unwrap_or(0.0);
    let (offset, place) = (length("offset"), length("place"));
    let slope = table.quantity("slope", Dimension::NUMBER, 0.0..=0.1).unwrap_or(0.0);
    let digit = table.quantity("digit", Dimension::LENGTH, LENGTHS).filter(|digit| *digit > 0.0);
    table.finish();
    // Marks are rounded to it (common practice, no source); where noise dithers it, this is on the safe side.
    let place = place.hypot(digit.unwrap_or(0.0) / 12_f64.sqrt());
    (Stated { random: 0.0, offset, slope, place }, digit.unwrap_or(f64::NAN))
}

fn study(reader: &TomlReader<'_, '_>, today: Date) -> Option<GaugeStudy> {
    let table = reader.table("study");
    table.needs(&["station", "made", "due", "in_scan", "cross_scan"]);
    let (station, made, due) = (table.text("station"), date(&table, "made"), date(&table, "due"));
    let share = |key| table.quantity(key, Dimension::NUMBER, 0.0..=100.0);
    let shares = [share("in_scan"), share("cross_scan")];
    table.accept(&["record"]);
    table.finish();
    let [along, across] = shares;
    Some(GaugeStudy {
        station: station?,
        shares: [along?, across?],
        is_valid: made? <= today && today <= due?,
    })
}

/// A link that lets no reading state less than the certificate does.
struct Certified {
    link: Box<dyn Link>,
    stated: [Stated; 2],
}

fn widen(reading: &mut Stated, certified: Stated) {
    reading.offset = reading.offset.max(certified.offset);
    reading.slope = reading.slope.max(certified.slope);
    reading.place = reading.place.max(certified.place);
}

impl Link for Certified {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let mut reply = self.link.call(call)?;
        if let Reply::Reading(Reading { in_scan_u, cross_scan_u, .. }) = &mut reply {
            let [along, across] = self.stated;
            widen(in_scan_u, along);
            widen(cross_scan_u, across);
        }
        Ok(reply)
    }

    fn now(&mut self) -> f64 {
        self.link.now()
    }
}
