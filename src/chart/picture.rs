//! A picture of a scan: the sheet made small and turned as the chart is, with the marks that were found on it and
//! arrows to where they lie, longer than that by a round factor.

use crate::coarse::Thumbnail;
use crate::draw::{GLYPH, glyph};
use crate::error::ChartError;
use crate::layout::Layout;
use crate::pose::Pose;
use png::{BitDepth, ColorType, Compression, Encoder, PixelDimensions, Unit};

/// Pixels of the sheet's longer side, and what is shown around the chart in m.
const SIDE: f64 = 1400.0;
const AROUND: f64 = 2e-3;

/// Shades of gray from black to white. Black is drawn as a middle gray, so that marks stand out.
const SHADES: u8 = 12;
const DARKEST: f64 = 110.0;

/// Colours behind the shades: marks that were found, arrows, marks that were left out, words.
const MARK: u8 = SHADES;
const ARROW: u8 = SHADES + 1;
const WILD: u8 = SHADES + 2;
const WORDS: u8 = SHADES + 3;
const WHITE: u8 = SHADES - 1;
const COLOURS: [[u8; 3]; 4] =
    [[0xd9, 0x5f, 0x02], [0x05, 0x30, 0xc0], [0xc0, 0x0e, 0x26], [0, 0, 0]];

/// Least pixels from arrow to arrow, so many more among which the facet with the fewest arrows is chosen, and the
/// pixels of the longest one.
const APART: f64 = 24.0;
const CHOICE: f64 = 14.0;
const LONGEST: f64 = 44.0;

/// Most pixels of the bar that tells the scale of arrows, and height of the strip in which it lies.
const BAR: f64 = 120.0;
const STRIP: usize = 56;

/// A mark that was found on a scan.
#[derive(Clone, Debug)]
pub(crate) struct FoundMark {
    /// Where it should lie on the chart in m.
    pub at: [f64; 2],
    pub facet: usize,
    /// How far it lies off what all facets share, along and across in m; not a number where that is not told.
    pub off: [f64; 2],
    /// It was left out.
    pub is_wild: bool,
}

/// A picture of a scan with the marks that were found on it, as a PNG file.
#[derive(Clone, Debug)]
pub struct Picture {
    /// The file. It states the size of its pixels on the sheet.
    pub png: Vec<u8>,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
    /// Arrows are so many times as long as what they show.
    pub exaggeration: f64,
    /// What the length of the bar below the sheet stands for, in m.
    pub bar: f64,
    /// Marks that were found.
    pub marks: usize,
    /// Arrows that are drawn.
    pub arrows: usize,
    /// How many of them show one direction only, since the other is not told.
    pub partial: usize,
    /// Marks that were left out as wild.
    pub wild: usize,
}

/// The sheet without marks, in shades of gray.
pub(crate) struct Ground {
    width: usize,
    height: usize,
    /// Side of a pixel in m.
    pixel: f64,
    shades: Vec<u8>,
}

impl Ground {
    /// Of a scan made small; white where the sheet lies outside of it.
    pub(crate) fn of(layout: &Layout, pose: &Pose, small: &Thumbnail) -> Ground {
        let [length, height] = [layout.spec.length(), layout.spec.height()];
        let sides = [length, height].map(|side| side + 2.0 * AROUND);
        let pixel = sides[0].max(sides[1]) / SIDE;
        let [width, height] = sides.map(|side| ((side / pixel).round() as usize).max(1));
        let darkness = |x: f64, y: f64| {
            let [x, y] = pose.scan([x * pixel - AROUND, y * pixel - AROUND]);
            if small.holds(x, y) { small.darkness(x, y) } else { 0.0 }
        };
        let parts = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)];
        let shade = |at: usize| {
            let (x, y) = ((at % width) as f64, (at / width) as f64);
            let dark: f64 = parts.iter().map(|(right, down)| darkness(x + right, y + down)).sum();
            ((1.0 - dark / 4.0).clamp(0.0, 1.0) * f64::from(WHITE)).round() as u8
        };
        Ground { width, height, pixel, shades: (0..width * height).map(shade).collect() }
    }

    /// The pixel at which a place of the chart in m lies.
    fn at(&self, place: [f64; 2]) -> [f64; 2] {
        place.map(|length| (length + AROUND) / self.pixel)
    }
}

