"""A head that exposes a chart, a medium and a flatbed scanner, all in NumPy and SciPy and none of it spintrue's
code. The chart's image is read with Pillow; its first comment says what it is made for."""

import json
from dataclasses import dataclass, field

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, gaussian_filter1d

THRESHOLD = 0.05


@dataclass
class Chart:
    path: str
    spec: dict = field(init=False)
    dark: np.ndarray = field(init=False)

    def __post_init__(self):
        with open(self.path, "rb") as file:
            assert file.readline() == b"P4\n"
            self.spec = json.loads(file.readline().decode().split(" ", 4)[4])
        self.dark = ~np.array(Image.open(self.path))


def legendre(s):
    x = 2 * np.asarray(s)
    return [np.ones_like(x), x, (3 * x**2 - 1) / 2, (5 * x**3 - 3 * x) / 2]


@dataclass
class Head:
    """Shapes of each facet's line, in m: P0 to P3 in 2s along, P0 to P2 across; dose; jitter from line to line."""

    along: np.ndarray
    across: np.ndarray
    dose: np.ndarray
    jitter: tuple = (0.25e-6, 0.2e-6)
    spot: float = 33e-6

    @staticmethod
    def random(rng, facets, size=20e-6):
        along = rng.normal(0, 1, (facets, 4)) * np.array([size, size / 2, size / 4, size / 8])
        across = rng.normal(0, 1, (facets, 3)) * np.array([size, size / 2, size / 8])
        return Head(along.clip(-2 * size, 2 * size), across.clip(-2 * size, 2 * size),
                    1 + 0.05 * rng.normal(0, 1, facets).clip(-2, 2))

    def dx(self, facet, s):
        return sum(c * p for c, p in zip(self.along[facet], legendre(s)))

    def dy(self, facet, s):
        return sum(c * p for c, p in zip(self.across[facet], legendre(s)))


@dataclass
class Scanner:
    dpi: float = 1200
    turn: float = 0.0  # rad
    shear: float = 0.0
    stretch: float = 0.0  # of the carriage's travel
    travel_along: bool = True
    motion: float = 20e-6  # peak
    flat: bool = False
    tone: float = 3e-6  # amplitude of one more wave
    blur: float = 0.5  # pixels
    noise: float = 0.01  # of the whole range
    gamma: float = 1.0
    white: float = 0.9
    black: float = 0.08
    levels: int = 255
    margin: float = 4e-3
    # Places of a ruler's strokes along the lines, and how far in rad it is turned; it lies in the empty strip.
    ruler: tuple = ()
    lean: float = 0.0

    def carriage(self, rng, places):
        """Error of the carriage at places in m: waves with periods of 0.4 to 150 mm, and one tone."""
        periods = np.geomspace(0.4e-3, 150e-3, 15)
        size = np.ones(15) if self.flat else np.sqrt(periods)
        waves = sum(a * np.sin(2 * np.pi * places / p + rng.uniform(0, 2 * np.pi)) for a, p in zip(size, periods))
        error = self.motion * waves / np.abs(waves).max() if self.motion else np.zeros_like(places)
        period = np.exp(rng.uniform(np.log(0.4e-3), np.log(20e-3)))
        return error + self.tone * np.sin(2 * np.pi * places / period + rng.uniform(0, 2 * np.pi))


def smooth(rng, places, size):
    """What a sensor or a guide is off, slowly."""
    t = (places - places.mean()) / np.ptp(places)
    return size * (rng.normal() * t + rng.normal() * (4 * t**2 - 1 / 3) + rng.normal() * np.sin(6 * t + rng.uniform(0, 6)))


