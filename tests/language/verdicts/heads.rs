//! Random heads: the built-in one with up to three defects of a random size, around and beyond what
//! `scripts/bring_up.spt` allows.

use core::f64::consts::TAU;
use std::collections::BTreeMap;

/// A head, as it is described.
pub struct RandomHead {
    pub seed: u64,
    /// Keys of a head file, as `table.key`, and values.
    pub keys: BTreeMap<String, String>,
    /// As options have them.
    pub faults: Vec<String>,
    /// What is wrong with it.
    pub defects: Vec<String>,
    pub facets: u32,
    /// Nothing hinders proving that it is good, if it is: registers reach and move what they should, single
    /// lines and the gauge scatter by less than half of what is allowed, and it can be trimmed by time and
    /// angle alone.
    pub clear: bool,
}

impl RandomHead {
    /// Without any defect.
    pub fn built_in() -> RandomHead {
        RandomHead {
            seed: 1,
            keys: BTreeMap::new(),
            faults: Vec::new(),
            defects: Vec::new(),
            facets: 10,
            clear: true,
        }
    }

    /// The head of a seed.
    pub fn new(seed: u64) -> RandomHead {
        let mut draw = Draw::new(seed);
        let facets = *draw.one_of(&[6, 8, 9, 10, 10, 10, 11]);
        let mut head = RandomHead { seed, facets, ..RandomHead::built_in() };
        head.set("facets.count", facets);
        // An offset that no gauge states is found by no reading.
        head.set("gauge.in_scan_bias", "'0 um'");
        head.set("gauge.cross_scan_bias", "'0 um'");
        // What was in force before, to be told from what a failing run leaves.
        let along = draw.values(facets, |draw| format!("'{} ns'", draw.whole(-30, 30)));
        let across = draw.values(facets, |draw| format!("'{} urad'", draw.whole(-30, 30)));
        head.set("stored.in_scan", along);
        head.set("stored.cross_scan", across);
        for _ in 0..draw.whole(0, 3) {
            let (name, apply) = draw.one_of(&DEFECTS);
            let size = draw.size();
            head.defects.push(format!("{name} {size:.2}"));
            let is_clear = apply(&mut draw, &mut head, size);
            head.clear &= is_clear;
        }
        head
    }

    fn set(&mut self, key: &str, value: impl ToString) {
        self.keys.insert(key.to_string(), value.to_string());
    }

    /// The head file, with other values for some keys.
    pub fn text(&self, others: &[(&str, &str)]) -> String {
        let mut keys = self.keys.clone();
        keys.extend(others.iter().map(|(key, value)| (key.to_string(), value.to_string())));
        let mut tables: BTreeMap<&str, String> = BTreeMap::new();
        for (key, value) in &keys {
            let (table, key) = key.split_once('.').unwrap();
            tables.entry(table).or_default().push_str(&format!("{key} = {value}\n"));
        }
        tables.iter().map(|(table, keys)| format!("[{table}]\n{keys}")).collect()
    }
}

/// Random numbers (SplitMix64).
pub struct Draw(u64);

impl Draw {
    pub fn new(seed: u64) -> Draw {
        Draw(seed.wrapping_mul(0x2545_f491_4f6c_dd1d))
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let word = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        word ^ (word >> 31)
    }

    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn whole(&mut self, low: i64, high: i64) -> i64 {
        low + (self.bits() % (high - low + 1) as u64) as i64
    }

    pub fn one_of<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.whole(0, items.len() as i64 - 1) as usize]
    }

    /// Near what is allowed, or from a fifth of it to three times as much, in even ratios.
    fn size(&mut self) -> f64 {
        if self.whole(0, 1) == 0 {
            return self.within(0.9, 1.1);
        }
        0.2 * 15_f64.powf(self.within(0.0, 1.0))
    }

    pub fn sign(&mut self) -> f64 {
        *self.one_of(&[-1.0, 1.0])
    }

    fn normal(&mut self) -> f64 {
        let (radius, angle) = (1.0 - self.within(0.0, 1.0), self.within(0.0, TAU));
        (-2.0 * radius.ln()).sqrt() * angle.cos()
    }

    /// A list of one value per facet.
    fn values(&mut self, facets: u32, mut one: impl FnMut(&mut Draw) -> String) -> String {
        let values: Vec<String> = (0..facets).map(|_| one(self)).collect();
        format!("[{}]", values.join(", "))
    }
}

