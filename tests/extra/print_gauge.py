"""A person with a scanner, as a program at a terminal: brings simulated heads up by `--gauge print`, and compares trims and
lines with what a faultless gauge of the same simulated head reads.

`WORK SPINTRUE SEED HEADS`: so many heads. What the head exposed is taken from the picture of its medium, and scanned with
the carriage, sensor, askew sheet, blur, tone and noise of a flatbed scanner in NumPy, SciPy and scikit-image."""

import json
import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter
from skimage.transform import rotate

from chart_model import Scanner, smooth

Image.MAX_IMAGE_PIXELS = None
ROOT = Path(__file__).resolve().parents[2]

# A gauge that hardly errs, for the truth; prints know nothing of it.
GAUGE = '\n[gauge]\nnoise = "0.02 um"\nresolution = "0.001 um"\nstated = "0.02 um"\n'
# Heads of scripts/heads that are in order, with a sheet and with params, invented like they.
HEADS = [
    ("", "170x120mm", []),
    ("ten_beam_lit", "170x120mm", ["length=150mm"]),
    ("six_small", "140x120mm", ["speed=6000rpm", "length=108mm", "resolution=600dpi"]),
    ("twelve_large", "200x150mm", []),
    ("ten_large", "170x120mm", ["speed=3000rpm"]),
    ("eight_small", "140x120mm", ["speed=6000rpm", "length=108mm", "resolution=600dpi"]),
]


def resampled(image, places, axis):
    """Gray levels at fractional places along an axis; between pixels in proportion, which keeps centres of darkness."""
    places = np.clip(places, 0, image.shape[axis] - 1.001)
    low = places.astype(int)
    share = (places - low).astype(np.float32)
    share = share[:, None] if axis == 0 else share[None, :]
    return np.take(image, low, axis) * (1 - share) + np.take(image, low + 1, axis) * share