def scan(chart, head, scanner, rng):
    """Gray levels of a scan: rows along the lines, columns across them, mirrored as a sheet seen from behind."""
    spec, dark = chart.spec, chart.dark
    px, py, facets = spec["in_scan_pitch"], spec["cross_scan_pitch"], spec["facets"]
    length, height = spec["dots"] * px, spec["lines"] * py
    pixel = 25.4e-3 / scanner.dpi
    rows = int((length + 2 * scanner.margin) / pixel)
    columns = int((height + 2 * scanner.margin) / pixel)
    at_row = (np.arange(rows) + 0.5) * pixel
    at_column = (np.arange(columns) + 0.5) * pixel
    # Where each pixel looks on the glass: the carriage's errors along its travel, the sensor's across.
    if scanner.travel_along:
        x_of_row = at_row * (1 + scanner.stretch) + scanner.carriage(rng, at_row)
        y_of_row = smooth(rng, at_row, 5e-6)
        x_of_column = smooth(rng, at_column, 10e-6)
        y_of_column = at_column + smooth(rng, at_column, 15e-6)
    else:
        x_of_row = at_row + smooth(rng, at_row, 15e-6)
        y_of_row = smooth(rng, at_row, 10e-6)
        x_of_column = smooth(rng, at_column, 5e-6)
        y_of_column = at_column * (1 + scanner.stretch) + scanner.carriage(rng, at_column)
    cos, sin = np.cos(scanner.turn), np.sin(scanner.turn)
    # The middle of the sheet lies in the middle of the scan.
    middle = np.array([rows * pixel / 2, columns * pixel / 2])
    # Pixels are even squares: across the lines, where response and edge are steepest, two samples each.
    light = np.zeros((rows, 2 * columns), np.float32)
    steps = 8
    reach = 5 * head.spot
    y_columns = np.interp(np.arange(2 * columns) / 2 - 0.25, np.arange(columns), y_of_column - middle[1],
                          left=-1, right=1)
    x_of_column = np.repeat(x_of_column, 2)
    for row in np.flatnonzero(dark.any(axis=1)):
        facet = (spec["first_facet"] + row) % facets
        jitter = rng.normal(0, 1, 2) * head.jitter
        fine = np.repeat(dark[row].astype(np.float32), steps)
        fine = gaussian_filter1d(fine, head.spot / px * steps, mode="constant")
        at_fine = (np.arange(len(fine)) + 0.5) / steps * px
        lit = np.flatnonzero(fine > 1e-4)
        # Rows of pixels that see it, in runs.
        y_line = (row + 0.5) * py - height / 2
        guess = at_row - middle[0] + length / 2 - sin * y_line
        seen = np.interp(guess, at_fine, gaussian_filter1d(fine, steps * 3), left=0, right=0) > 1e-5
        own = np.flatnonzero(seen)
        if not len(own) or not len(lit):
            continue
        breaks = np.flatnonzero(np.diff(own) > 40)
        for ends in np.split(own, breaks + 1):
            run = np.arange(ends[0], ends[-1] + 1)
            gx = x_of_row[run] - middle[0]
            centre = (y_line - sin * gx + 0.0) / cos
            first = int(np.searchsorted(y_columns, centre.min() - reach - 0.15e-3))
            last = int(np.searchsorted(y_columns, centre.max() + reach + 0.15e-3))
            if last <= first:
                continue
            # Along the line as at its middle: what a turn adds above the middle it takes below.
            at_middle = np.interp(centre, y_columns, x_of_column)
            x = cos * (gx + at_middle + scanner.shear * centre) - sin * centre + length / 2
            # The share of the dot that came to lie here, not that of the place.
            s = x / length - 0.5
            s = (x - head.dx(facet, s)) / length - 0.5
            x -= sin * head.dy(facet, s)
            along = np.interp(x - head.dx(facet, s) - jitter[0], at_fine, fine, left=0, right=0)
            off = sin * gx + cos * y_of_row[run] - y_line - head.dy(facet, s) - jitter[1]
            ys = (off[:, None] + cos * y_columns[None, first:last]).astype(np.float32)
            ys *= ys * np.float32(-0.5 / head.spot**2)
            along *= head.dose[facet] * py / head.spot / np.sqrt(2 * np.pi)
            light[run[0]:run[-1] + 1, first:last] += along.astype(np.float32)[:, None] * np.exp(ys)
    black = 1 - np.exp(-3 * np.maximum(light - THRESHOLD, 0) / (1 - THRESHOLD))
    black = black[:, ::2] / 2 + black[:, 1::2] / 2
    for stroke in scanner.ruler:
        # 60 µm wide and 8 mm long, in the middle of the strip, as soft as pixels of the scan make them.
        middle_y = height - 6e-3 - spec["ruler_space"] / 2
        row = int((stroke * np.cos(scanner.lean) + scanner.margin) / pixel)
        column = int((middle_y + scanner.margin) / pixel)
        rows_of = np.arange(max(row - 120, 0), min(row + 120, rows))
        columns_of = np.arange(column - int(4e-3 / pixel), column + int(4e-3 / pixel))
        gy = y_of_column[columns_of][None, :] - middle[1] + y_of_row[rows_of][:, None]
        gx = x_of_row[rows_of][:, None] - middle[0] + (x_of_column[::2][columns_of])[None, :] + scanner.shear * gy
        x = cos * gx - sin * gy + length / 2
        y = sin * gx + cos * gy + height / 2 - middle_y
        along = np.cos(scanner.lean) * x + np.sin(scanner.lean) * y
        dark = 0.5 - 0.5 * np.tanh((np.abs(along - stroke) - 30e-6) / 15e-6)
        part = black[rows_of[0]:rows_of[-1] + 1, columns_of[0]:columns_of[-1] + 1]
        np.maximum(part, dark, out=part)
    gray = scanner.white - (scanner.white - scanner.black) * black
    if scanner.blur:
        gray = gaussian_filter(gray, scanner.blur)
    gray = gray ** (1 / scanner.gamma)
    gray += scanner.noise * rng.standard_normal(gray.shape, np.float32)
    levels = scanner.levels
    return (gray.clip(0, 1) * levels + 0.5).astype(np.uint8 if levels < 256 else np.uint16)


def truth(head, places):
    """Marks of each facet less the mean of all: in-scan, cross-scan, dose; facets by places."""
    facets = range(len(head.dose))
    along = np.array([head.dx(k, places) for k in facets])
    across = np.array([head.dy(k, places) for k in facets])
    dose = np.repeat(np.array(head.dose)[:, None], len(places), axis=1)
    return along - along.mean(0), across - across.mean(0), dose / dose.mean(0)
