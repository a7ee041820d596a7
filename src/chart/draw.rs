//! The chart as a one-bit image in Netpbm's P4 format, which a head can expose.

use crate::error::{ChartError, refuse};
use crate::layout::{Area, BORDER, Layout, TINTS, WORDS};
use crate::spec::Spec;
use core::ops::Range;
use font8x8::UnicodeFonts;

/// Height in m of a character with the space below it.
const LINE: f64 = 2.4e-3;

/// Width in m of a character.
const CHARACTER: f64 = 1.7e-3;

/// Dots of a character each way.
pub(crate) const GLYPH: u32 = 8;

/// Lays out a chart and draws it. The header holds what it is made for.
pub fn draw(layout: &Layout) -> Vec<u8> {
    let spec = &layout.spec;
    let mut canvas = Canvas::new(spec);
    for area in &layout.fiducials {
        canvas.fill(area, |_, _| true);
    }
    for (tint, area) in (1..=TINTS).zip(&layout.patches) {
        canvas.fill(area, |x, y| (x + 3 * y) % TINTS < tint);
    }
    let code = spec.code();
    for (bit, area) in (0..u32::BITS).rev().zip(&layout.bits) {
        if code >> bit & 1 == 1 {
            canvas.fill(area, |_, _| true);
        }
    }
    canvas.words(&words(layout), layout.words);
    for line in &layout.lines {
        let dots = |length: f64| (length / spec.in_scan_pitch).round() as u32;
        canvas.span(line.row, dots(BORDER + 1e-3)..spec.dots - dots(BORDER + 1e-3), true);
        for (place, dashes) in layout.places.iter().zip(&line.dashes) {
            canvas.span(line.row, layout.block(*place), false);
            dashes.iter().for_each(|dash| canvas.span(line.row, dash.clone(), true));
        }
    }
    canvas.bytes
}

/// Reads the specification of a chart from its image, and proves that the image is that chart.
pub fn read_chart(bytes: &[u8]) -> Result<Layout, ChartError> {
    let spec = match Spec::of_image(bytes) {
        Some(Ok(spec)) => spec,
        Some(Err(error)) => {
            return refuse!("its header is damaged: {error}");
        }
        None => {
            return refuse!(
                "it is no chart of spintrue: give the image that `spintrue chart draw` wrote",
            );
        }
    };
    let layout = Layout::new(&spec)?;
    if draw(&layout) == bytes {
        Ok(layout)
    } else {
        refuse!("its dots are not those of its header: it was changed, or drawn by another version")
    }
}

/// What the chart says to people.
fn words(layout: &Layout) -> Vec<String> {
    let spec = &layout.spec;
    let dpi = |pitch: f64| (25.4e-3 / pitch * 10.0).round() / 10.0;
    let rpm = spec.speed * 60.0 / core::f64::consts::TAU;
    vec![
        format!(
            "spintrue chart {:08x}: shows how each facet of a scan head draws its lines. Exposed {}",
            spec.code(),
            spec.date
        ),
        format!(
            "Head {}, serial {}, {} facets. Trims in force: {}",
            spec.model, spec.serial, spec.facets, spec.trims
        ),
        format!(
            "Plan: {:.1} rpm, {} dots in {:.2} mm ({} dpi), {} lines at {} dpi",
            rpm,
            spec.dots,
            spec.length() * 1e3,
            dpi(spec.in_scan_pitch),
            spec.lines,
            dpi(spec.cross_scan_pitch)
        ),
        "Scanner: lines along the travel of the carriage; gray, 1200 dpi or more; no sharpening"
            .to_string(),
        "Ruler: in the empty strip, along the lines".to_string(),
    ]
}

/// The image in the making.
struct Canvas<'a> {
    spec: &'a Spec,
    bytes: Vec<u8>,
    /// Where the first row begins.
    start: usize,
}

