//! Scans as rows of gray: PNG, TIFF, PGM and JPEG, row after row where the format allows.

use crate::error::{ChartError, refuse};
use core::ops::Range;
use png::{BitDepth, ColorType, Transformations};
use std::io::{BufRead, ErrorKind, Read, Seek, SeekFrom};
use tiff::decoder::{ChunkType, Decoder, Limits};
use tiff::tags::Tag;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Most pixels in a scan: an A3 sheet at 4800 dpi has 4.4 thousand million.
const MAX_PIXELS: u64 = 5_000_000_000;
/// Longest side in pixels.
const MAX_SIDE: u32 = 200_000;

/// Most bytes of a scan that must be held as a whole: an interlaced or compressed one.
const MAX_WHOLE: u64 = 250 << 20;
/// Most bytes of one strip of a TIFF file.
const MAX_STRIP: u64 = 64 << 20;

/// White of a pixel.
pub(crate) const WHITE: f64 = 65_535.0;

/// A scan, read row after row from the top.
pub(crate) struct Scan<R: BufRead + Seek> {
    pub width: u32,
    pub height: u32,
    /// Pixels per m along and down, where the file says.
    pub resolution: Option<[f64; 2]>,
    /// What kind of file it is, for people.
    pub kind: &'static str,
    rows: Rows<R>,
    next: u32,
}

enum Rows<R: BufRead + Seek> {
    Png(Box<png::Reader<R>>, Form),
    /// Rows that stand as they are, in runs: each with its place in the file and its number of rows.
    Plain {
        from: Plain<R>,
        form: Form,
        runs: Vec<(u64, u32)>,
        row: Vec<u8>,
        /// Rows left of this run.
        left: u32,
    },
    /// A compressed TIFF file with the strip that is in hand.
    Strips {
        decoder: Box<Decoder<R>>,
        form: Form,
        rows_per_strip: u32,
        /// The number of the strip in hand.
        chunk: Option<u32>,
        strip: Vec<u8>,
    },
    Whole(Vec<u8>, Form),
}

/// The file itself, alone or behind a decoder that has read its header.
enum Plain<R: BufRead + Seek> {
    File(R),
    Tiff(Box<Decoder<R>>),
}

impl<R: BufRead + Seek> Plain<R> {
    fn file(&mut self) -> &mut R {
        match self {
            Plain::File(file) => file,
            Plain::Tiff(decoder) => decoder.inner(),
        }
    }
}

/// How pixels stand in bytes.
#[derive(Clone, Copy, Debug)]
struct Form {
    channels: usize,
    /// Two bytes a value, and whether the most significant is first; else one byte.
    wide: Option<bool>,
    /// Large is dark.
    inverted: bool,
}

impl Form {
    fn row_bytes(self, width: u32) -> usize {
        width as usize * self.channels * if self.wide.is_some() { 2 } else { 1 }
    }

    /// Gray of a row: the mean of red, green and blue where there are colours.
    fn gray(self, bytes: &[u8], gray: &mut [u16]) {
        let flip = |value: u16| if self.inverted { u16::MAX - value } else { value };
        match self.wide {
            None if self.channels == 1 => {
                for (gray, byte) in gray.iter_mut().zip(bytes) {
                    *gray = flip(u16::from(*byte) * 257);
                }
            }
            None => {
                for (gray, pixel) in gray.iter_mut().zip(bytes.chunks_exact(self.channels)) {
                    let value = match pixel {
                        [r, g, b, ..] => (u32::from(*r) + u32::from(*g) + u32::from(*b)) * 257 / 3,
                        [value, ..] => u32::from(*value) * 257,
                        [] => 0,
                    };
                    *gray = flip(value as u16);
                }
            }
            Some(big) => {
                let value = |pair: &[u8]| match pair {
                    [a, b] if big => u32::from(u16::from_be_bytes([*a, *b])),
                    [a, b] => u32::from(u16::from_le_bytes([*a, *b])),
                    _ => 0,
                };
                for (gray, pixel) in gray.iter_mut().zip(bytes.chunks_exact(2 * self.channels)) {
                    let colours = if self.channels >= 3 { 3 } else { 1 };
                    let sum: u32 = pixel.chunks_exact(2).take(colours).map(value).sum();
                    *gray = flip((sum / colours as u32) as u16);
                }
            }
        }
    }
}

/// What reading stopped at.
fn broken(kind: &str, error: impl std::fmt::Display) -> ChartError {
    ChartError(format!("the {kind} file cannot be read: {error}"))
}

