"""Draws images, and compares the results of spintrue with Pillow and NumPy.

`images WORK SEED` writes P4 files with Pillow. `compare WORK SEED SPINTRUE` reads the dot words that
the test wrote beside them, runs the program, and compares.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
from PIL import Image

THRESHOLD = 0.05

# A perfect head: no errors, no scatter, any dot clock.
IDEAL = """
[rotor]
ripple = []
hunting = []
jitter = '0 ppm'
[start_of_scan]
jitter = '0 ns'
edge_lean = '0 deg'
[facets]
division = '0 arcsec'
facet_to_axis = '0 arcsec'
reflectivity = '0 %'
[lens]
distortion = '0 um'
[medium]
threshold = '5 %'
[galvanometer]
wobble = '0 urad'
drift = '0 urad/K'
[dot_clock]
kind = 'accumulator'
accumulator_bits = 52
"""


def draw(work, seed):
    random = np.random.default_rng(seed)
    sizes = [(1, 1), (7, 3), (8, 2), (31, 5), (32, 4), (33, 6), (100, 40), (3600, 20), (999, 300)]
    for width, height in sizes:
        black = random.random((height, width)) < random.uniform(0.1, 0.9)
        Image.fromarray(~black).save(work / "images" / f"{width}x{height}.pbm", format="PPM")


def black(path):
    return ~np.array(Image.open(path))


def words(work):
    """Words of 32 dots, packed by NumPy from the pixels that Pillow reads."""
    count = 0
    for path in sorted((work / "images").glob("*.pbm")):
        dots = black(path)
        padded = np.pad(dots, ((0, 0), (0, -dots.shape[1] % 32)))
        should = np.packbits(padded, axis=1).view(">u4")
        seen = np.frombuffer(path.with_suffix(".words").read_bytes(), dtype=">u4")
        assert np.array_equal(seen.reshape(should.shape), should), path
        count += should.size
    assert count > 1000
    return f"{count} words"


def run(spintrue, *arguments):
    done = subprocess.run([spintrue, *arguments], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout


def shares(count, scale, deviation, edge):
    """Light that each pixel gets from each dot: a Gaussian, averaged over the pixel; along the line
    smeared over the width of the dot. In units of pixels; inside, the sum over all dots is 1."""
    positions = np.arange(count * scale)[:, None] - np.arange(count)[None, :] * scale
    if edge:
        whole = lambda u: u * below(u, deviation) + deviation * np.exp(
            -0.5 * (u / deviation) ** 2
        ) / math.sqrt(2 * math.pi)
        area = lambda u: whole(u + 1.0) - whole(u)
        return area(positions) - area(positions - scale)
    centre = positions - 0.5 * scale
    return scale * (below(centre + 1.0, deviation) - below(centre, deviation))


def below(u, deviation):
    return 0.5 * (1.0 + np.vectorize(math.erf)(u / deviation / math.sqrt(2.0)))


def pictures(work, spintrue):
    """Gray levels of pages on a perfect head: 255·exp(−3·(E − T)/(1 − T)) of the Gaussian's light E above the
    threshold T of the medium. A pixel that is a dot has its mean light; of smaller ones the gray is the mean."""
    head = work / "ideal.toml"
    head.write_text(IDEAL)
    pitch = 25.4e-3 / 300
    worst = 0.0
    for size, scale, spot in [("100x40", 1, 0.3), ("100x40", 3, 1.5), ("999x300", 1, 1.5), ("100x40", 2, 4.0)]:
        image = work / "images" / f"{size}.pbm"
        out = work / "seen.png"
        arguments = ["head", "expose", str(image), "--out", str(out), "--head", f"sim:{head}"]
        arguments += ["--force", "--pixels-per-dot", str(scale), "--spot", f"{spot * pitch * 1e6} um"]
        run(spintrue, *arguments)
        picture = Image.open(out)
        assert picture.mode == "L"
        # 300 dots per inch, times the pixels per dot.
        assert abs(picture.info["dpi"][0] / scale - 300) < 0.1, picture.info
        seen = np.array(picture).astype(float)
        dots = black(image).astype(float)
        parts = 1 if scale == 1 else 16
        deviation = spot * scale * parts / 4
        along = shares(dots.shape[1], scale * parts, deviation, True)
        across = shares(dots.shape[0], scale * parts, deviation, False)
        light = across @ dots @ along.T
        gray = 255 * np.exp(-3 * np.maximum(light - THRESHOLD, 0) / (1 - THRESHOLD))
        rows, columns = (count // parts for count in gray.shape)
        should = gray.reshape(rows, parts, columns, parts).mean(axis=(1, 3))
        off = np.abs(seen - should)
        # Half a level for rounding, and the finite resolution of positions and light: in small pixels light is even over
        # a twelfth of the spot.
        assert off.max() < (1.0 if scale == 1 else 1.5), (size, scale, spot, off.max())
        worst = max(worst, off.max())
        if spot < 0.5:
            assert np.array_equal(seen < 128, black(image))
    return f"gray levels within {worst:.2f} of 255"


def banding(work, seed, spintrue):
    """Peaks against numpy.fft.rfft over whole turns."""
    random = np.random.default_rng(seed)
    worst = 0.0
    for lines, facets in [(10, 10), (123, 10), (97, 7), (600, 12), (500, 2), (1001, 36)]:
        pattern = random.normal(0, 8, facets)
        shifts = pattern[np.arange(lines) % facets] + random.normal(0, 0.5, lines)
        script = work / "banding.spt"
        listed = ", ".join(f"{shift:.6f} um" for shift in shifts)
        doses = ", ".join(f"{1 + shift / 100:.8f}" for shift in shifts)
        script.write_text(f'record "peaks": banding([{listed}], facets: {facets})\n'
                          f'record "doses": dose_banding([{doses}], facets: {facets})\n')
        events = map(json.loads, run(spintrue, "run", str(script), "--json").splitlines())
        peaks, doses = (e["value"] for e in events if e["event"] == "recorded")
        whole = lines // facets * facets
        spectrum = np.abs(np.fft.rfft([float(f"{s:.6f}") for s in shifts[:whole]])) / whole
        for peak, dose in zip(peaks, doses, strict=True):
            harmonic = int(peak["harmonic"]["value"])
            assert dose["harmonic"] == peak["harmonic"] and dose["frequency"] == peak["frequency"]
            double = 1 if 2 * harmonic == facets else 2
            should = double * spectrum[harmonic * whole // facets]
            seen = peak["amplitude"]["value"]
            seen *= {"m": 1e6, "mm": 1e3, "um": 1.0, "nm": 1e-3, "pm": 1e-6}[peak["amplitude"]["unit"]]
            worst = max(worst, abs(seen - should))
            assert abs(seen - should) < 1e-6, (lines, facets, harmonic, seen, should)
            off = abs(100 * dose["amplitude"]["value"] - should)
            assert off < 1e-6, (lines, facets, harmonic, dose, should)
        assert len(peaks) == facets // 2
    return f"peaks within {worst:.1e} um"


if __name__ == "__main__":
    mode, work, seed = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    if mode == "images":
        draw(work, seed)
    else:
        spintrue = sys.argv[4]
        print(words(work), pictures(work, spintrue), banding(work, seed, spintrue), sep="; ")
