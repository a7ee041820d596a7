"""Compares what `spintrue chart read` tells with what models of head, medium and scanner put in.

`WORK SPINTRUE SEED SCANS`: statistics over so many random heads and scans; 200 of them make the limits narrow."""

import base64
import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image, ImageFilter
from scipy.integrate import quad
from scipy.ndimage import label, minimum_filter
from skimage.transform import rotate

from chart_model import THRESHOLD, Chart, Head, Scanner, scan, truth

Image.MAX_IMAGE_PIXELS = None
SHEET = "140x90mm"


class Bench:
    def __init__(self, work, spintrue, seed):
        self.work, self.spintrue, self.rng = Path(work), spintrue, np.random.default_rng(seed)

    def run(self, *arguments):
        return subprocess.run([self.spintrue, *map(str, arguments)], capture_output=True, text=True)

    def chart(self, name, *options, head="sim"):
        path = self.work / f"{name}.pbm"
        done = self.run("chart", "draw", path, "--force", "--head", head, "--date", "2026-05-01", *options)
        assert done.returncode == 0, done.stderr
        return Chart(path)

    def read(self, path, chart, *options):
        done = self.run("chart", "read", path, "--chart", chart.path, "--json", *options)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def refused(self, path, chart, says, *options):
        done = self.run("chart", "read", path, "--chart", chart.path, *options)
        assert done.returncode == 2 and says in " ".join(done.stderr.split()), (says, done.stderr, done.stdout)
        assert "panicked" not in done.stderr

    def save(self, gray, name="scan.png", dpi=1200.0, **options):
        path = self.work / name
        if gray.dtype == np.uint16:
            tifffile.imwrite(path, gray, resolution=(dpi, dpi), resolutionunit=2)
        else:
            options.setdefault("compress_level", 1)
            Image.fromarray(gray).save(path, dpi=(dpi, dpi), **options)
        return path


def values(reading, name):
    """Values, and both standard uncertainties together, facets by places."""
    of = lambda key: np.array([[mark[name][key] for mark in facet["marks"]] for facet in reading["facets"]], float)
    return of("value"), np.hypot(of("u"), of("u_fixed"))


def places(reading):
    return np.array([place["at"] for place in reading["places"]])


def compare(reading, head):
    """Errors in m and stated standard uncertainties, in-scan and cross-scan."""
    put_in = truth(head, places(reading))
    return [(values(reading, name)[0] - put_in[k], values(reading, name)[1])
            for k, name in enumerate(("in_scan", "cross_scan"))]


def darkness(dose, chart, head):
    """Light up to the threshold leaves nothing, beyond it 1 - exp(-3 E') (docs/exposure.md), over the line's width."""
    peak = dose * chart.spec["cross_scan_pitch"] / head.spot / np.sqrt(2 * np.pi)
    black = lambda y: 1 - np.exp(-3 * max(peak * np.exp(-0.5 * (y / head.spot) ** 2) - THRESHOLD, 0) / (1 - THRESHOLD))
    return quad(black, -6 * head.spot, 6 * head.spot, points=[0], limit=200)[0]


def random_scan(bench, number):
    """The errors of one random head on one random scan: which quantities, their errors and stated uncertainties."""
    rng = bench.rng
    dpi, speed = [(300, "4800 rpm"), (600, "3000 rpm")][number % 2]
    chart = bench.chart("statistics", "--sheet", SHEET, "--ruler-space", "0mm", "--places", "3",
                        "--resolution", f"{dpi}dpi", "--speed", speed)
    head = Head.random(rng, chart.spec["facets"], 20e-6)
    head.spot = 33e-6 if dpi == 300 else 22e-6
    along = number % 4 != 3
    scanner = Scanner(travel_along=along, turn=rng.uniform(-0.02, 0.02), shear=rng.normal(0, 5e-4),
                      stretch=rng.normal(0, 1e-3), flat=bool(number % 3 == 1), gamma=rng.uniform(1, 2.2),
                      noise=rng.uniform(0.005, 0.015), blur=rng.uniform(0.3, 1.0))
    gray = np.rot90(scan(chart, head, scanner, rng), rng.integers(4))
    if rng.integers(2):
        gray = gray[:, ::-1]
    reading = bench.read(bench.save(np.ascontiguousarray(gray)), chart)
    in_scan, cross_scan = compare(reading, head)
    return {"in-scan": in_scan, ("cross-scan" if along else "cross-scan, lines across the travel"): cross_scan}