impl<R: BufRead + Seek> Scan<R> {
    /// Opens a scan from its beginning.
    pub(crate) fn open(mut from: R) -> Result<Scan<R>, ChartError> {
        from.rewind().map_err(|error| broken("image", error))?;
        let mut start = [0; 4];
        let mut have = 0;
        while let Some(rest) = start.get_mut(have..).filter(|rest| !rest.is_empty()) {
            match from.read(rest) {
                Ok(0) => break,
                Ok(count) => have += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(broken("image", error)),
            }
        }
        from.rewind().map_err(|error| broken("image", error))?;
        let scan = match start {
            [0x89, b'P', b'N', b'G'] => png_rows(from)?,
            [b'I', b'I', 42 | 43, 0] | [b'M', b'M', 0, 42 | 43] => tiff_rows(from)?,
            [b'P', b'5', ..] => pgm_rows(from)?,
            [0xff, 0xd8, 0xff, _] => jpeg_rows(from)?,
            _ if have == 0 => return refuse!("the file is empty"),
            [b'P', b'1' | b'4', ..] => {
                return refuse!("it has only black and white: scan in gray");
            }
            _ => return refuse!("it is no PNG, TIFF, PGM or JPEG image: scan to one of these"),
        };
        Ok(scan)
    }

    /// Reads the next row.
    pub(crate) fn read(&mut self, gray: &mut [u16]) -> Result<(), ChartError> {
        self.pass(Some(gray))
    }

    /// Passes over the next row: without work, where the format lets it.
    pub(crate) fn skip(&mut self) -> Result<(), ChartError> {
        self.pass(None)
    }

    fn pass(&mut self, gray: Option<&mut [u16]>) -> Result<(), ChartError> {
        let (row, kind, height) = (self.next, self.kind, self.height);
        self.next += 1;
        let cut = |error: &dyn std::fmt::Display| {
            ChartError(format!(
                "the {kind} file breaks off or is of a rare kind at row {row} of {height} ({error}): copy it anew, save it \
                 without compression, or scan again"
            ))
        };
        match &mut self.rows {
            Rows::Png(reader, form) => match reader.next_row() {
                Ok(Some(row)) => {
                    gray.into_iter().for_each(|gray| form.gray(row.data(), gray));
                }
                Ok(None) => return Err(cut(&"no more rows")),
                Err(error) => return Err(cut(&error)),
            },
            Rows::Plain { from, form, runs, row: bytes, left } => {
                if *left == 0 {
                    let Some((offset, rows)) = (!runs.is_empty()).then(|| runs.remove(0)) else {
                        return Err(cut(&"no more rows"));
                    };
                    from.file().seek(SeekFrom::Start(offset)).map_err(|error| cut(&error))?;
                    *left = rows;
                }
                *left -= 1;
                let Some(gray) = gray else {
                    let length = bytes.len() as i64;
                    return from.file().seek_relative(length).map_err(|error| cut(&error));
                };
                from.file().read_exact(bytes).map_err(|error| cut(&error))?;
                form.gray(bytes, gray);
            }
            Rows::Strips { decoder, form, rows_per_strip, chunk: held, strip } => {
                let Some(gray) = gray else { return Ok(()) };
                let (within, chunk) = ((row % *rows_per_strip) as usize, row / *rows_per_strip);
                let count = form.row_bytes(self.width);
                if *held != Some(chunk) {
                    let rows = (*rows_per_strip).min(height - chunk * *rows_per_strip);
                    strip.resize(rows as usize * count, 0);
                    decoder.read_chunk_bytes(chunk, strip).map_err(|error| cut(&error))?;
                    *held = Some(chunk);
                }
                let own = strip.get(within * count..(within + 1) * count);
                form.gray(own.unwrap_or_default(), gray);
            }
            Rows::Whole(bytes, form) => {
                let count = form.row_bytes(self.width);
                let own = bytes.get(row as usize * count..(row as usize + 1) * count);
                gray.into_iter().for_each(|gray| form.gray(own.unwrap_or_default(), gray));
            }
        }
        Ok(())
    }
}

fn check(width: u32, height: u32) -> Result<(), ChartError> {
    let pixels = u64::from(width) * u64::from(height);
    if width == 0 || height == 0 {
        return refuse!("the image has no pixels");
    }
    if width.max(height) > MAX_SIDE || pixels > MAX_PIXELS {
        return refuse!(
            "{width} x {height} pixels are more than a scan of one sheet has: scan at 1200 or 2400 dpi"
        );
    }
    Ok(())
}

