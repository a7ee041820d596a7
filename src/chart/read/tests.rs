//! Scans that follow from a layout, and what is read of them.

use super::read_scan;
use crate::layout::tests::spec;
use crate::layout::{Layout, TINTS};
use crate::ruler::Ruler;
use crate::spec::Spec;
use std::io::Cursor;

/// Pixels of a scan at 1200 dpi.
const PIXEL: f64 = 25.4e-3 / 1200.0;

fn layout() -> Layout {
    let pitch = 25.4e-3 / 300.0;
    let spec = Spec {
        facets: 4,
        dots: 1300,
        lines: 700,
        in_scan_pitch: pitch,
        cross_scan_pitch: pitch,
        places: 3,
        ruler_space: 0.0,
        ..spec()
    };
    Layout::new(&spec).unwrap()
}

/// A scan as PGM, rows down the sheet: what is dark is a soft bar between its edges. Facet k lies k·`step` m off, in
/// both directions.
fn scan(layout: &Layout, step: f64) -> (Vec<u8>, usize) {
    let spec = &layout.spec;
    let margin = 3e-3;
    let size = |length: f64| ((length + 2.0 * margin) / PIXEL) as usize;
    let (width, height) = (size(spec.length()), size(spec.height()));
    let mut dark = vec![0.0_f64; width * height];
    let mut bar = |[x0, x1]: [f64; 2], [y0, y1]: [f64; 2]| {
        let soft = |at: usize, from: f64, to: f64| {
            let at = (at as f64 + 0.5) * PIXEL - margin;
            let edge = |distance: f64| 0.5 + 0.5 * (distance / 20e-6).tanh();
            edge(at - from) * edge(to - at)
        };
        let range = |from: f64, to: f64, most: usize| {
            let of = |at: f64| ((at + margin) / PIXEL).clamp(0.0, most as f64) as usize;
            of(from - 0.2e-3)..of(to + 0.2e-3)
        };
        for row in range(y0, y1, height) {
            let high = soft(row, y0, y1);
            for column in range(x0, x1, width) {
                dark[row * width + column] += high * soft(column, x0, x1);
            }
        }
    };
    let solid = layout.fiducials.iter().chain(layout.patches.iter().skip(TINTS as usize - 1));
    let bits = layout.bits.iter().zip((0..32).rev());
    let ones = bits.filter(|(_, k)| spec.code() >> k & 1 == 1).map(|(area, _)| area);
    for area in solid.chain(ones) {
        bar([area.x, area.x + area.width], [area.y, area.y + area.height]);
    }
    for line in &layout.lines {
        let off = f64::from(line.facet) * step;
        let y = (f64::from(line.row) + 0.5) * spec.cross_scan_pitch + off;
        let mut from = 7e-3;
        let mut dash = |from: f64, to: f64| bar([from + off, to + off], [y - 40e-6, y + 40e-6]);
        for (place, dashes) in layout.places.iter().zip(&line.dashes) {
            let block = layout.block(*place);
            dash(from, f64::from(block.start) * spec.in_scan_pitch);
            for own in dashes {
                let x = |dot: u32| f64::from(dot) * spec.in_scan_pitch;
                dash(x(own.start), x(own.end));
            }
            from = f64::from(block.end) * spec.in_scan_pitch;
        }
        dash(from, spec.length() - 7e-3);
    }
    let mut file = format!("P5 {width} {height} 255\n").into_bytes();
    let start = file.len();
    file.extend(dark.iter().map(|dark| (230.0 - 200.0 * dark.min(1.0)).round() as u8));
    (file, start)
}

#[test]
fn facets_are_read_where_they_were_drawn() {
    let layout = layout();
    let step = 10e-6;
    let (file, _) = scan(&layout, step);
    let reading = read_scan(&layout, None, Cursor::new(&file)).unwrap().reading;
    assert_eq!(reading.lines_seen, reading.lines);
    assert_eq!(reading.scan.fiducials, 14);
    for facet in &reading.facets {
        let wanted = (f64::from(facet.facet) - 1.5) * step;
        for mark in &facet.marks {
            for measured in [mark.in_scan, mark.cross_scan] {
                // No noise, but pixels that lie alike for all lines of a facet.
                let off = measured.value - wanted;
                assert!(off.abs() < 0.3e-6, "{} {} {off:e}", facet.facet, mark.at);
            }
            assert!((mark.darkness.value - 1.0).abs() < 0.005);
        }
    }
}

/// Each half of the sheet by itself tells the same as the whole.
#[test]
fn both_halves_of_a_sheet_are_looks() {
    let layout = layout();
    let (file, _) = scan(&layout, 10e-6);
    let sheet = read_scan(&layout, None, Cursor::new(&file)).unwrap();
    let looks = sheet.looks();
    assert_eq!(looks.len(), 2);
    assert_eq!(looks[0].lines_seen + looks[1].lines_seen, sheet.reading.lines_seen);
    for look in &looks {
        let readings = look.readings(None).unwrap();
        assert_eq!(readings.len(), 4);
        for (reading, k) in readings.iter().zip(0..) {
            assert_eq!((reading.marks.len(), reading.marks[0].dose.is_nan()), (3, true));
            let wanted = (f64::from(k) - 1.5) * 10e-6;
            for mark in &reading.marks {
                assert!((mark.in_scan - wanted).abs() < 0.6e-6, "{k} {mark:?}");
                assert!((mark.cross_scan - wanted).abs() < 0.6e-6, "{k} {mark:?}");
            }
            // Where the lines lie under the head is not told.
            assert!(reading.in_scan_u.offset > 1e-3 && reading.in_scan_u.random < 1e-6);
        }
    }
}

