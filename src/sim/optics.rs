//! Optics of one spot: from the f-theta law to where the light of a real lens, mirror and beam lands, and
//! how much of it.

use crate::reader::Table;
use core::f64::consts::{PI, SQRT_2};
use spintrue_head::{Description, facet_to_axis_shift, galvanometer_shift};

/// One facet as it was cut and coated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Facet {
    /// Division error in rad: + comes late.
    pub division: f64,
    /// Facet-to-axis error in rad: + aims the beam towards a larger galvanometer angle.
    pub facet_to_axis: f64,
    /// Reflectivity, 1 is nominal.
    pub reflectivity: f64,
    /// How much longer than nominal its line is, as a share: a curved facet.
    pub stretch: f64,
    /// How much its line rises across per length along it.
    pub skew: f64,
}

/// How lens and mirrors bend every line: shifts in m at the ends of the longest line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bend {
    /// The longest line's half in m, where the shifts are given.
    edge: f64,
    /// Along the line, growing with the cube of the place: what the f-theta law leaves.
    odd: f64,
    /// Along the line, growing with the square: pupil shift and decentring.
    even: f64,
    /// Across the line, growing with the square: bow.
    bow: f64,
}

impl Bend {
    /// Shift along the line in m at `x` m from the middle of the sweep.
    pub(crate) fn along(&self, x: f64) -> f64 {
        let share = x / self.edge;
        (self.odd * share + self.even) * share * share
    }

    /// Shift across the line in m.
    fn across(&self, x: f64) -> f64 {
        let share = x / self.edge;
        self.bow * share * share
    }
}

/// Lens, galvanometer scale, beam and laser.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Optics {
    pub(crate) bend: Bend,
    /// Focal length as built in m.
    pub(crate) focal_length: f64,
    /// Focal length in m that the head states.
    stated: f64,
    /// What tilt-correcting optics leave of the facet-to-axis error.
    tilt_gain: f64,
    /// True angle of the galvanometer over the one that it reports.
    mirror_gain: f64,
    /// What it adds beyond, growing with the cube of the angle, in 1/rad².
    mirror_cubic: f64,
    beam: Beam,
    /// Rise of the power from the start of a line to its end, as a share.
    ramp: f64,
}

/// The beam on a facet, as lengths in m.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Beam {
    /// 1/e² diameter.
    diameter: f64,
    wavelength: f64,
    /// Half the width of a facet, and its distance from the axis.
    facet: (f64, f64),
}

/// Edges so far from the middle of the beam, in its 1/e² radii, take no light that a double could tell.
const CLEAR: f64 = 4.3;

/// Strips of a beam that is cut off, which are summed up.
const STRIPS: u32 = 256;

/// Spots that are wider by more have no light to speak of.
const MAX_SPREAD: f64 = 1000.0;

impl Beam {
    /// The edges of a facet turned by `angle` rad from the middle of its sweep, in 1/e² radii of the beam
    /// from its middle; none where they cut off no light that a double could tell.
    fn cut(&self, angle: f64) -> Option<[f64; 2]> {
        let (half, distance) = self.facet;
        let off = distance * angle;
        let edges = [off - half, off + half].map(|edge| 2.0 * edge / self.diameter);
        let [from, to] = edges;
        (from > -CLEAR || to < CLEAR).then_some(edges)
    }

    /// Share of the light that a facet turned by `angle` rad from the middle of its sweep catches. While
    /// it turns about the polygon's axis at the distance r, its middle moves by r·angle against the
    /// beam (first order, derived for a beam that meets the middle of the facet in the middle of its
    /// sweep). Of a Gaussian beam of the diameter D the part below u is ½·erfc(−√8·u/D) (derived).
    fn caught(&self, angle: f64) -> f64 {
        let below = |edge: f64| libm::erf(SQRT_2 * edge);
        self.cut(angle).map_or(1.0, |[from, to]| 0.5 * (below(to) - below(from)))
    }
}

/// How much wider the spot is along the line if the beam is cut off at these edges.
///
/// With u in 1/e² radii of the beam and w in those of its plain spot, the field exp(−u²) makes the field
/// ∫exp(−u²)·exp(2i·u·w)du in the focus, so that its light falls to exp(−2) at w = 1: the Fraunhofer
/// diffraction of a Gaussian beam (derived). Between edges it is summed up strip by strip.
fn spread([from, to]: [f64; 2]) -> f64 {
    let (from, to) = (from.max(-CLEAR), to.min(CLEAR));
    let strip = (to - from) / f64::from(STRIPS);
    let light = |w: f64| {
        let field = (0..STRIPS).fold((0.0, 0.0), |(real, imaginary), k| {
            let u = from + (f64::from(k) + 0.5) * strip;
            let (sin, cos) = libm::sincos(2.0 * u * w);
            let amplitude = libm::exp(-u * u);
            (real + amplitude * cos, imaginary + amplitude * sin)
        });
        field.0 * field.0 + field.1 * field.1
    };
    let limit = light(0.0) * libm::exp(-2.0);
    let (mut inside, mut outside) = (0.0, 1.0);
    while light(outside) > limit && outside < MAX_SPREAD {
        (inside, outside) = (outside, outside * 1.25);
    }
    for _ in 0..30 {
        let middle = (inside + outside) / 2.0;
        if light(middle) > limit { inside = middle } else { outside = middle }
    }
    outside
}