fn check_whole(what: &str, bytes: u64) -> Result<(), ChartError> {
    if bytes > MAX_WHOLE {
        return refuse!(
            "{what} must be held in memory as a whole, and this one takes {} MB where {} MB are allowed: \
             save it as plain PNG or TIFF, or scan at 1200 dpi",
            bytes >> 20,
            MAX_WHOLE >> 20
        );
    }
    Ok(())
}

fn png_rows<R: BufRead + Seek>(from: R) -> Result<Scan<R>, ChartError> {
    let kind = "PNG";
    let mut decoder = png::Decoder::new(from);
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(|error| broken(kind, error))?;
    let info = reader.info();
    let (width, height) = (info.width, info.height);
    check(width, height)?;
    if info.bit_depth == BitDepth::One {
        return refuse!("it has only black and white: scan in gray");
    }
    let resolution = info.pixel_dims.filter(|dims| dims.unit == png::Unit::Meter);
    let resolution = resolution.map(|dims| [f64::from(dims.xppu), f64::from(dims.yppu)]);
    let interlaced = info.interlaced;
    let (colour, depth) = reader.output_color_type();
    let form = Form {
        channels: match colour {
            ColorType::Grayscale | ColorType::Indexed => 1,
            ColorType::GrayscaleAlpha => 2,
            ColorType::Rgb => 3,
            ColorType::Rgba => 4,
        },
        wide: (depth == BitDepth::Sixteen).then_some(true),
        inverted: false,
    };
    let rows = if interlaced {
        let bytes = form.row_bytes(width) as u64 * u64::from(height);
        check_whole("an interlaced PNG image", bytes)?;
        let mut whole = vec![0; reader.output_buffer_size().unwrap_or(0)];
        reader.next_frame(&mut whole).map_err(|error| broken(kind, error))?;
        Rows::Whole(whole, form)
    } else {
        Rows::Png(Box::new(reader), form)
    };
    Ok(Scan { width, height, resolution, kind, rows, next: 0 })
}

fn tiff_rows<R: BufRead + Seek>(from: R) -> Result<Scan<R>, ChartError> {
    let kind = "TIFF";
    let failed = |error: tiff::TiffError| broken(kind, error);
    let mut limits = Limits::default();
    limits.decoding_buffer_size = MAX_STRIP as usize;
    limits.intermediate_buffer_size = MAX_STRIP as usize;
    let mut decoder = Decoder::new(from).map_err(failed)?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(failed)?;
    check(width, height)?;
    let number = |decoder: &mut Decoder<R>, tag: Tag, otherwise: u32| {
        decoder
            .find_tag_unsigned::<u32>(tag)
            .map(|value| value.unwrap_or(otherwise))
            .map_err(failed)
    };
    let bits = decoder.find_tag_unsigned_vec::<u32>(Tag::BitsPerSample).map_err(failed)?;
    let bits = bits.and_then(|bits| bits.first().copied()).unwrap_or(1);
    let sort = decoder.find_tag_unsigned_vec::<u32>(Tag::SampleFormat).map_err(failed)?;
    let sort = sort.and_then(|sort| sort.first().copied()).unwrap_or(1);
    let channels = number(&mut decoder, Tag::SamplesPerPixel, 1)?;
    let photometric = number(&mut decoder, Tag::PhotometricInterpretation, 1)?;
    let planar = number(&mut decoder, Tag::PlanarConfiguration, 1)?;
    let compression = number(&mut decoder, Tag::Compression, 1)?;
    let rows_per_strip = number(&mut decoder, Tag::RowsPerStrip, height)?.clamp(1, height);
    match (bits, photometric, planar, sort) {
        (1, ..) => return refuse!("it has only black and white: scan in gray"),
        (8 | 16, 0..=2, 1, 1) => {}
        _ => {
            return refuse!(
                "this kind of TIFF image is not read: save it as gray or RGB with 8 or 16 bits, not in planes"
            );
        }
    }
    if decoder.get_chunk_type() == ChunkType::Tile || !(1..=4).contains(&channels) {
        return refuse!(
            "a TIFF image in tiles or with many channels is not read: save it in strips"
        );
    }
    let resolution = tiff_resolution(&mut decoder);
    let form = Form {
        channels: channels as usize,
        wide: (bits == 16).then(|| decoder.byte_order() == tiff::tags::ByteOrder::BigEndian),
        inverted: photometric == 0,
    };
    if compression != 1 {
        let strip = form.row_bytes(width) as u64 * u64::from(rows_per_strip);
        if strip > MAX_STRIP {
            return refuse!(
                "its compressed strips take {} MB each where {} MB are allowed: save it uncompressed or as PNG",
                strip >> 20,
                MAX_STRIP >> 20
            );
        }
        // The decoder turns values to the order of this machine, and white to the largest.
        let wide = form.wide.map(|_| cfg!(target_endian = "big"));
        let form = Form { wide, inverted: false, ..form };
        let (decoder, strip) = (Box::new(decoder), Vec::new());
        let rows = Rows::Strips { decoder, form, rows_per_strip, chunk: None, strip };
        return Ok(Scan { width, height, resolution, kind, rows, next: 0 });
    }
    let offsets = decoder.get_tag_u64_vec(Tag::StripOffsets).map_err(failed)?;
    let rows_of = |k: usize| {
        let from = (k as u32).saturating_mul(rows_per_strip);
        rows_per_strip.min(height.saturating_sub(from))
    };
    let runs = offsets.into_iter().enumerate().map(|(k, offset)| (offset, rows_of(k))).collect();
    let row = vec![0; form.row_bytes(width)];
    let rows = Rows::Plain { from: Plain::Tiff(Box::new(decoder)), form, runs, row, left: 0 };
    Ok(Scan { width, height, resolution, kind, rows, next: 0 })
}