impl Canvas<'_> {
    fn new(spec: &Spec) -> Canvas<'_> {
        let mut bytes = format!("P4\n{}{} {}\n", spec.header(), spec.dots, spec.lines).into_bytes();
        let start = bytes.len();
        bytes.resize(start + row_bytes(spec) * spec.lines as usize, 0);
        Canvas { spec, bytes, start }
    }

    /// Switches a dot, if it lies on the image.
    fn dot(&mut self, row: u32, dot: u32, on: bool) {
        if dot >= self.spec.dots || row >= self.spec.lines {
            return;
        }
        let at = self.start + row_bytes(self.spec) * row as usize + dot as usize / 8;
        let mask = 0x80 >> (dot % 8);
        if let Some(byte) = self.bytes.get_mut(at) {
            *byte = if on { *byte | mask } else { *byte & !mask };
        }
    }

    fn span(&mut self, row: u32, dots: Range<u32>, on: bool) {
        dots.for_each(|dot| self.dot(row, dot, on));
    }

    /// Switches on the dots of an area for which `is_on` says so.
    fn fill(&mut self, area: &Area, is_on: impl Fn(u32, u32) -> bool) {
        let range = |from: f64, size: f64, pitch: f64| {
            (from / pitch).round() as u32..((from + size) / pitch).round() as u32
        };
        for row in range(area.y, area.height, self.spec.cross_scan_pitch) {
            for dot in range(area.x, area.width, self.spec.in_scan_pitch) {
                if is_on(dot, row) {
                    self.dot(row, dot, true);
                }
            }
        }
    }

    /// Writes lines of words from `top` on, each cut where the image ends.
    fn words(&mut self, lines: &[String], top: f64) {
        let spec = self.spec;
        let room = ((spec.length() - 2.0 * BORDER) / CHARACTER).floor() as usize;
        let most = ((WORDS - 1e-3) / LINE).floor() as usize;
        let size = |length: f64, pitch: f64| length / f64::from(GLYPH) / pitch;
        let wide = size(CHARACTER, spec.in_scan_pitch);
        let high = size(LINE - 0.5e-3, spec.cross_scan_pitch);
        for (line, text) in lines.iter().take(most).enumerate() {
            let y = (top + 0.5e-3 + LINE * line as f64) / spec.cross_scan_pitch;
            for (k, character) in text.chars().take(room).enumerate() {
                let x = (BORDER + CHARACTER * k as f64) / spec.in_scan_pitch;
                for (down, bits) in (0..GLYPH).zip(glyph(character)) {
                    for right in (0..GLYPH).filter(|right| bits >> right & 1 == 1) {
                        let edge = |from: f64, step: f64, k: u32| {
                            (from + step * f64::from(k)).round() as u32
                        };
                        for row in edge(y, high, down)..edge(y, high, down + 1) {
                            let dots = edge(x, wide, right)..edge(x, wide, right + 1);
                            self.span(row, dots, true);
                        }
                    }
                }
            }
        }
    }
}

/// The rows of a character from the top, the leftmost dot in the lowest bit.
pub(crate) fn glyph(character: char) -> [u8; GLYPH as usize] {
    let basic = font8x8::BASIC_FONTS.get(character);
    basic.or_else(|| font8x8::LATIN_FONTS.get(character)).unwrap_or([0x7e; GLYPH as usize])
}

fn row_bytes(spec: &Spec) -> usize {
    spec.dots.div_ceil(8) as usize
}

#[cfg(test)]
mod tests {
    use super::{draw, read_chart};
    use crate::layout::Layout;
    use crate::layout::tests::spec;
    use spintrue_head::Bitmap;

    #[test]
    fn a_chart_is_an_image_that_a_head_can_expose_and_reads_back() {
        let layout = Layout::new(&spec()).unwrap();
        let bytes = draw(&layout);
        let image = Bitmap::read(&bytes).unwrap();
        assert_eq!((image.width(), image.height()), (4500, 3100));
        assert_eq!(read_chart(&bytes).unwrap().spec, spec());
        let rows: Vec<&[u32]> = image.lines().collect();
        for line in &layout.lines {
            // One facet alone drew it: nothing is dark above and below but fiducials at both ends.
            let ink = |row: u32| {
                let row = rows[row as usize];
                row[7..row.len() - 7].iter().map(|word| word.count_ones()).sum::<u32>()
            };
            assert_eq!((ink(line.row - 1), ink(line.row + 1)), (0, 0), "{}", line.row);
            assert!(ink(line.row) > 3000);
        }
    }

    #[test]
    fn an_image_that_was_changed_is_refused() {
        let mut bytes = draw(&Layout::new(&spec()).unwrap());
        let end = bytes.len() - 1000;
        bytes[end] ^= 1;
        assert!(read_chart(&bytes).unwrap_err().to_string().contains("it was changed"));
        assert!(read_chart(b"P4\n8 1\nA").unwrap_err().to_string().contains("no chart"));
        let damaged = b"P4\n# spintrue chart 1 {\n";
        assert!(read_chart(damaged).unwrap_err().to_string().contains("damaged"));
    }
}