/// Puts a defect into a head: of size 1 it is about what is allowed. Returns whether a good head is still
/// found to be good for sure.
type Defect = fn(&mut Draw, &mut RandomHead, f64) -> bool;

/// What scatters by less than this share of what is allowed leaves room for two more of its kind.
const QUIET: f64 = 0.35;

// How far defects reach on the built-in head at 4800 rpm and 304.8 mm: the spot moves by 0.406 um in 1 ns,
// by 0.81 um for 1 urad, and the line ends at 0.924 of the longest one, 1 ms after start of scan.
const DEFECTS: [(&str, Defect); 51] = [
    ("stretch", |_, head, size| {
        head.set("facets.stretch", format!("'{} ppm'", 200.0 * size));
        true
    }),
    ("one long facet", |draw, head, size| {
        let odd = draw.whole(0, i64::from(head.facets) - 1);
        let one = |k: i64| if k == odd { 330.0 * size } else { 0.0 };
        let each: Vec<String> =
            (0..i64::from(head.facets)).map(|k| format!("'{} ppm'", one(k))).collect();
        head.set("facets.stretches", format!("[{}]", each.join(", ")));
        true
    }),
    ("skew by facet", |_, head, size| {
        head.set("facets.skew", 50e-6 * size);
        true
    }),
    ("common skew", |draw, head, size| {
        let skew = draw.sign() * 82e-6 * size;
        let list = draw.values(head.facets, |_| skew.to_string());
        head.set("facets.skews", list);
        true
    }),
    ("bow", |draw, head, size| {
        head.set("lens.bow", format!("'{} um'", draw.sign() * 44.0 * size));
        true
    }),
    ("distortion", |draw, head, size| {
        head.set("lens.distortion", format!("'{} um'", draw.sign() * 79.0 * size));
        true
    }),
    ("even distortion", |draw, head, size| {
        head.set("lens.even_distortion", format!("'{} um'", draw.sign() * 44.0 * size));
        true
    }),
    ("focal length", |draw, head, size| {
        head.set("lens.focal_length_error", draw.sign() * 328e-6 * size);
        true
    }),
    ("reflectivity", |_, head, size| {
        head.set("facets.reflectivity", 0.1 * size);
        true
    }),
    ("dim facet", |draw, head, size| {
        let dim = draw.whole(0, i64::from(head.facets) - 1);
        let mut facet = 0;
        let list = draw.values(head.facets, |draw| {
            let one = if facet == dim { 1.0 - 0.3 * size } else { 1.0 + 0.02 * draw.normal() };
            facet += 1;
            one.max(0.05).to_string()
        });
        head.set("facets.reflectivities", list);
        true
    }),
    ("laser strength", |draw, head, size| {
        head.set("laser.strength", 1.0 + draw.sign() * 0.1 * size);
        true
    }),
    ("power drift", |draw, head, size| {
        head.set("laser.power_drift", format!("'{} %/K'", draw.sign() * 0.5 * size));
        true
    }),
    ("power ramp", |draw, head, size| {
        head.set("laser.ramp", (draw.sign() * 0.3 * size).clamp(-0.9, 0.9));
        false
    }),
    ("narrow facets", |_, head, size| {
        head.set("laser.beam_diameter", format!("'{} mm'", 8.0 * size));
        8.0 * size < 5.0
    }),
    ("division", |_, head, size| {
        head.set("facets.division", format!("'{} arcsec'", 30.0 * size));
        true
    }),
    ("facet to axis", |_, head, size| {
        head.set("facets.facet_to_axis", format!("'{} arcsec'", 40.0 * size));
        true
    }),
    ("tilt correction", |draw, head, _| {
        head.set("lens.tilt_gain", draw.within(0.0, 1.0));
        true
    }),
    ("index only", |_, head, _| {
        head.set("start_of_scan.pulse", "'index_only'");
        false
    }),
    ("lit by the beam", |draw, head, _| {
        head.set("start_of_scan.source", "'beam'");
        head.set("start_of_scan.power", draw.within(0.15, 0.4));
        false
    }),
    ("galvanometer gain", |draw, head, size| {
        head.set("galvanometer.gain_error", draw.sign() * 0.05 * size);
        true
    }),
    ("galvanometer linearity", |draw, head, size| {
        head.set("galvanometer.linearity_error", draw.sign() * 0.03 * size);
        true
    }),
    ("galvanometer wobble", |_, head, size| {
        head.set("galvanometer.wobble", format!("'{} urad'", 7.4 * size));
        size <= QUIET
    }),
    ("galvanometer slew", |_, head, size| {
        head.set("galvanometer.slew", format!("'{} rad/s'", 0.1 / size));
        true
    }),
    ("slow galvanometer", |_, head, size| {
        head.set("galvanometer.natural_frequency", format!("'{} Hz'", 1500.0 / size));
        true
    }),
    ("galvanometer drift", |draw, head, size| {
        head.set("galvanometer.drift", format!("'{} urad/K'", draw.sign() * 3.0 * size));
        size <= 1.0
    }),
    ("delay drift", |draw, head, size| {
        head.set("thermal.delay_drift", format!("'{} ns/K'", draw.sign() * 5.0 * size));
        size <= 1.0
    }),
    ("laser rise", |_, head, size| {
        head.set("laser.rise", format!("'{} ns'", 50.0 * size));
        true
    }),
    ("coarse in-scan trims", |_, head, size| {
        head.set("trims.in_scan_step", format!("'{} ns'", 20.0 * size));
        true
    }),
    ("coarse cross-scan trims", |_, head, size| {
        head.set("trims.cross_scan_step", format!("'{} urad'", 10.0 * size));
        true
    }),
    ("short registers", |_, head, size| {
        head.set("trims.in_scan_range", format!("'{} ns'", 150.0 / size));
        head.set("trims.cross_scan_range", format!("'{} urad'", 100.0 / size));
        // 61 um in-scan and 81 um across: the script asks for 60 um.
        size <= 1.0
    }),
    ("in-scan gain", |draw, head, _| {
        let gain = draw.within(-2.5, 2.5);
        head.set("trims.in_scan_gain", gain);
        (gain - 1.0).abs() < 0.2
    }),
    ("cross-scan gain", |draw, head, _| {
        let gain = draw.within(-2.5, 2.5);
        head.set("trims.cross_scan_gain", gain);
        (gain - 1.0).abs() < 0.2
    }),
    ("wiring of trims", |draw, head, _| {
        match draw.whole(0, 2) {
            0 => head.set("trims.axes_swapped", true),
            1 => head.set("trims.order_reversed", true),
            _ => head.set("trims.rotated", draw.whole(1, i64::from(head.facets) - 1)),
        }
        false
    }),
    ("all trims", |_, head, _| {
        head.set("dot_clock.kind", "'accumulator'");
        head.set("dot_clock.accumulator_bits", 48);
        head.set("trims.in_scan_range", "'4 us'");
        head.set("trims.power_range", "'60 %'");
        head.set("trims.length_range", "'1 %'");
        head.set("trims.linearity_range", "'20 %'");
        head.set("trims.linearity_segments", 64);
        false
    }),
    ("length trims", |_, head, _| {
        head.set("trims.length_range", "'1 %'");
        false
    }),
    ("power trims", |_, head, _| {
        head.set("trims.power_range", "'50 %'");
        false
    }),
    ("other dot clock", |draw, head, _| {
        head.set("dot_clock.master", format!("'{} MHz'", draw.within(100.0, 600.0)));
        false
    }),
    ("hunting", |draw, head, size| {
        let frequency = 0.1 * 100_f64.powf(draw.within(0.0, 1.0));
        let amplitude = 20.0 * size;
        let one = format!("{{ frequency = '{frequency} Hz', amplitude = '{amplitude} ppm' }}");
        head.set("rotor.hunting", format!("[{one}]"));
        size <= QUIET
    }),
    ("ripple", |draw, head, size| {
        let order = draw.whole(1, i64::from(head.facets) / 2);
        let one = format!("{{ order = {order}, amplitude = '{} ppm' }}", 40.0 * size);
        head.set("rotor.ripple", format!("[{one}]"));
        true
    }),
    ("jitter of turns", |_, head, size| {
        head.set("rotor.jitter", format!("'{} ppm'", 12.0 * size));
        size <= QUIET
    }),
    ("jitter of pulses", |_, head, size| {
        head.set("start_of_scan.jitter", format!("'{} ns'", 15.0 * size));
        size <= QUIET
    }),
    ("detector", |draw, head, size| {
        head.set("start_of_scan.response", format!("'{} us'", 0.5 * size));
        head.set("start_of_scan.threshold", draw.within(0.2, 0.6));
        head.set("start_of_scan.edge_lean", format!("'{} deg'", draw.within(-40.0, 40.0)));
        true
    }),
    ("noise of the gauge", |draw, head, size| {
        let noise = 6.0 * size;
        head.set("gauge.noise", format!("'{noise} um'"));
        head.set("gauge.stated", format!("'{} um'", noise * draw.within(0.8, 1.5)));
        size <= QUIET
    }),
    ("digit of the gauge", |_, head, size| {
        head.set("gauge.resolution", format!("'{} um'", 6.0 * size));
        size <= 0.25
    }),
    ("wild readings", |draw, head, size| {
        head.set("gauge.wild", (0.05 * size).min(0.2));
        head.set("gauge.wild_error", format!("'{} um'", draw.within(10.0, 100.0)));
        size <= QUIET
    }),
    ("lost readings", |draw, head, _| {
        head.set("gauge.lost", draw.within(0.0, 0.03));
        true
    }),
    ("offset of the gauge", |draw, head, size| {
        let stated = 2.0 * size;
        head.set("gauge.stated_offset", format!("'{stated} um'"));
        head.set("gauge.in_scan_bias", format!("'{} um'", stated * draw.normal()));
        head.set("gauge.cross_scan_bias", format!("'{} um'", stated * draw.normal()));
        size <= QUIET
    }),
    ("scale and turn of the gauge", |draw, head, size| {
        let stated = 60.0 * size;
        head.set("gauge.stated_slope", format!("'{stated} ppm'"));
        head.set("gauge.scale", format!("'{} ppm'", stated * draw.normal()));
        head.set("gauge.turn", format!("'{} urad'", stated * draw.normal()));
        false
    }),
    ("places of the gauge", |_, head, size| {
        head.set("gauge.stated_place", format!("'{} um'", 3.0 * size));
        size <= QUIET
    }),
    ("marks of the gauge", |draw, head, _| {
        let marks = *draw.one_of(&[1, 3, 9, 17, 33]);
        head.set("gauge.marks", marks);
        marks > 3
    }),
    ("fault", |draw, head, _| {
        let facet = draw.whole(0, i64::from(head.facets) - 1);
        let at = draw.within(0.0, 40.0);
        let fault = match draw.whole(0, 9) {
            0 => "galvanometer_stuck".to_string(),
            1 => format!("lock_lost@{at}s"),
            2 => format!("interlock_opened@{at}s"),
            3 => format!("gauge_dead@{at}s"),
            4 => "index_shifted".to_string(),
            5 => "index_slipping".to_string(),
            6 => format!("ghost_pulse(facet={facet})"),
            7 => format!("start_of_scan_dropouts(share={})", draw.within(0.0, 0.1)),
            _ => format!("stuck_trim(facet={facet})"),
        };
        head.defects.push(fault.clone());
        head.faults.push(fault);
        false
    }),
];