/// Pixels per m, of the tags for resolution and their unit.
fn tiff_resolution<R: Read + Seek>(decoder: &mut Decoder<R>) -> Option<[f64; 2]> {
    let unit = match decoder.find_tag_unsigned::<u32>(Tag::ResolutionUnit).ok()?.unwrap_or(2) {
        2 => 25.4e-3,
        3 => 10e-3,
        _ => return None,
    };
    let mut of = |tag| match decoder.find_tag(tag).ok()?? {
        tiff::decoder::ifd::Value::Rational(a, b) if a > 0 && b > 0 => {
            Some(f64::from(a) / f64::from(b) / unit)
        }
        _ => None,
    };
    Some([of(Tag::XResolution)?, of(Tag::YResolution)?])
}

fn pgm_rows<R: BufRead + Seek>(mut from: R) -> Result<Scan<R>, ChartError> {
    let kind = "PGM";
    let damaged = || ChartError("the header of the PGM file is damaged".to_string());
    let mut numbers = Vec::new();
    let (mut offset, mut number, mut comment) = (2_u64, None::<u32>, false);
    from.seek(SeekFrom::Start(2)).map_err(|error| broken(kind, error))?;
    while numbers.len() < 3 {
        let mut byte = [0];
        from.read_exact(&mut byte).map_err(|_| damaged())?;
        offset += 1;
        let [byte] = byte;
        match byte {
            _ if comment => comment = byte != b'\n',
            b'#' if number.is_none() => comment = true,
            b'0'..=b'9' => {
                let digit = u32::from(byte - b'0');
                number = Some(number.unwrap_or(0).saturating_mul(10).saturating_add(digit));
            }
            b' ' | b'\t'..=b'\r' => numbers.extend(number.take()),
            _ => return Err(damaged()),
        }
        if offset > 4096 {
            return Err(damaged());
        }
    }
    let &[width, height, most] = numbers.as_slice() else { return Err(damaged()) };
    check(width, height)?;
    let wide = match most {
        255 => None,
        65535 => Some(true),
        _ => {
            return refuse!(
                "the largest value of the PGM file is {most}: save it with 255 or 65535"
            );
        }
    };
    let form = Form { channels: 1, wide, inverted: false };
    let row = vec![0; form.row_bytes(width)];
    let rows =
        Rows::Plain { from: Plain::File(from), form, runs: vec![(offset, height)], row, left: 0 };
    Ok(Scan { width, height, resolution: None, kind, rows, next: 0 })
}

