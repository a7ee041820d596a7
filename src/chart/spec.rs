//! What a chart is made for: all that its geometry follows from, kept in the image's own header.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// The word before a specification in the header of a chart's image.
const MAGIC: &str = "# spintrue chart 1 ";

/// Longest header that is looked through, in bytes.
const MAX_HEADER: usize = 16 << 10;

/// What a chart is made for. The same specification makes the same chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spec {
    /// Model of the head.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// Facets of its polygon.
    pub facets: u32,
    /// The facet that draws the first line of the image: 0 where the head starts at its index.
    pub first_facet: u32,
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Dots in a line.
    pub dots: u32,
    /// Lines of the image.
    pub lines: u32,
    /// From dot to dot in m.
    pub in_scan_pitch: f64,
    /// From line to line in m.
    pub cross_scan_pitch: f64,
    /// Places along the line at which marks lie.
    pub places: u32,
    /// How far in m facets may lie off their place, either way.
    pub reach: f64,
    /// Width in m of the empty strip for a ruler; 0 without one.
    pub ruler_space: f64,
    /// The trims in force, in words.
    pub trims: String,
    /// When it is exposed, in words.
    pub date: String,
}

impl Spec {
    /// The planned length of the line in m.
    pub fn length(&self) -> f64 {
        f64::from(self.dots) * self.in_scan_pitch
    }

    /// The extent of the image across the lines in m.
    pub fn height(&self) -> f64 {
        f64::from(self.lines) * self.cross_scan_pitch
    }

    /// The facet that draws a line of the image.
    pub fn facet(&self, line: u32) -> u32 {
        let n = self.facets.max(1);
        (self.first_facet % n + line % n) % n
    }

    /// The comment that holds it, with a line feed.
    pub(crate) fn header(&self) -> String {
        format!("{MAGIC}{}\n", self.text())
    }

    fn text(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// SHA-256 of it: what places lines and dashes by chance, and names the chart.
    pub(crate) fn digest(&self) -> [u8; 32] {
        Sha256::digest(self.text().as_bytes()).into()
    }

    /// The chart's name: the first 32 bits of the digest.
    pub fn code(&self) -> u32 {
        let [a, b, c, d, ..] = self.digest();
        u32::from_be_bytes([a, b, c, d])
    }

    /// Reads it from the beginning of a chart's image.
    pub(crate) fn of_image(bytes: &[u8]) -> Option<Result<Spec, serde_json::Error>> {
        let start = bytes.get(..bytes.len().min(MAX_HEADER))?;
        let own = start.strip_prefix(b"P4\n")?.strip_prefix(MAGIC.as_bytes())?;
        let end = own.iter().position(|byte| *byte == b'\n')?;
        Some(serde_json::from_slice(own.get(..end)?))
    }
}

#[cfg(test)]
mod tests {
    use crate::layout::tests::spec;

    #[test]
    fn a_specification_is_read_back_from_its_header() {
        let odd = super::Spec { model: "a\n\"b\" µ".into(), ..spec() };
        for spec in [spec(), odd] {
            let image = format!("P4\n{}8 8\n", spec.header());
            assert_eq!(super::Spec::of_image(image.as_bytes()).unwrap().unwrap(), spec);
        }
        assert!(super::Spec::of_image(b"P4\n8 8\n").is_none());
        assert!(super::Spec::of_image(b"P4\n# spintrue chart 1 {}\n").unwrap().is_err());
    }

    #[test]
    fn lines_are_drawn_by_one_facet_after_the_other() {
        let spec = super::Spec { first_facet: 3, ..spec() };
        assert_eq!([0, 1, 6, 7, 17].map(|line| spec.facet(line)), [3, 4, 9, 0, 0]);
    }
}