# Largest standard uncertainties, as root of the mean square.
LIMITS = {"in-scan": 0.5e-6, "cross-scan": 0.6e-6, "cross-scan, lines across the travel": 1.2e-6}


def summary(rows, is_proof):
    """Judges many scans. Lines of one scan share its errors, so a few scans prove little of the coverage."""
    told = []
    for name, limit in LIMITS.items():
        own = [row[name] for row in rows if name in row]
        if not own:
            continue
        error, u = (np.concatenate([np.ravel(row[k]) for row in own]) for k in (0, 1))
        known = np.isfinite(error)
        error, u = error[known], u[known]
        if not len(error):
            continue
        covered = np.mean(np.abs(error) < 1.96 * u)
        assert np.sqrt(np.mean(u**2)) < limit, (name, u)
        assert 0.93 < covered < 0.999 if is_proof else covered > 0.6, (name, covered)
        told.append(f"{name}: {len(error)} values of {len(own)} scans, r.m.s. error {1e6 * np.sqrt(np.mean(error**2)):.3f} µm, "
                    f"stated {1e6 * np.sqrt(np.mean(u**2)):.3f} µm, 95 % intervals hold {100 * covered:.1f} %")
    return "\n".join(told)


def one_scan(bench, **options):
    """A chart, its head and its scan."""
    chart = bench.chart("one", "--sheet", SHEET, "--ruler-space", "0mm", "--places", "3")
    head = Head.random(bench.rng, chart.spec["facets"])
    return chart, head, scan(chart, head, Scanner(**options), bench.rng)