/// A line that is 1 % too long by the ruler: what all facets share is added, and is as sure as the ruler.
#[test]
fn a_ruler_tells_what_all_facets_share() {
    let layout = layout();
    let (file, _) = scan(&layout, 10e-6);
    let mut reading = read_scan(&layout, None, Cursor::new(&file)).unwrap().reading;
    let plain = reading.readings(None).unwrap();
    let length = layout.spec.length();
    for place in &mut reading.places {
        (place.along, place.along_u) = (0.01 * length * place.at + 3e-3, 0.3e-6);
    }
    let ruler = Ruler { marks: Vec::new(), mark_u: 0.4e-6, slope_u: 2e-6 };
    let told = reading.readings(Some(&ruler)).unwrap();
    for (told, plain) in told.iter().zip(&plain) {
        for (told, plain) in told.marks.iter().zip(&plain.marks) {
            let wanted = 0.01 * length * told.at;
            assert!((told.in_scan - plain.in_scan - wanted).abs() < 1e-9, "{told:?}");
            assert_eq!(told.cross_scan, plain.cross_scan);
        }
        // 0.3 and 0.4 um are 0.5 um.
        assert!((told.in_scan_u.place - 0.5e-6).abs() < 1e-12 && told.in_scan_u.slope == 2e-6);
        assert_eq!(told.in_scan_u.offset, plain.in_scan_u.offset);
        assert_eq!(told.cross_scan_u, plain.cross_scan_u);
    }
}

#[test]
fn a_scan_that_breaks_off_or_is_none_is_refused() {
    let layout = layout();
    let (file, start) = scan(&layout, 0.0);
    let refused =
        |file: &[u8]| read_scan(&layout, None, Cursor::new(file)).err().unwrap().to_string();
    assert!(refused(&file[..file.len() - 1]).contains("breaks off"));
    let blank = [&file[..start], &vec![200; file.len() - start]].concat();
    assert!(refused(&blank).contains("one gray"));
    for end in 0..start {
        assert!(!refused(&file[..end]).is_empty());
    }
    let other = Layout::new(&Spec { serial: "X-2".into(), ..layout.spec.clone() }).unwrap();
    let told = read_scan(&other, None, Cursor::new(&file)).err().unwrap().to_string();
    assert!(told.contains(&format!("this is chart {:08x}", layout.spec.code())), "{told}");
}

/// In the pixels of the picture, arrows lead from where marks should lie to where the scan was made to have them.
#[test]
fn arrows_end_where_marks_lie() {
    let layout = layout();
    let step = 10e-6;
    let (file, _) = scan(&layout, step);
    let picture = read_scan(&layout, None, Cursor::new(&file)).unwrap().picture().unwrap();
    // Without noise the pattern of pixels makes some of these wild, by some nm.
    assert_eq!((picture.marks, picture.partial), (3 * layout.lines.len(), 0));
    let mut decoder = png::Decoder::new(Cursor::new(&picture.png));
    decoder.set_transformations(png::Transformations::EXPAND);
    let mut reader = decoder.read_info().unwrap();
    let per_m = f64::from(reader.info().pixel_dims.unwrap().xppu);
    let mut dots = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut dots).unwrap();
    let width = picture.width as usize;
    let is_blue = |[x, y]: [f64; 2]| {
        let at = 3 * (y as usize * width + x as usize);
        dots[at..at + 3] == [0x05, 0x30, 0xc0]
    };
    let (mut arrows, mut too_long) = (0, 0);
    for line in &layout.lines {
        // Down and to the right, or up and to the left.
        let off = (f64::from(line.facet) - 1.5) * step * picture.exaggeration * per_m;
        assert!(off.abs() > 5.0);
        for place in &layout.places {
            let x = (f64::from(*place) * layout.spec.in_scan_pitch + 2e-3) * per_m;
            let y = ((f64::from(line.row) + 0.5) * layout.spec.cross_scan_pitch + 2e-3) * per_m;
            let at = |share: f64| is_blue([x + share * off, y + share * off]);
            if [0.5, 0.7, 0.9].into_iter().all(at) {
                arrows += 1;
                too_long += usize::from(at(1.2) || is_blue([x - 0.5 * off, y + 0.5 * off]));
            }
        }
    }
    assert_eq!(arrows, picture.arrows);
    assert_eq!(too_long, 0);
    // The bar below the sheet is as long as is told.
    let below = picture.height as usize - 50;
    let blue_of = |y: usize| (0..width).filter(|x| is_blue([*x as f64, y as f64])).count();
    let longest = (below..below + 20).map(blue_of).max().unwrap() as f64;
    assert!((longest - picture.bar * picture.exaggeration * per_m).abs() < 2.5, "{longest}");
}