fn jpeg_rows<R: BufRead + Seek>(mut from: R) -> Result<Scan<R>, ChartError> {
    let kind = "JPEG";
    let frame = JpegFrame::read(&mut from).map_err(|error| broken(kind, error))?;
    let Some(frame) = frame else { return refuse!("the JPEG file has no image that can be read") };
    let (width, height) = (frame.width, frame.height);
    check(width, height)?;
    let pixels = u64::from(width) * u64::from(height);
    if frame.progressive {
        // Its coefficients take two bytes a value and channel, beside the picture.
        check_whole("a progressive JPEG image", pixels * (1 + 2 * u64::from(frame.channels)))?;
    }
    // The decoder seeks much, which a file of its own takes badly.
    let size = from.seek(SeekFrom::End(0)).map_err(|error| broken(kind, error))?;
    check_whole("a JPEG image", pixels + size)?;
    let mut file = Vec::with_capacity(size as usize);
    from.rewind()
        .and_then(|()| from.read_to_end(&mut file))
        .map_err(|error| broken(kind, error))?;
    let options = DecoderOptions::default()
        .set_max_width(MAX_SIDE as usize)
        .set_max_height(MAX_SIDE as usize)
        .jpeg_set_out_colorspace(ColorSpace::Luma);
    // Without strictness a file that breaks off would end in gray.
    let options = options.set_strict_mode(true);
    let gray = JpegDecoder::new_with_options(ZCursor::new(file), options).decode();
    let gray = gray.map_err(|error| {
        ChartError(format!(
            "the JPEG file breaks off or is of a rare kind ({error:?}): copy it anew, save it in gray, or scan again"
        ))
    })?;
    let form = Form { channels: 1, wide: None, inverted: false };
    let rows = Rows::Whole(gray, form);
    Ok(Scan { width, height, resolution: frame.resolution, kind, rows, next: 0 })
}

/// What stands before the first scan of a JPEG file (ITU-T T.81, B.2.2; JFIF 1.02 for the density).
struct JpegFrame {
    width: u32,
    height: u32,
    channels: u8,
    progressive: bool,
    resolution: Option<[f64; 2]>,
}

impl JpegFrame {
    /// Reads marker segments up to that of the frame; none where there is no frame that is coded by Huffman.
    fn read<R: Read + Seek>(from: &mut R) -> std::io::Result<Option<JpegFrame>> {
        from.seek(SeekFrom::Start(2))?;
        let mut resolution = None;
        loop {
            let mut head = [0; 4];
            from.read_exact(&mut head)?;
            let [0xff, marker, high, low] = head else { return Ok(None) };
            let mut body = vec![0; usize::from(u16::from_be_bytes([high, low]).saturating_sub(2))];
            from.read_exact(&mut body)?;
            match (marker, body.as_slice()) {
                (0xe0, [b'J', b'F', b'I', b'F', 0, _, _, unit, a, b, c, d, ..]) => {
                    let unit = match unit {
                        1 => 25.4e-3,
                        2 => 10e-3,
                        _ => continue,
                    };
                    let of = |a: u8, b: u8| f64::from(u16::from_be_bytes([a, b])) / unit;
                    resolution = Some([of(*a, *b), of(*c, *d)]).filter(|[x, y]| x * y > 0.0);
                }
                (0xc0..=0xc2, [_, a, b, c, d, channels, ..]) => {
                    return Ok(Some(JpegFrame {
                        width: u32::from(u16::from_be_bytes([*c, *d])),
                        height: u32::from(u16::from_be_bytes([*a, *b])),
                        channels: *channels,
                        progressive: marker == 0xc2,
                        resolution,
                    }));
                }
                (0xc3 | 0xc5..=0xcf, _) if !matches!(marker, 0xc4 | 0xc8 | 0xcc) => {
                    return Ok(None);
                }
                _ => {}
            }
        }
    }
}

/// A part of a scan, held as gray: columns and rows of it.
#[derive(Clone, Debug)]
pub(crate) struct Crop {
    pub columns: Range<u32>,
    pub rows: Range<u32>,
    gray: Vec<u16>,
}

impl Crop {
    /// For a part of a scan; holds nothing yet.
    pub(crate) fn new(columns: Range<u32>, rows: Range<u32>) -> Crop {
        Crop { columns, rows, gray: Vec::new() }
    }

    pub(crate) fn pixels(&self) -> u64 {
        self.columns.len() as u64 * self.rows.len() as u64
    }

    /// Takes its part of row `row` of the scan, each row after the one before.
    pub(crate) fn take(&mut self, row: u32, gray: &[u16]) {
        if self.rows.contains(&row) {
            let own = self.columns.start as usize..self.columns.end as usize;
            self.gray.extend_from_slice(gray.get(own).unwrap_or_default());
        }
    }

    /// A pixel of the scan by its column and row; none outside.
    pub(crate) fn get(&self, column: u32, row: u32) -> Option<u16> {
        if !self.columns.contains(&column) || !self.rows.contains(&row) {
            return None;
        }
        let (x, y) = (column - self.columns.start, row - self.rows.start);
        self.gray.get(y as usize * self.columns.len() + x as usize).copied()
    }
}