def formats(bench, chart, head, gray, orientations):
    """Every kind of file and orientation tells the same."""
    plain = bench.read(bench.save(gray), chart)
    wide = gray.astype(np.uint16) * 257
    colour = np.stack([gray] * 3, axis=-1)
    tif = lambda name, data, **options: tifffile.imwrite(
        bench.work / name, data, resolution=(1200, 1200), resolutionunit=2, **options) or bench.work / name
    png16 = bench.work / "wide.png"
    Image.fromarray(wide).save(png16, dpi=(1200, 1200))
    exact = [
        png16, bench.save(colour, "colour.png"), bench.save(gray, "scan.pgm"),
        tif("plain.tif", gray), tif("wide.tif", wide), tif("colour.tif", colour, photometric="rgb"),
        tif("big.tif", wide, byteorder=">"), tif("zip.tif", gray, compression="zlib", rowsperstrip=64),
        tif("wide_zip.tif", wide, compression="zlib", rowsperstrip=16, predictor=2),
        tif("inverse.tif", 255 - gray, photometric="miniswhite"),
        tif("inverse_zip.tif", 255 - gray, photometric="miniswhite", compression="zlib", rowsperstrip=48),
        tif("big_zip.tif", wide, byteorder=">", compression="zlib", rowsperstrip=16),
        tif("colour_zip.tif", colour, photometric="rgb", compression="zlib", rowsperstrip=16),
    ]
    for path in exact:
        reading = bench.read(path, chart)
        for name in ("in_scan", "cross_scan"):
            off = np.abs(values(reading, name)[0] - values(plain, name)[0]).max()
            assert off < 1e-9, (path, name, off)
    assert abs(plain["scan"]["stated"][0] * 25.4e-3 - 1200) < 0.1
    for number in orientations:
        turned = np.rot90(gray, number % 4)
        turned = turned[:, ::-1] if number >= 4 else turned
        reading = bench.read(bench.save(np.ascontiguousarray(turned)), chart)
        assert reading["scan"]["mirrored"] == (not plain["scan"]["mirrored"] if number >= 4 else plain["scan"]["mirrored"])
        for name in ("in_scan", "cross_scan"):
            off = np.abs(values(reading, name)[0] - values(plain, name)[0]).max()
            assert off < 0.1e-6, (number, name, off)
    for name, options in [("q90.jpg", dict(quality=90)), ("q95.jpg", dict(quality=95, progressive=True))]:
        path = bench.work / name
        Image.fromarray(gray).save(path, dpi=(1200, 1200), **options)
        reading = bench.read(path, chart)
        for error, u in compare(reading, head):
            assert np.mean(np.abs(error) < 1.96 * u) > 0.8, (name, error, u)
    for key, name in (("in_scan", "in_scan"), ("cross_scan", "cross_scan")):
        pattern = values(plain, name)[0].mean(axis=1)
        n = len(pattern)
        wanted = np.abs(np.fft.rfft(pattern))[1:] / n * np.where(np.arange(1, n // 2 + 1) * 2 == n, 1, 2)
        assert np.allclose(plain["banding"][key], wanted, atol=1e-12), (plain["banding"][key], wanted)
    dark, u = values(plain, "darkness")
    wanted = np.array([darkness(dose, chart, head) for dose in head.dose])
    off = dark.mean(axis=1) / (wanted / np.exp(np.log(wanted).mean())) - 1
    assert np.abs(off).max() < 0.01, off
    return f"{len(exact)} kinds of files alike, {len(orientations)} orientations, JPEG; banding as numpy.fft; darkness within {100 * np.abs(off).max():.2f} %"


def ruler(bench):
    """Length and distortion that all facets share, against a ruler that lies a little askew."""
    chart = bench.chart("ruler", "--sheet", "140x105mm", "--places", "5")
    length = chart.spec["dots"] * chart.spec["in_scan_pitch"]
    head = Head.random(bench.rng, chart.spec["facets"])
    head.along += np.array([0, bench.rng.uniform(-0.005, 0.005) * length, *bench.rng.normal(0, 40e-6, 2)])
    marks = np.arange(0, int(length * 1e3) - 4) * 1e-3
    scanner = Scanner(ruler=tuple(marks + 2.3e-3), lean=bench.rng.uniform(-0.008, 0.008), stretch=3e-3, turn=0.006)
    path = bench.save(scan(chart, head, scanner, bench.rng))
    certificate = bench.work / "ruler.toml"
    listed = ", ".join(f'"{mark * 1e3:.0f} mm"' for mark in marks)
    certificate.write_text('[ruler]\nid = "R-1 (invented)"\ncertificate = "1"\ndue = "2099-01-01"\n'
                           f'marks = [{listed}]\nmark_u = "0.1 um"\nslope_u = "2 ppm"\n')
    common = bench.read(path, chart, "--ruler", certificate)["common"]
    mean = head.along.mean(axis=0)
    for name, wanted in (("length", 2 * mean[1] / length), ("even", mean[2]), ("odd", mean[3])):
        u = np.hypot(common[name]["u"], common[name]["u_fixed"])
        assert abs(common[name]["value"] - wanted) < 4 * u, (name, common[name], wanted)
        assert u < (5e-6 if name == "length" else 0.5e-6), (name, u)
    wanted = 1e6 * 2 * mean[1] / length
    return f"with a ruler: length {1e6 * common['length']['value']:.1f} ppm, put in {wanted:.1f} ppm"


# A head without scatter, whose errors follow from its description.
HEAD = """
[head]
model = "chart test head (invented)"
[rotor]
ripple = []
hunting = []
jitter = "0 ppm"
[start_of_scan]
jitter = "0 ns"
edge_lean = "0 deg"
[galvanometer]
wobble = "0 urad"
drift = "0 urad/K"
[lens]
distortion = "0 um"
[facets]
reflectivity = "0 %"
facet_to_axis_errors = [{axis}]
stretches = [{stretches}]
skews = [{skews}]
"""


def simulated(bench):
    """The simulated head exposes the chart. Errors put in: 2 f a across (Beiser, Unified Optical Scanning Technology,
    4.3; factor derived), stretch and skew along the line."""
    rng = bench.rng
    axis, stretches, skews = rng.uniform(-8, 8, 10), rng.uniform(-200, 200, 10), rng.uniform(-4e-5, 4e-5, 10)
    listed = lambda numbers, unit: ", ".join(f'"{number:.6g}{unit}"' for number in numbers)
    description = bench.work / "head.toml"
    description.write_text(HEAD.format(axis=listed(axis, " arcsec"), stretches=listed(stretches, " ppm"), skews=listed(skews, "")))
    address = f"sim:{description}"
    chart = bench.chart("sim", "--sheet", SHEET, "--ruler-space", "0mm", "--places", "3", head=address)
    picture = bench.work / "exposed.png"
    done = bench.run("head", "expose", chart.path, "--head", address, "--out", picture, "--pixels-per-dot", "8", "--force")
    assert done.returncode == 0, done.stdout + done.stderr
    seen = np.pad(np.array(Image.open(picture)), 80, constant_values=255).astype(np.float32)
    # 2400 dpi, turned by 0.7 degrees, and scanned at 1200 dpi.
    seen = rotate(seen, 0.7, order=3, mode="edge", preserve_range=True)
    seen = seen[: seen.shape[0] // 2 * 2, : seen.shape[1] // 2 * 2]
    seen = seen.reshape(seen.shape[0] // 2, 2, -1, 2).mean(axis=(1, 3)) + 2 * rng.standard_normal((seen.shape[0] // 2, seen.shape[1] // 2))
    reading = bench.read(bench.save(np.clip(seen.T, 0, 255).astype(np.uint8)), chart)
    length, at = chart.spec["dots"] * chart.spec["in_scan_pitch"], places(reading)
    across = 2 * 404.2536e-3 * np.deg2rad(axis / 3600)[:, None] + skews[:, None] * at * length
    along = stretches[:, None] * 1e-6 * at * length
    told = []
    for name, wanted in (("in_scan", along), ("cross_scan", across)):
        error = values(reading, name)[0] - (wanted - wanted.mean(axis=0))
        # The formula for the axis error is of first order: a lean draws a bow of some 0.3 µm as well.
        assert np.abs(error).max() < 0.8e-6, (name, error)
        told.append(f"{name} {1e6 * np.sqrt(np.mean(error**2)):.2f} µm")
    return "the simulated head, r.m.s. error: " + ", ".join(told)


def float_tif(bench, gray):
    """A TIFF file of floating numbers with 16 bits."""
    path = bench.work / "float.tif"
    tifffile.imwrite(path, gray.astype(np.float16))
    return path.read_bytes()


def bad(bench, chart, gray):
    """What is no good scan gets a clear answer."""
    work, path = bench.work, bench.work / "bad"
    whole = bench.save(gray).read_bytes()
    Image.fromarray(gray).save(work / "p.jpg", progressive=True)
    progressive = (work / "p.jpg").read_bytes()
    at = progressive.index(b"\xff\xc2") + 5
    cases = [
        (b"", "the file is empty"), (b"hello", "no PNG, TIFF, PGM or JPEG"), (whole[: len(whole) // 2], "breaks off"),
        (bench.save(gray, "t.tif").read_bytes()[:-9999], "breaks off"), (bench.save(gray, "t.pgm").read_bytes()[:-9999], "breaks off"),
        (progressive[:-9999], "breaks off"), (chart.path.read_bytes(), "only black and white"),
        (progressive[:at] + b"\x60\x00\x60\x00" + progressive[at + 4:], "must be held in memory as a whole"),
        (float_tif(bench, gray), "this kind of TIFF image is not read"), (b"P5 9 9 7 ", "largest value"), (b"P5 x", "damaged"), (b"\x89PNG", "cannot be read"), (b"II*\0", "cannot be read"),
    ]
    for data, says in cases:
        path.write_bytes(data)
        bench.refused(path, chart, says)
    rows, columns = gray.shape
    small = np.array(Image.fromarray(gray).resize((columns // 4, rows // 4), Image.BOX))
    askew = rotate(small, 8, cval=230, preserve_range=True).astype(np.uint8)
    images = [
        (np.full((2000, 2000), 200, np.uint8), "one gray"), (small, "too coarse"), (askew, "askew"),
        (np.concatenate([gray, gray], axis=1), "two charts"), (gray[: rows // 8], "squares of this chart are not found"),
        (bench.rng.integers(0, 255, (3000, 3000)).astype(np.uint8), "squares of this chart are not found"),
        (255 - gray, "not found"),
    ]
    for image, says in images:
        bench.refused(bench.save(image), chart, says)
    other = bench.chart("other", "--sheet", SHEET, "--ruler-space", "0mm", "--places", "3", "--reach", "61um")
    bench.refused(bench.save(gray), other, f"this is chart {int.from_bytes(hash_of(chart)):08x}")
    for old, new, says in [(b"chart 1 {", b"chart 1 [", "damaged"), (b'"facets":10', b'"facets":12', "it was changed")]:
        changed = work / "changed.pbm"
        changed.write_bytes(chart.path.read_bytes().replace(old, new))
        bench.refused(bench.save(gray), Changed(changed), says)
    # A third of the lines cut off, and a place.
    cut = bench.read(bench.save(gray[: int(rows * 0.8), : int(columns * 0.8)]), chart)
    assert any("do not tell of every facet" in why for why in cut["missing"]), cut["missing"]
    # 2 GB without end, as PGM: read in strips.
    with open(path, "wb") as file:
        file.write(b"P5 40000 50000 255\n")
        file.truncate(2_000_000_019)
    bench.refused(path, chart, "one gray")
    path.unlink()
    return f"{len(cases) + len(images) + 4} bad scans and charts refused"


# Colours of arrows and of marks, and what is shown around the chart in m (docs/chart.md).
ARROW, MARK, AROUND = (0x05, 0x30, 0xC0), (0xD9, 0x5F, 0x02), 2e-3


def picture(bench, chart, head, gray):
    """Arrows of the picture lead from where a mark should lie to where the head put it, as long as the report says."""
    folder = bench.work / "kept"
    shutil.rmtree(folder, ignore_errors=True)
    done = bench.run("chart", "read", bench.save(gray), "--chart", chart.path, "--record", folder)
    assert done.returncode == 0, done.stderr
    report = (folder / "report.html").read_text()
    number = lambda pattern: float(re.search(pattern, report)[1])
    times, bar, drawn = number(r"([\d.]+) times as long as that"), number(r"is ([\d.]+) µm long"), number(r"(\d+) are drawn")
    reading = json.loads((folder / "sheet-1.json").read_text())
    image = Image.open(folder / "sheet-1.png")
    assert (folder / "sheet-1.png").stat().st_size < 500_000 and max(image.size) <= 1400
    embedded = re.search(r"data:image/png;base64,([^\"]+)", report)[1]
    assert base64.b64decode(embedded) == (folder / "sheet-1.png").read_bytes()
    per_m = image.info["dpi"][0] / 25.4e-3
    dots = np.array(image.convert("RGB"))
    own = lambda colour: (dots == np.array(colour)).all(axis=-1)
    blue, orange = own(ARROW), own(MARK)
    parts, _ = label(blue, np.ones((3, 3)))
    end = int((chart.spec["lines"] * chart.spec["cross_scan_pitch"] + 2 * AROUND) * per_m + 0.5)
    below = np.flatnonzero(blue[end:].any(axis=0))
    assert abs(np.ptp(below) - bar * 1e-6 * times * per_m) < 2.5, (below, bar, times)
    middles = np.argwhere(minimum_filter(orange, 3))
    assert len(middles) == drawn, (len(middles), drawn)
    at = places(reading)
    put_in = truth(head, at)
    facets, length = chart.spec["facets"], chart.spec["dots"] * chart.spec["in_scan_pitch"]
    found, wanted, seen = [], [], set()
    for y, x in middles:
        around = parts[y - 2:y + 3, x - 2:x + 3]
        touched = set(around[around > 0])
        near = [k for k, (b, a) in enumerate(middles) if parts[max(b - 2, 0):b + 3, a - 2:a + 3].max(initial=0) in touched]
        if len(touched) != 1 or len(near) != 1:
            # Too short for a look, or two arrows touch.
            continue
        row = round(((y + 0.5) / per_m - AROUND) / chart.spec["cross_scan_pitch"] - 0.5)
        # The dot shows its row to a pixel: that of an isolated line is the only dark one near.
        rows = [other for other in range(row - 2, row + 3) if chart.dark[other, int(0.28 * chart.dark.shape[1])]]
        assert len(rows) == 1, (row, rows)
        facet = (chart.spec["first_facet"] + rows[0]) % facets
        place = np.abs((at + 0.5) * length + AROUND - (x + 0.5) / per_m).argmin()
        ys, xs = np.nonzero(parts == touched.pop())
        far = np.hypot(ys - y, xs - x).argmax()
        found.append([xs[far] - x, ys[far] - y])
        wanted.append([put_in[k][facet, place] * times * per_m for k in (0, 1)])
        seen.add(facet)
    found, wanted = np.array(found, float), np.array(wanted)
    long = np.hypot(*wanted.T) > 5
    assert long.sum() > 0.4 * drawn and len(seen) > facets / 2, (long.sum(), drawn, seen)
    off = np.hypot(*(found - wanted)[long].T)
    # Ends are a pixel or two wide.
    assert np.median(off) < 1.5 and off.max() < 3.5, np.sort(off)[-5:]
    scale = (found * wanted)[long].sum() / (wanted[long] ** 2).sum()
    assert abs(scale - 1) < 0.06, scale
    return f"{long.sum()} arrows of the picture point right, within {np.median(off):.1f} pixels, {scale:.3f} times as long as wanted"


def blurred(bench, chart, head, gray):
    """A scan that Pillow blurs is said to be blurred, by how much, and its intervals still hold; until nothing can be told."""
    sharp = bench.read(bench.save(gray), chart)
    pixel = 25.4e-3 / 1200
    assert not any("blurred" in why for why in sharp["missing"])
    told = [f"sharp {1e6 * sharp['scan']['edge_width']:.0f} µm"]
    for radius in (2, 3, 4):
        image = np.array(Image.fromarray(gray).filter(ImageFilter.GaussianBlur(radius)))
        path = bench.save(image, "blurred.png")
        reading = bench.read(path, chart)
        # From 10 % to 90 % of a Gaussian are 2.563 of its standard deviations (tables of the normal distribution).
        wanted = np.hypot(sharp["scan"]["edge_width"], 2.563 * radius * pixel)
        width = reading["scan"]["edge_width"]
        assert abs(width / wanted - 1) < 0.12, (radius, width, wanted)
        is_said = f"edges of dashes are {1e6 * width:.0f} µm wide" in " ".join(reading["missing"])
        assert is_said == (width > 150e-6), (radius, width, reading["missing"])
        text = " ".join(bench.run("chart", "read", path, "--chart", chart.path).stdout.split())
        assert ("the scan is blurred" in text) == is_said, text
        row = [f"{1e6 * width:.0f} µm"]
        for (error, u), name in zip(compare(reading, head), ("in-scan", "cross-scan")):
            known = np.isfinite(error)
            assert np.mean(np.abs(error[known]) < 1.96 * u[known]) > 0.75, (radius, name, error, u)
            row.append(f"{name} {1e6 * np.sqrt(np.mean(error[known]**2)):.2f} µm, stated {1e6 * np.sqrt(np.mean(u[known]**2)):.2f} µm")
        told.append(" ".join(row))
    image = np.array(Image.fromarray(gray).filter(ImageFilter.GaussianBlur(8)))
    bench.refused(bench.save(image, "blurred.png"), chart, "edges of dashes are more than 350 µm wide")
    return "edges, r.m.s. errors and stated uncertainties of blurred scans: " + "; ".join(told)


class Changed:
    def __init__(self, path):
        self.path = path


def hash_of(chart):
    with open(chart.path, "rb") as file:
        file.readline()
        return hashlib.sha256(file.readline().split(b" ", 4)[4].rstrip(b"\n")).digest()[:4]


def main():
    work, spintrue, seed, scans = sys.argv[1:]
    bench = Bench(work, spintrue, int(seed))
    chart, head, gray = one_scan(bench)
    is_proof = int(scans) >= 100
    print(formats(bench, chart, head, gray, range(8) if is_proof else (1, 6)), flush=True)
    print(bad(bench, chart, gray), flush=True)
    print(picture(bench, chart, head, gray), flush=True)
    print(blurred(bench, chart, head, gray), flush=True)
    print(ruler(bench), flush=True)
    print(simulated(bench), flush=True)
    rows = [random_scan(bench, number) for number in range(int(scans))]
    print(summary(rows, is_proof))


if __name__ == "__main__":
    main()