/// Where a spot lies against the plain f-theta law, and how much light it has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    /// Along the line, from the middle of the sweep, in m.
    pub(crate) along: f64,
    /// Across the line, from the axis, in m.
    pub(crate) across: f64,
    /// Light against that of a nominal facet in the middle of the sweep.
    pub(crate) light: f64,
}

/// How much shorter a line is whose beam has this elevation, in rad.
fn shortening(elevation: f64) -> f64 {
    1.0 - elevation * elevation / 3.0
}

impl Optics {
    /// Reads it from the tables of lens, galvanometer and laser. `radius` is that of the polygon to its
    /// corners in m.
    pub(crate) fn read(
        lens: &Table<'_, '_>,
        mirror: &Table<'_, '_>,
        laser: &Table<'_, '_>,
        stated: &Description,
        radius: f64,
    ) -> Optics {
        let (sin, cos) = libm::sincos(PI / f64::from(stated.facets));
        let (range, focal_length) = (stated.galvanometer_range, stated.focal_length);
        let cubic = mirror.number("linearity_error", -0.1..=0.1);
        Optics {
            bend: Bend {
                edge: stated.line_most / 2.0,
                odd: lens.number("distortion", -0.01..=0.01),
                even: lens.number("even_distortion", -0.01..=0.01),
                bow: lens.number("bow", -0.01..=0.01),
            },
            focal_length: focal_length * (1.0 + lens.number("focal_length_error", -0.1..=0.1)),
            stated: focal_length,
            tilt_gain: lens.number("tilt_gain", 0.0..=1.0),
            mirror_gain: 1.0 + mirror.number("gain_error", -0.5..=0.5),
            mirror_cubic: cubic / (range * range),
            beam: Beam {
                diameter: laser.number("beam_diameter", 1e-5..=0.2),
                wavelength: laser.number("wavelength", 1e-7..=2e-5),
                facet: (radius * sin, radius * cos),
            },
            ramp: laser.number("ramp", -1.0..=1.0),
        }
    }

    /// 1/e² diameter of the spot in m: 4·λ·f/(π·D) (Smith, *Modern Optical Engineering*, eq. 9.27).
    /// That the facet cuts off parts of the beam is left out.
    pub(crate) fn spot_diameter(&self) -> f64 {
        4.0 * self.beam.wavelength * self.focal_length / (PI * self.beam.diameter)
    }

    /// 1/e² width along the line in m of the spot at `x` m by the f-theta law.
    pub(crate) fn width(&self, x: f64) -> f64 {
        let focal_length = self.focal_length;
        let plain = self.spot_diameter();
        self.beam.cut(x / focal_length / 2.0).map_or(plain, |edges| plain * spread(edges))
    }

    /// Angle in rad by which a beam leaves the plane of the scan when the galvanometer reports the
    /// mechanical angle `angle`: facet and galvanometer turn it by twice their own.
    fn elevation(&self, facet: &Facet, angle: f64) -> f64 {
        let mirror = angle * (self.mirror_gain + self.mirror_cubic * angle * angle);
        let tilt = self.tilt_gain * facet.facet_to_axis;
        let f = self.focal_length;
        (galvanometer_shift(mirror, f) + facet_to_axis_shift(tilt, f)) / f
    }

    /// How much shorter a line is that runs off the axis. With the elevation e and the scan angle φ of a
    /// beam, of which the polygon changes the second only, a lens that images the angle to its axis at f
    /// times it lays the spot at x = f·φ·(1 − e²/3) and y = f·e·(1 + φ²/6) (derived, to second order
    /// in each angle).
    pub(crate) fn shortening(&self, facet: &Facet, angle: f64) -> f64 {
        shortening(self.elevation(facet, angle))
    }

    /// Where the plan has a line across when the galvanometer is sent to `angle` rad, in m.
    pub(crate) fn planned_across(&self, angle: f64) -> f64 {
        galvanometer_shift(angle, self.stated)
    }

    /// The spot that a facet makes at `x` m by the f-theta law, with the galvanometer at `angle` rad. Where
    /// a spot is slower it leaves more light.
    pub(crate) fn spot(&self, facet: &Facet, x: f64, angle: f64) -> Spot {
        let scan = x / self.focal_length;
        let elevation = self.elevation(facet, angle);
        let (height, shortening) = (elevation * self.focal_length, shortening(elevation));
        let along = x * shortening;
        Spot {
            along: along + self.bend.along(along),
            across: height * (1.0 + scan * scan / 6.0) + facet.skew * x + self.bend.across(x),
            light: facet.reflectivity / shortening,
        }
    }

    /// Light over that of [`Optics::spot`] at `x` m by the f-theta law, a share `at` of the line from its
    /// middle: what the edges of the facet leave, and how the power rises.
    pub(crate) fn falloff(&self, x: f64, at: f64) -> f64 {
        self.beam.caught(x / self.focal_length / 2.0) * (1.0 + self.ramp * at)
    }
}