def scanned(picture, rng):
    """The page on a flatbed scanner, its lines along the carriage's travel."""
    image = Image.open(picture)
    fine = round(image.info["dpi"][0] / 1200)
    dpi = image.info["dpi"][0] / fine
    pixel = 25.4e-3 / dpi
    seen = np.pad(np.array(image), 150 * fine, constant_values=255)
    # Pixels of a sensor gather light over their whole area.
    rows, columns = (size // fine for size in seen.shape)
    seen = seen[: rows * fine, : columns * fine].reshape(rows, fine, columns, fine).mean(axis=(1, 3), dtype=np.float32) / 255
    seen = rotate(seen, rng.uniform(-0.8, 0.8), order=1, mode="edge", preserve_range=True).astype(np.float32)
    along, across = np.arange(seen.shape[1]), np.arange(seen.shape[0])
    seen = resampled(seen, along + Scanner().carriage(rng, along * pixel) / pixel, 1)
    seen = resampled(seen, across + smooth(rng, across * pixel, 15e-6) / pixel, 0)
    seen = gaussian_filter(0.08 + 0.82 * seen, rng.uniform(0.3, 0.8)) ** (1 / rng.uniform(1, 2.2))
    seen += rng.uniform(0.005, 0.015) * rng.standard_normal(seen.shape, np.float32)
    gray = np.rot90((seen.clip(0, 1) * 255 + 0.5).astype(np.uint8), rng.integers(4))
    path = picture.with_name(picture.stem + "-scan.png")
    Image.fromarray(np.ascontiguousarray(gray)).save(path, dpi=(dpi, dpi), compress_level=1)
    return path


class Person:
    """Sits at the terminal, and answers what is asked."""

    def __init__(self, sheets, rng, errs):
        self.sheets, self.rng, self.errs = sheets, rng, errs
        self.said, self.asked, self.leaves_at = "", [], 0

    def answer(self, question):
        number = int((re.findall(r"Sheet (\d+)(?: is|: chart \w+ was)", self.said) or [0])[-1])
        if "may light come out?" in question:
            self.asked.append("ready")
            return "yes"
        picture = self.sheets / f"sheet-{number}.png"
        scan = picture.with_name(picture.stem + "-scan.png")
        if number == self.leaves_at:
            return None
        # What was scanned before an interruption is not scanned again.
        if "an earlier run" in question and scan.exists():
            return str(scan)
        self.asked.append(f"scan {number}")
        # What people get wrong: no file, the chart instead of its scan, and the scan of another sheet.
        wrong = [str(self.sheets / "nothing.png"), str(self.sheets / f"sheet-{number}.pbm")]
        if number > 1:
            wrong.append(str(self.sheets / f"sheet-{number - 1}-scan.png"))
        tries = self.asked.count(f"scan {number}")
        if self.errs and tries <= len(wrong):
            return wrong[tries - 1]
        return str(scanned(picture, self.rng))

    def run(self, command, out, leaves_at=0, by=None):
        """Runs a program whose errors and input are a terminal; its exit code. The person leaves by a signal or a key
        instead of giving the scan of that sheet."""
        self.leaves_at = leaves_at
        pid, terminal = pty.fork()
        if pid == 0:
            os.dup2(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
            os.environ["NO_COLOR"] = "1"
            os.execv(command[0], command)
        at = len(self.said)
        while True:
            try:
                read = os.read(terminal, 4096)
            except OSError:
                read = b""
            if not read:
                break
            self.said += read.decode(errors="replace")
            prompt = re.search(r"(within [^\n]*|left): $", self.said[at:])
            if prompt:
                question = self.said[at:]
                at = len(self.said)
                answer = self.answer(question)
                if answer is not None:
                    os.write(terminal, (answer + "\n").encode())
                elif isinstance(by, str):
                    os.write(terminal, by.encode())
                else:
                    os.kill(pid, by)
        return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def recorded(out):
    """What a run recorded, and the outcome of each check."""
    events = [json.loads(line) for line in Path(out).read_text().splitlines()]
    values = {event["name"]: event["value"] for event in events if event["event"] == "recorded"}
    checks = {event["label"]: event["outcome"] for event in events if event["event"] == "check"}
    return values, checks


def lines(value):
    """Place of each facet's line less the mean of all: along and across, in m."""
    of = lambda key: np.array([line[key]["value"] for line in value])
    return [of(key) - of(key).mean() for key in ("in_scan", "cross_scan")]


def truth(bench, address, params, trims):
    """The lines of a head with these trims by its faultless gauge."""
    lib = os.path.relpath(ROOT / "scripts/lib", bench.work)
    known = dict(param.split("=") for param in ["speed=4800rpm", "length=304.8mm", "resolution=300dpi", *params])
    speed, length, resolution = (re.sub(r"(?<=\d)(?=[a-z])", " ", known[key]) for key in ("speed", "length", "resolution"))
    loaded = ", ".join(f'{{in_scan: {t["in_scan"]["value"]!r} s, cross_scan: {t["cross_scan"]["value"]!r} rad, '
                       f'length: {t["length"]["value"]!r}, power: {t["power"]["value"]!r}}}' for t in trims)
    script = bench.work / "truth.spt"
    script.write_text(f'use "{lib}/motion.spt"\nuse "{lib}/lines.spt"\nspin_up({speed})\n'
                      f"let plan = feasible_plan({speed}, {length}, {resolution})\nload([{loaded}])\n"
                      'record "lines": measured_lines(plan, readings: 25)\n')
    done = subprocess.run([bench.spintrue, "run", script, "--head", address, "--json"], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (bench.work / "truth.jsonl").write_text(done.stdout)
    return lines(recorded(bench.work / "truth.jsonl")[0]["lines"])


# What a print cannot tell is never a pass.
UNTOLD = ["in-scan residual", "cross-scan residual", "common position in-scan", "common position cross-scan",
          "in-scan scatter", "cross-scan scatter", "line length", "even distortion", "odd distortion", "skew", "bow"]


class Bench:
    def __init__(self, work, spintrue):
        self.work, self.spintrue = Path(work), spintrue


def bring_up(bench, number, rng):
    name, sheet, params = HEADS[number % len(HEADS)]
    text = (ROOT / f"scripts/heads/{name}.toml").read_text() if name else ""
    description = bench.work / "print_head.toml"
    # Instead of its own gauge, if it has one.
    description.write_text(re.sub(r"(?m)^\[gauge\]\n([^\[].*\n|\n)*", "", text) + GAUGE)
    address = f"sim:{description}?seed={1 + number}"
    sheets = bench.work / f"sheets-{number}"
    subprocess.run(["rm", "-rf", sheets])
    person = Person(sheets, rng, errs=number == 0)
    out = bench.work / "print.jsonl"
    # The first head is trimmed and stored by the script made for prints, which must pass.
    script = ROOT / "scripts" / ("trim_facets.spt" if number == 1 else "bring_up.spt")
    command = [bench.spintrue, "run", str(script), "--head", address, "--json", "--gauge", "print",
               "--sheets", str(sheets), "--sheet", sheet]
    command += [word for param in params for word in ("--set", param)]
    if number == 1:
        # The computer loses its power, and Ctrl-C is typed; each time the run goes on with the scan.
        assert person.run(command, str(out), 1, signal.SIGKILL) == -signal.SIGKILL
        command.append("--resume")
        code = person.run(command, str(out), 2, "\x03")
        assert code == 130 and "is not exposed again" in " ".join(person.said.split()), (code, person.said)
    code = person.run(command, str(out))
    assert code == (0 if number == 1 else 4), (code, person.said, out.read_text()[-3000:])
    values, checks = recorded(out)
    for label in UNTOLD:
        assert number == 1 or checks[label] == "undecided", (label, checks[label])
    for label in ("direction of trims", "spread of facets in-scan", "spread of facets cross-scan"):
        assert checks[label] == "conforms", (label, checks)
    count = len(list(sheets.glob("sheet-*.pbm")))
    # The first sheet tells what to correct, and the second that it is: the correction itself proves the direction.
    assert person.asked.count("ready") == count == 2, person.asked
    if person.errs:
        for says in ("there is no file", "only black and white", "this is chart"):
            assert says in " ".join(person.said.split()), (says, person.said)
    told = []
    for axis, seen, is_so in zip(("in-scan", "cross-scan"), lines(values["after"]), truth(bench, address, params, values["trims"])):
        off = np.abs(is_so).max()
        assert off < 6e-6, (number, axis, is_so)
        error = np.sqrt(np.mean((seen - is_so) ** 2))
        assert error < 1.5e-6, (number, axis, seen, is_so)
        told.append(f"{axis} {1e6 * off:.2f} µm, read with an error of {1e6 * error:.2f} µm (r.m.s.)")
    before = lines(values["before"])
    return (f"{name or 'default head'}, seed {1 + number}: {count} sheets; farthest facet before "
            f"{1e6 * np.abs(before[0]).max():.1f} and {1e6 * np.abs(before[1]).max():.1f} µm, after {'; '.join(told)}")


def main():
    work, spintrue, seed, heads = sys.argv[1:]
    rng = np.random.default_rng(int(seed))
    bench = Bench(Path(work).resolve(), os.path.abspath(spintrue))
    for number in range(int(heads)):
        print(bring_up(bench, number, rng), flush=True)


if __name__ == "__main__":
    main()
