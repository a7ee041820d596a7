//! What the file of a gauge says, as scripts can ask for it.

/// A gauge by its certificate.
#[derive(Clone, Debug, PartialEq)]
pub struct GaugeFile {
    /// Which gauge it is.
    pub id: String,
    /// Number of the certificate.
    pub certificate: String,
    /// Coldest and warmest temperature in K at which it holds; not numbers where it does not say.
    pub temperature: [f64; 2],
    /// Digits along and across in m; not numbers where it does not say.
    pub digits: [f64; 2],
    /// The study of the station, if one was made.
    pub study: Option<GaugeStudy>,
}

/// A gauge study.
#[derive(Clone, Debug, PartialEq)]
pub struct GaugeStudy {
    /// At which station.
    pub station: String,
    /// Share of the tolerance that the gauge takes along and across: the upper ends of what it may be.
    pub shares: [f64; 2],
    /// It was made, and is not due again yet.
    pub is_valid: bool,
}