/// The largest of 1, 2 and 5 times a power of ten that is not above a value.
fn round_down(value: f64) -> f64 {
    let power = 10_f64.powf(value.log10().floor());
    let steps = [5.0, 2.0, 1.0].map(|factor| factor * power);
    steps.into_iter().find(|step| *step <= value * (1.0 + 1e-9)).unwrap_or(power)
}

/// Draws the marks of a scan.
pub(crate) fn draw_picture(
    ground: &Ground,
    marks: &[FoundMark],
    layout: &Layout,
) -> Result<Picture, ChartError> {
    let shown = shown_rows(marks, layout, APART * ground.pixel, CHOICE * ground.pixel);
    let is_shown = |mark: &&FoundMark| shown.contains(&mark.at[1]);
    let arrows = || marks.iter().filter(is_shown).filter(|mark| mark.is_told());
    let longest = arrows().map(FoundMark::length).fold(0.0, f64::max);
    let exaggeration = round_down((LONGEST * ground.pixel / longest.max(1e-8)).max(1.0));
    let bar = round_down(BAR * ground.pixel / exaggeration);
    let mut canvas = Canvas::on(ground);
    for mark in marks {
        let [x, y] = ground.at(mark.at).map(f64::floor);
        canvas.dot(x, y, MARK);
        canvas.dot(x + 1.0, y, MARK);
    }
    for mark in marks.iter().filter(|mark| mark.is_wild) {
        let [x, y] = ground.at(mark.at);
        canvas.line([x - 4.0, y - 4.0], [x + 4.0, y + 4.0], WILD);
        canvas.line([x - 4.0, y + 4.0], [x + 4.0, y - 4.0], WILD);
    }
    for mark in arrows() {
        let off = mark.off.map(|off| if off.is_nan() { 0.0 } else { off });
        canvas.arrow(ground.at(mark.at), off.map(|off| off * exaggeration / ground.pixel));
    }
    canvas.scale(ground.height, bar * exaggeration / ground.pixel, bar, exaggeration);
    let Canvas { width, height, dots } = canvas;
    let png = encoded(width, height, &dots, ground.pixel)
        .map_err(|error| ChartError(format!("its picture cannot be drawn: {error}")))?;
    Ok(Picture {
        png,
        width: width as u32,
        height: height as u32,
        exaggeration,
        bar,
        marks: marks.len(),
        arrows: arrows().count(),
        partial: arrows().filter(|mark| mark.off.iter().any(|off| off.is_nan())).count(),
        wild: marks.iter().filter(|mark| mark.is_wild).count(),
    })
}

impl FoundMark {
    /// There is an arrow to draw.
    fn is_told(&self) -> bool {
        !self.is_wild && self.off.iter().any(|off| off.is_finite())
    }

    fn length(&self) -> f64 {
        let [along, across] = self.off.map(|off| if off.is_nan() { 0.0 } else { off });
        along.hypot(across)
    }
}

/// Places across in m of the lines whose arrows are drawn: `apart` m from each other, and about as many of each facet.
fn shown_rows(marks: &[FoundMark], layout: &Layout, apart: f64, choice: f64) -> Vec<f64> {
    let mut rows: Vec<(f64, usize)> = marks.iter().map(|mark| (mark.at[1], mark.facet)).collect();
    rows.sort_by(|one, other| one.0.total_cmp(&other.0));
    rows.dedup();
    let mut counts = vec![0_usize; layout.spec.facets as usize];
    let mut shown = Vec::new();
    let mut from = f64::MIN;
    while let Some((first, _)) = rows.iter().find(|(y, _)| *y >= from) {
        let near = rows.iter().filter(|(y, _)| (*first..=first + choice).contains(y));
        let fewest = near.min_by_key(|(_, facet)| counts.get(*facet).copied().unwrap_or(0));
        let Some((y, facet)) = fewest else { break };
        if let Some(count) = counts.get_mut(*facet) {
            *count += 1;
        }
        shown.push(*y);
        from = y + apart;
    }
    shown
}

/// The picture in the making.
struct Canvas {
    width: usize,
    height: usize,
    dots: Vec<u8>,
}

impl Canvas {
    fn on(ground: &Ground) -> Canvas {
        let height = ground.height + STRIP;
        let mut dots = ground.shades.clone();
        dots.resize(ground.width * height, WHITE);
        Canvas { width: ground.width, height, dots }
    }

    fn dot(&mut self, x: f64, y: f64, colour: u8) {
        if x >= 0.0 && y >= 0.0 && x < self.width as f64 {
            let at = y as usize * self.width + x as usize;
            if let Some(dot) = self.dots.get_mut(at) {
                *dot = colour;
            }
        }
    }

    /// A line two pixels wide.
    fn line(&mut self, from: [f64; 2], to: [f64; 2], colour: u8) {
        let [dx, dy] = [to[0] - from[0], to[1] - from[1]];
        let steps = (2.0 * dx.abs().max(dy.abs())).ceil().max(1.0);
        let mut share = 0.0;
        while share <= steps {
            let [x, y] = [from[0] + dx * share / steps, from[1] + dy * share / steps];
            for (right, down) in [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)] {
                self.dot(x + right, y + down, colour);
            }
            share += 1.0;
        }
    }

    /// An arrow from a place, as far as it goes along and down.
    fn arrow(&mut self, from: [f64; 2], by: [f64; 2]) {
        let [x, y] = from;
        let tip = [x + by[0], y + by[1]];
        self.line(from, tip, ARROW);
        let length = by[0].hypot(by[1]);
        let head = (0.4 * length).min(7.0);
        if head >= 2.0 {
            let angle = by[1].atan2(by[0]);
            for turn in [2.6, -2.6] {
                let (sin, cos) = (angle + turn).sin_cos();
                self.line(tip, [tip[0] + head * cos, tip[1] + head * sin], ARROW);
            }
        }
        for (right, down) in (-1..=1).flat_map(|x| (-1..=1).map(move |y| (x, y))) {
            self.dot(x + f64::from(right), y + f64::from(down), MARK);
        }
    }

    /// The bar below the sheet, and what it and the colours mean.
    fn scale(&mut self, top: usize, pixels: f64, bar: f64, exaggeration: f64) {
        let (left, y) = (20.0, top as f64 + 18.0);
        self.line([left, y], [left + pixels, y], ARROW);
        for end in [left, left + pixels] {
            self.line([end, y - 6.0], [end, y + 6.0], ARROW);
        }
        let um = bar * 1e6;
        let words = left + pixels + 16.0;
        let said = format!("{um} µm; arrows are {exaggeration} times as long as what they show");
        self.words(&said, words, y - 8.0);
        let y = y + 22.0;
        self.words("dots: marks found    crosses: left out", left, y - 8.0);
    }

    fn words(&mut self, text: &str, left: f64, top: f64) {
        let size = f64::from(2 * GLYPH);
        for (character, k) in text.chars().zip(0_u32..) {
            for (bits, down) in glyph(character).into_iter().zip(0_u32..) {
                for right in (0..GLYPH).filter(|right| bits >> right & 1 == 1) {
                    for (x, y) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                        let x = left + size * f64::from(k) + f64::from(2 * right + x);
                        self.dot(x, top + f64::from(2 * down + y), WORDS);
                    }
                }
            }
        }
    }
}

/// As a PNG file with four bits a pixel, and so never above half a byte for each.
fn encoded(
    width: usize,
    height: usize,
    dots: &[u8],
    pixel: f64,
) -> Result<Vec<u8>, png::EncodingError> {
    let gray = |shade: u8| {
        let share = f64::from(shade) / f64::from(WHITE);
        [(DARKEST + (255.0 - DARKEST) * share).round() as u8; 3]
    };
    let palette: Vec<u8> = (0..SHADES).map(gray).chain(COLOURS).flatten().collect();
    let pair = |pair: &[u8]| match pair {
        [left, right] => left << 4 | right,
        [left] => left << 4,
        _ => 0,
    };
    let bytes: Vec<u8> = dots.chunks(width).flat_map(|row| row.chunks(2).map(pair)).collect();
    let mut png = Vec::new();
    let mut encoder = Encoder::new(&mut png, width as u32, height as u32);
    encoder.set_color(ColorType::Indexed);
    encoder.set_depth(BitDepth::Four);
    encoder.set_palette(palette);
    encoder.set_compression(Compression::High);
    let per_metre = (1.0 / pixel).round() as u32;
    encoder.set_pixel_dims(Some(PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: Unit::Meter,
    }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&bytes)?;
    writer.finish()?;
    Ok(png)
}
