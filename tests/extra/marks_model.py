"""What the readings of a recorded run tell, worked out with NumPy and SciPy; for marks.py.

The rules are those of `spintrue builtins test_line`. Where that leaves a choice, it is:
- A line is moved by the speed in the middle of the time that counts for its middle dot: that of its turn, carried
  there by the slope of the polynomial through it and two readings on each side.
- Wild: beyond 3.5 times the largest of 1.4826 MAD over all facets, the same over the facet alone and the
  stated noise, with digit^2/12 added to its square. The smallest deviation of each place does not count,
  since it is that of the median.
- The digit of a gauge is the smallest step of its readings, if all steps are multiples of it and there are two, or if
  there are ten readings.
- A facet whose scatter has a chance below that of 4 sigma under Fisher's distribution keeps its own.
"""

import csv
import gzip
import itertools
import json
import math
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np
from numpy.polynomial import legendre
from scipy import optimize, stats

MAX_DEGREES = 1e9
TWO_SIGMA = stats.chi2.cdf(4, 1)


@dataclass
class Batch:
    """The readings of one `arm` block."""

    trims: list
    readings: list = field(default_factory=list)  # (line, exposed, reading)


@dataclass
class Run:
    """What the record of a run holds."""

    head: dict = None
    turn: float = None
    batches: list = field(default_factory=list)
    recorded: dict = field(default_factory=dict)  # name to (value, number of batches before)
    loads: list = field(default_factory=list)  # (trims, number of batches before)


def plain(value):
    """A recorded value without texts and units."""
    if isinstance(value, dict):
        if value.keys() == {"text", "unit", "value"}:
            return math.nan if value["value"] is None else float(value["value"])
        return {name: plain(inner) for name, inner in value.items()}
    return [plain(inner) for inner in value] if isinstance(value, list) else value


MARKS = {"at": "marks_at", "in_scan": "marks_in_scan_um", "cross_scan": "marks_cross_scan_um", "dose": "marks_dose"}


def numbers(row, name):
    """The numbers of a cell in SI, to the same doubles."""
    return [float(Decimal(cell).scaleb(-6) if name.endswith("_um") else cell) for cell in row[name].split()]


def lines(path):
    """What was exposed and read of each line that was read, with the head time of the reading."""
    with gzip.open(path / "lines.csv.gz", "rt", newline="") as file:
        for row in csv.DictReader(file):
            if not row["marks_at"]:
                continue
            columns = [numbers(row, name) for name in MARKS.values()]
            stated = {
                f"{axis}_u": dict(zip(["random", "offset", "slope", "place"], numbers(row, f"{axis}_stated_um")))
                for axis in ("in_scan", "cross_scan")
            }
            reading = {"marks": [dict(zip(MARKS, cells)) for cells in zip(*columns)], **stated, "dose_u": float(row["dose_u"])}
            exposed = {"facet": int(row["facet"]), "time": float(row["drawn_s"]), "period": float(row["period_s"])}
            yield float(row["time_s"]), exposed, reading


def read(path):
    run, order, batch = Run(), None, None
    trims = []
    rows = list(lines(path))[::-1]
    for text in gzip.decompress((path / "events.jsonl.gz").read_bytes()).decode().splitlines():
        event = json.loads(text)
        while rows and rows[-1][0] <= event.get("time", 0):
            _, exposed, reading = rows.pop()
            batch.readings.append(({**order, "facet": exposed["facet"]}, exposed, reading))
        if event["event"] == "recorded":
            run.recorded[event["name"]] = plain(event["value"]), len(run.batches)
        if event["event"] != "call":
            continue
        call, reply = event["call"], event["reply"]
        name, done = call["name"], reply if isinstance(reply, dict) else {}
        if name == "describe":
            run.head = done["description"]
        elif name == "spin":
            run.turn = 2 * math.pi / call["speed"]
        elif name == "trims":
            trims = done["trims"]
        elif name == "load_trims":
            trims = call["trims"]
            run.loads.append((trims, len(run.batches)))
        elif name == "arm":
            batch = Batch(trims)
        elif name == "expose" and "exposed" in done:
            order = call["line"]
        elif name == "disarm" and batch and batch.readings:
            run.batches.append(batch)
            batch = None
    return run


class OnEdge(Exception):
    """A decision so close to its limit that it depends on how a distribution is approximated."""


def number(value):
    """A number of a record, in which those that are not finite are texts."""
    return float(value)


class Plan:
    """Timing of the lines of a batch, from what was ordered."""

    def __init__(self, run, batch):
        line = batch.readings[0][0]
        correction = line.get("correction")
        self.turn = run.turn
        self.focal_length = run.head["focal_length"]
        self.velocity = 2 * (2 * math.pi / run.turn) * self.focal_length
        self.delay = line["delay"]
        self.length = correction["length"] if correction else self.velocity * line["dots"] * line["dot_period"]
        self.line_period = run.turn / run.head["facets"]
        self.index_only = run.head["start_of_scan"] == "index_only"
        # Facets that keep their own scatter, by direction.
        self.unsteady = {}

    def waits(self, facet):
        """From the pulse that starts a line to the one that its own facet would give."""
        return facet * self.line_period if self.index_only else 0.0

    def lever(self, facet, at):
        """Shift per share by which the polygon turns too fast: the way of the spot since the pulse."""
        return self.velocity * (self.waits(facet) + self.delay) + (at + 0.5) * self.length

    def speeds(self, facets, times, periods, swing=None):
        """Share by which each line was drawn too fast; a swing that turns do not tell is told by its own wave."""
        wave = lambda at: swing[1:] @ [np.sin(swing[0] * at), np.cos(swing[0] * at)] if swing is not None else 0 * at
        order = np.argsort(times - facets * self.line_period, kind="stable")
        facets, times = facets[order], times[order]
        errors = self.turn / periods[order] - 1
        first_dot = facets * self.line_period + self.delay
        middles = times - first_dot + self.turn / 2
        if swing is not None:
            # The mean of a wave over a turn.
            errors = errors - wave(middles) * np.sinc(swing[0] * self.turn / 2 / math.pi)
        waits = np.array([self.waits(facet) for facet in facets])
        # What counts is the time from the pulse to the middle dot.
        counts = times + (self.length / self.velocity / 2 - self.delay - waits) / 2
        rise = np.zeros(len(times))
        for at, middle in enumerate(middles):
            # The slope of the polynomial through them, in turns, so that powers stay near one.
            near = [(0.0, errors[at])]
            for place, error in zip((middles - middle)[max(at - 2, 0):at + 3] / self.turn, errors[max(at - 2, 0):at + 3]):
                # Readings of one turn tell no slope.
                if all(abs(place - known) > 0.5 for known, _ in near):
                    near.append((place, error))
            if len(near) > 1:
                rise[at] = np.polyfit(*zip(*near), len(near) - 1)[-2] / self.turn
        speeds = np.empty(len(times))
        speeds[order] = errors + rise * (counts - middles) + wave(counts)
        return speeds


def without_means(values, facets):
    """What is left when each facet's mean is taken out."""
    rest = np.array(values, float)
    for facet in np.unique(facets):
        rest[facets == facet] -= rest[facets == facet].mean(axis=0)
    return rest


def fastness(off, levers):
    """The share of the speed that leaves the smallest sum of absolute deviations."""
    shares = (off / levers)[np.argsort(off / levers)]
    weights = np.cumsum(levers[np.argsort(off / levers)])
    return shares[np.searchsorted(weights, weights[-1] / 2)]


def swing_of(plan, facets, times, periods, along, levers, noise):
    """The swing of the speed that turns do not tell: angular frequency and two amplitudes; nothing where there is none
    beyond chance. By least squares with one constant for each facet, frequency by frequency."""
    free = len(facets) - len(np.unique(facets))
    if plan.index_only or len(facets) > 400 or free <= 3:
        return None
    first = [along[np.flatnonzero(facets == facet)[0]] for facet in facets]
    shares = np.array([fastness(*row) for row in zip(along - first, levers)])
    left = lambda speeds: (without_means(shares - speeds, facets) ** 2).sum()
    before, drawn = left(plan.speeds(facets, times, periods)), times
    times = times + (plan.length / plan.velocity / 2 - plan.delay) / 2
    if before / free <= (3 * noise) ** 2 / (levers[np.argmin(facets)] ** 2).sum():
        return None
    apart = (times.max() - times.min()) / plan.turn
    start = times.min()

    def best(angulars):
        found = []
        for angular in angulars:
            waves = np.transpose([np.sin(angular * (times - start)), np.cos(angular * (times - start))])
            bare = without_means(waves, facets)
            found.append((bare.T @ without_means(shares, facets)) @ np.linalg.pinv(bare.T @ bare)
                         @ (bare.T @ without_means(shares, facets)))
        angular = angulars[np.argmax(found)]
        waves = np.transpose([np.sin(angular * times), np.cos(angular * times)])
        return angular, np.linalg.lstsq(without_means(waves, facets), without_means(shares, facets), rcond=None)[0]

    step = 2 * math.pi / (6 * apart * plan.turn)
    coarse, _ = best(step * np.arange(1, int(6 * apart) + 1))
    angular, amplitudes = best(coarse - step + step / 6 * np.arange(1, 13))
    swing = np.array([angular, *amplitudes])
    chance = (left(plan.speeds(facets, drawn, periods, swing)) / before) ** ((free - 3) / 2) * apart
    if 1e-6 < chance < 1e-2:
        raise OnEdge
    return swing if chance < 1e-4 else None


def digit(values):
    """The step of all readings, in m: the smallest, if all are whole multiples of it, or if many have no common one."""
    many = np.size(values) >= 10
    steps = np.diff(np.sort(np.ravel(values)))
    steps = steps[steps > 1e-12]
    if len(steps) < (1 if many else 2):
        return math.nan
    shares = steps / steps.min()
    return steps.min() if many or (np.abs(shares - np.rint(shares)) <= 1e-3).all() else math.nan


def deviations(groups):
    """For each facet how far its marks are off the median of their place."""
    return [values - np.median(values, axis=0) for values in groups]


def wild(groups, stated, step, levers=None):
    """For each facet which marks are wild. Along, one error of the speed may explain a line: `levers`."""
    if all(len(values) < 2 for values in groups):
        return [np.zeros(values.shape, bool) for values in groups]
    off = deviations(groups)
    kept = [np.sort(np.abs(facet), axis=0)[1:].ravel() for facet in off]
    normal = 1 / stats.norm.ppf(0.75)
    scale = max(normal * np.median(np.concatenate(kept)), stated)
    own = [max(scale, normal * np.median(values)) if len(values) else scale for values in kept]
    spread = 0 if math.isnan(step) else step**2 / 12
    limits = [3.5 * math.sqrt(size**2 + spread) for size in own]
    found = [np.abs(facet) > limit for facet, limit in zip(off, limits)]
    if levers is not None and levers[0].shape[1] >= 3:
        for far, facet, limit, lever in zip(found, off, limits, levers):
            for row, marks in zip(far, facet):
                row &= (np.abs(marks - fastness(marks, lever[0]) * lever[0]) > limit).any()
    return found


def fitted(at, rows):
    """Coefficients of P0 to P3 for each row; NaN for what so many marks do not tell."""
    degree = min(3, len(at) - 1)
    found = np.full((len(rows), 4), math.nan)
    if len(rows):
        found[:, : degree + 1] = legendre.legfit(2 * at, np.transpose(rows), degree).T
    return found


def pooled(groups, taken=0.0):
    """For each facet the covariance of single rows and its degrees of freedom, of which some are taken."""
    count = len(groups)
    told = ~np.isnan(groups[0][0])
    degrees = np.array([len(rows) - 1 - taken / count * (len(rows) > 1) for rows in groups], float)
    nothing = np.full((4, 4), math.nan)
    if not degrees.max() > 0:
        return [(nothing, 0.0)] * count
    products = [np.nan_to_num((len(rows) - 1) * np.cov(rows.T)) if len(rows) > 1 else np.zeros((4, 4))
                for rows in groups]
    own = set()
    for k in np.flatnonzero(told):
        with_repeats = [f for f in range(count) if degrees[f] > 0]
        order = sorted(with_repeats, key=lambda f: products[f][k, k] / degrees[f])
        squares = taken = 0.0
        for place, f in enumerate(order):
            if place >= math.ceil(len(order) / 2):
                ratio = products[f][k, k] / degrees[f] / (squares / taken)
                deviate = stats.norm.isf(stats.f.sf(ratio, degrees[f], taken))
                # The program takes an approximation, within 0.15 of this.
                if abs(deviate - 4) < 0.15:
                    raise OnEdge
                if deviate > 4:
                    own.add(f)
                    continue
            squares += products[f][k, k]
            taken += degrees[f]
    # So many are hardly unsteady by themselves.
    rest = [f for f in range(count) if f not in own or 4 * len(own) > count]
    common = sum(products[f] for f in rest), sum(degrees[f] for f in rest)
    blank = np.where(np.outer(told, told), 0.0, math.nan)
    share = lambda squares, free: (squares / free + blank, free)
    return [share(products[f], degrees[f]) if f in own else share(*common) for f in range(count)]


def largest(values):
    """The largest of normal values with their uncertainties, less the bias of drawing again around them."""
    at = values[:, 0].argmax()
    most, u = values[at]
    reach = 6 * values[:, 1].max()
    steps = most - reach + reach / 128 * (np.arange(256) + 0.5)
    below = stats.norm.cdf((steps[:, None] - values[:, 0]) / values[:, 1]).prod(axis=1)
    bias = max(reach - reach / 128 * below.sum(), 0)
    return most - bias, math.hypot(u, 2 * bias)


class Shapes:
    """The shapes of all facets in one direction."""

    def __init__(self, at, groups, moved, stated, length, step, shape=4, swings=None, taken=0.0):
        """Lines are told by the first `shape` coefficients. `groups` are the rows of marks of each facet as they
        were read, `moved` at the planned speed. `swings` are, where facets differ in it, the variances that
        the speed adds to the marks of each. `taken` degrees of freedom went into a swing of the speed."""
        told = min(4, len(at))
        matrix = legendre.legvander(2 * at, told - 1)
        weights = np.zeros((4, len(at)))
        weights[:told] = np.linalg.pinv(matrix)
        gap = np.diag([0.0] * told + [math.nan] * (4 - told))
        covariance = lambda u: u**2 * weights @ weights.T + gap
        drawn = [fitted(at, rows) for rows in groups]
        planned = [fitted(at, rows) for rows in moved]
        self.of = np.array([rows.mean(axis=0) for rows in planned])
        self.at, self.means = at, [rows.mean(axis=0) for rows in moved]
        degrees = sum(len(rows) - 1 for rows in groups) * len(at)
        squares = sum(((rows - rows.mean(axis=0)) ** 2).sum() for rows in groups)
        noise = math.sqrt(squares / degrees) if degrees else stated["random"]
        place, offset = stated["place"], stated["offset"]
        if noise < step:
            place, offset = math.hypot(place, step / 12**0.5), math.hypot(offset, step / 12**0.5)
        self.misfits = self.beyond(at, moved, matrix, shape, stated["random"], place)
        self.fixed = covariance(place)
        self.fixed[0, 0] += offset**2
        self.fixed[1, 1] += (stated["slope"] * length / 2) ** 2
        self.random, self.degrees, self.scatter, self.scatter_u = [], [], [], []
        for facet, (rows, (single, free), (seen, times)) in enumerate(zip(planned, pooled(planned, taken), pooled(drawn))):
            scattered = np.diag(matrix @ (seen if swings is None else single)[:told, :told] @ matrix.T)
            if swings is not None:
                scattered = scattered + swings[facet]
            silent = math.isnan(step) and not np.nansum(np.diag(single)) > 0
            if free == 0 or silent:
                single, free = covariance(stated["random"]), math.inf
            self.random.append(single / len(rows))
            self.degrees.append(free)
            scatter = math.sqrt(np.max(scattered)) if times else math.nan
            self.scatter.append(scatter)
            self.scatter_u.append(scatter / math.sqrt(2 * times) if times else math.nan)

    def beyond(self, at, groups, matrix, shape, noise, place):
        """For each facet how far the mean of a mark lies at most off the shape, and the largest uncertainty of that."""
        if len(at) <= shape:
            return [(math.nan, math.nan)] * len(groups)
        inverse = np.linalg.pinv(matrix)[:shape]
        rest = np.eye(len(at)) - matrix[:, :shape] @ inverse
        left = [rows @ rest.T for rows in groups]
        degrees = sum(len(rows) - 1 for rows in left)
        squares = sum(((rows - rows.mean(axis=0)) ** 2).sum(axis=0) for rows in left)
        carried = np.diag(rest @ rest.T)
        single = np.where(squares > 0, squares / max(degrees, 1), noise**2 * carried)
        found = []
        for rows in left:
            u = np.sqrt(single / len(rows) + place**2 * carried)
            found.append((np.abs(rows.mean(axis=0)).max(), u.max()))
        return found

    def ends_fixed(self, facet):
        """What does not average out of the end where that is less."""
        told = ~np.isnan(self.of[facet])
        fixed = self.fixed[np.ix_(told, told)]
        ends = legendre.legvander([-1, 1], 3)[:, told]
        return math.sqrt(min(end @ fixed @ end for end in ends))

    def u(self, facet, k):
        return math.sqrt(self.random[facet][k, k] + self.fixed[k, k])

    def end(self, facet, x, marked=True):
        """Where the line lies at x, -1 or 1, with its uncertainty: its mark there where there are more marks than
        coefficients, of which what the fit leaves has the noise of the marks that P2 has."""
        told = ~np.isnan(self.of[facet])
        weights = legendre.legvander([x], 3)[0][told]
        both = (self.random[facet] + self.fixed)[np.ix_(told, told)]
        place, variance = weights @ self.of[facet][told], weights @ both @ weights
        mark = np.flatnonzero(2 * self.at == x)
        if marked and len(self.at) > 4 and len(mark):
            matrix = legendre.legvander(2 * self.at, 3)
            hat = matrix @ np.linalg.pinv(matrix)
            noise = self.random[facet][2, 2] / (np.linalg.pinv(matrix) @ np.linalg.pinv(matrix).T)[2, 2]
            place = self.means[facet][mark[0]]
            variance += noise * (1 - hat[mark[0], mark[0]])
        return place, math.sqrt(variance)

    def range(self, facet):
        """Largest less smallest of five places, less what noise makes of it, with the uncertainty of both as if they
        were known apart; an endless one where the digit of the gauge makes two of them alike, so that rounding
        of doubles chooses."""
        if math.isnan(self.of[facet][1]):
            return math.nan, math.nan
        places = np.array([self.end(facet, marked=False, x= x) for x in (-1, -0.5, 0, 0.5, 1)])
        (high, high_u), (low, low_u) = largest(places), largest(places * [-1, 1])
        values = np.sort(places[:, 0])
        tied = min(values[1] - values[0], values[-1] - values[-2]) < 1e-9
        return max(high + low, 0.0), math.inf if tied else math.hypot(high_u, low_u)

    def effective(self, facet):
        """Fewest degrees of freedom of a coefficient (Welch-Satterthwaite)."""
        random, fixed = np.diag(self.random[facet]), np.diag(self.fixed)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.nanmin(self.degrees[facet] * ((random + fixed) / random) ** 2)


def stated_by(readings, name):
    """What a gauge states: noise and place as root mean square over the readings."""
    each = [{part: number(value) for part, value in reading[name].items()} for reading in readings]
    mean = lambda part: math.sqrt(np.mean([one[part] ** 2 for one in each]))
    return each[0] | {"random": mean("random"), "place": mean("place")}


def lines_of(run, batch):
    """The lines that a batch tells, one per facet."""
    plan = Plan(run, batch)
    readings = [reading for _, _, reading in batch.readings]
    facets = np.array([line["facet"] for line, _, _ in batch.readings])
    times = np.array([number(exposed["time"]) for _, exposed, _ in batch.readings])
    periods = np.array([number(exposed["period"]) for _, exposed, _ in batch.readings])
    at = np.array([mark["at"] for mark in readings[0]["marks"]])
    read = lambda name: np.array([[number(mark[name]) for mark in r["marks"]] for r in readings])
    along, across, dose = read("in_scan"), read("cross_scan"), read("dose")
    levers = np.array([plan.lever(facet, at) for facet in facets])
    steps = digit(along), digit(across)
    stated = stated_by(readings, "in_scan_u"), stated_by(readings, "cross_scan_u")
    noise = math.hypot(stated[0]["random"], 0 if math.isnan(steps[0]) else steps[0])
    swing = swing_of(plan, facets, times, periods, along, levers, noise)
    speeds = plan.speeds(facets, times, periods, swing)
    moved = along - speeds[:, None] * levers
    own = [np.flatnonzero(facets == facet) for facet in np.unique(facets)]
    split = lambda rows: [rows[places] for places in own]
    marks = zip(wild(split(moved), stated[0]["random"], steps[0], split(levers)),
                wild(split(across), stated[1]["random"], steps[1]))
    either = [a | b for a, b in marks]
    rejected = [marks.sum() for marks in either]
    own = [places[~marks.any(axis=1)] for places, marks in zip(own, either)]
    swings = None
    if plan.index_only:
        off = np.concatenate([speeds[places] - speeds[places].mean() for places in own])
        swings = np.array([levers[places[0]] ** 2 for places in own]) * (off @ off) / (len(off) - len(own))
    along_shapes = Shapes(at, split(along), split(moved), stated[0], plan.length, steps[0],
                          swings=swings, taken=3.0 if swing is not None else 0.0)
    across_shapes = Shapes(at, split(across), split(across), stated[1], plan.length, steps[1], 3)
    dose_u = {"random": number(readings[0]["dose_u"]), "offset": 0.0, "slope": 0.0, "place": 0.0}
    dose_shapes = None
    if not np.isnan(dose).any():
        dose_shapes = Shapes(at, split(dose), split(dose), dose_u, plan.length, math.nan)
    for name, shapes in (("in_scan", along_shapes), ("cross_scan", across_shapes)):
        plan.unsteady[name] = {k for k, free in enumerate(shapes.degrees) if free < max(shapes.degrees)}
    found = []
    for facet, places in enumerate(own):
        trim = {"power": 1.0, "length": 1.0} | batch.trims[facet]
        line = {
            "facet": facet, "readings": len(places), "rejected": rejected[facet], "marks": len(at),
            "left_out": int(either[facet].any(axis=1).sum()),
            "degrees": min(along_shapes.effective(facet), across_shapes.effective(facet), MAX_DEGREES),
            "speed_error": np.mean(plan.turn / periods[places] - 1),
            "dose_degrees": min(dose_shapes.effective(facet), MAX_DEGREES) if dose_shapes else MAX_DEGREES,
            "dose": dose_shapes.of[facet][0] if dose_shapes else math.nan,
            "dose_u": dose_shapes.u(facet, 0) if dose_shapes else math.nan,
            "dose_fixed_u": math.sqrt(dose_shapes.fixed[0, 0]) if dose_shapes else math.nan,
        }
        line["dose_range"], line["dose_range_u"] = dose_shapes.range(facet) if dose_shapes else (math.nan, math.nan)
        line |= {f"{name}_trim": value for name, value in trim.items()}
        for name, shapes, step in (("in_scan", along_shapes, steps[0]), ("cross_scan", across_shapes, steps[1])):
            fields = ["in_scan", "length_error", "even", "odd"]
            if name == "cross_scan":
                fields = ["cross_scan", "skew", "bow"]
            for k, own_name in enumerate(fields):
                # P1 in 2s runs from -1 to 1.
                factor = 2 if k == 1 else 1
                line[own_name] = factor * shapes.of[facet][k]
                line[f"{own_name}_u"] = factor * shapes.u(facet, k)
                line[f"{own_name}_fixed_u"] = factor * math.sqrt(shapes.fixed[k, k])
            line[f"{name}_digit"] = step
            line[f"{name}_ends_fixed_u"] = shapes.ends_fixed(facet)
            way = "along" if name == "in_scan" else "across"
            line[f"misfit_{way}"], line[f"misfit_{way}_u"] = shapes.misfits[facet]
            line[f"{name}_scatter"] = shapes.scatter[facet]
            line[f"{name}_scatter_u"] = shapes.scatter_u[facet]
            for end, x in (("start", -1), ("end", 1)):
                line[f"{name}_{end}"], line[f"{name}_{end}_u"] = shapes.end(facet, x)
        found.append(line)
    return plan, found


def ends_of(lines):
    """By how much the ends of facets' lines differ, with the uncertainty of that: what all share cancels."""
    found = {}
    for name, slope in (("in_scan", "length_error"), ("cross_scan", "skew")):
        column = lambda part: np.array([line[part] for line in lines])
        fixed = column(f"{name}_ends_fixed_u")
        ends = column(f"{name}_start"), column(f"{name}_end")
        u = np.maximum(column(f"{name}_start_u"), column(f"{name}_end_u"))
        step = np.nan_to_num(column(f"{name}_digit")).max()
        own = np.maximum(u**2 - fixed**2, 0).max() + min(step**2 / 6, fixed.max() ** 2)
        one_mark = np.isnan(column(slope)).any()
        found[f"{name}_end_spread"] = math.nan if one_mark else max(np.ptp(places) for places in ends)
        found[f"{name}_end_spread_u"] = math.nan if one_mark else math.sqrt(2 * own)
    return found


def rounded(register, wanted, made):
    """Whether a register that should hold `wanted` holds `made`."""
    step, most = register["step"], math.floor(register["range"] / register["step"] * (1 + 1e-12))
    wanted = min(max(wanted / step, -most), most)
    return abs(made / step - round(made / step)) < 1e-6 and abs(made / step - wanted) < 0.5 + 1e-6


def trims_of(head, plan, lines, gains=(1, 1)):
    """The trims that cancel what was measured, not rounded: for each facet a function of those made, since
    delays follow from the length that the register holds."""
    doses = [line["dose"] / line["power_trim"] for line in lines]
    power, length = head.get("power_trim"), head.get("length_trim")
    wanted = min([np.mean(doses), *[dose * (1 + power["range"]) for dose in doses]]) if power else math.nan
    velocity, focal_length = gains[0] * plan.velocity, gains[1] * plan.focal_length

    def agree(line, made):
        made = {"power": 1.0, "length": 1.0} | made
        good = True
        if power and not math.isnan(wanted):
            good &= rounded(power, line["power_trim"] * wanted / line["dose"] - 1, made["power"] - 1)
        shift = line["in_scan"]
        if length:
            factor = line["length_trim"] * (1 + line["length_error"] / plan.length)
            good &= rounded(length, factor - 1, made["length"] - 1)
            # The clock stretches the line about its first dot.
            ratio = line["length_trim"] / made["length"]
            shift += (plan.length + line["length_error"]) * (ratio - 1) / 2
        good &= rounded(head["in_scan_trim"], line["in_scan_trim"] - shift / velocity, made["in_scan"])
        angle = line["cross_scan_trim"] - line["cross_scan"] / (2 * focal_length)
        return good & rounded(head["cross_scan_trim"], angle, made["cross_scan"])

    return lambda made: all(agree(line, one) for line, one in zip(lines, made))


def uncertainties(head, plan, lines):
    """Standard uncertainties of the trims that one line of each facet tells, each widened by Student's t."""
    rows = []
    for line in lines:
        row = {}
        for name, per in (("in_scan", plan.velocity), ("cross_scan", 2 * plan.focal_length)):
            free = line["degrees"]
            if free < MAX_DEGREES:
                unsteady = plan.unsteady[name]
                alike = [line] if line["facet"] in unsteady else [o for o in lines if o["facet"] not in unsteady]
                free = sum(min(other["degrees"], other["readings"] - 1) for other in alike)
            wider = (stats.t.isf((1 - TWO_SIGMA) / 2, free) / 2) ** 2
            fixed = line[f"{name}_fixed_u"] ** 2
            variance = wider * (line[f"{name}_u"] ** 2 - fixed) + fixed
            if name == "in_scan" and head.get("length_trim"):
                variance += wider * (line["length_error_u"] / 2) ** 2
            row[name] = math.sqrt(variance / per**2 + head[f"{name}_trim"]["step"] ** 2 / 12)
        rows.append(row)
    return rows


def response_of(plan, before, stepped):
    """What a pattern of steps proves, by weighted least squares for every wiring."""
    count = len(before)
    column = lambda lines, name: np.array([line[name] for line in lines])
    axes = {}
    for name, per in (("in_scan", plan.velocity), ("cross_scan", 2 * plan.focal_length)):
        moved = column(stepped, name) - column(before, name)
        ordered = (column(stepped, f"{name}_trim") - column(before, f"{name}_trim")) * per
        variance = sum(column(lines, f"{name}_u") ** 2 - column(lines, f"{name}_fixed_u") ** 2
                       for lines in (before, stepped))
        axes[name] = ordered, moved, np.sqrt(variance)
    found = []
    for swapped, reversed_, first in itertools.product((False, True), (False, True), range(count)):
        chi = 0.0
        row = {"axes_swapped": swapped, "facets_reversed": reversed_, "first_facet": first}
        for name, other in (("in_scan", "cross_scan"), ("cross_scan", "in_scan")):
            ordered = axes[other if swapped else name][0]
            ordered = np.roll(ordered[::-1], first + 1) if reversed_ else np.roll(ordered, first)
            _, moved, u = axes[name]
            basis = np.stack([np.ones(count), ordered], axis=1) / u[:, None]
            scale = np.linalg.norm(basis, axis=0)
            fit, *_ = np.linalg.lstsq(basis / scale, moved / u, rcond=None)
            chi += np.sum((moved / u - basis / scale @ fit) ** 2)
            row[f"{name}_gain"] = fit[1] / scale[1]
            row[f"{name}_gain_u"] = math.sqrt(np.linalg.inv((basis / scale).T @ (basis / scale))[1, 1]) / scale[1]
        found.append((chi, row))
    least, best = min(found, key=lambda pair: pair[0])
    misfit = math.sqrt(least / (2 * count - 4))
    wider = max(1.0, misfit)
    best["misfit"] = misfit
    best["confidence"] = 1 / sum(math.exp((least - chi) / 2 / wider**2) for chi, _ in found)
    for name in axes:
        best[f"{name}_gain_u"] *= wider
    return best


def better_plan(head, plan, lines, old):
    """Dot clock, delay and ratios that draw each dot where it should lie."""
    mean = lambda name: np.mean([line[name] for line in lines])
    shape = np.array([mean("in_scan"), mean("length_error") / 2, mean("even"), mean("odd")])
    linearity = head.get("linearity")
    if not linearity or np.isnan(shape).any():
        shape[2:] = 0
    shape = np.nan_to_num(shape)
    total = old["dots"] * old["made_dot_period"]

    def time(share):
        """When the spot was seen to be at that share of the line."""
        miss = lambda q: q + legendre.legval(2 * q - 1, shape) / plan.length - share
        return total * optimize.brentq(miss, -0.5, 1.5, xtol=1e-15)

    if linearity:
        rates = 1 / np.diff([time(k / linearity["segments"]) for k in range(linearity["segments"] + 1)])
        ratios = rates / rates.mean()
        ratios = 1 + np.rint((ratios - 1) / linearity["step"]) * linearity["step"]
        all_dots = old["dots"] * np.mean(1 / ratios)
    else:
        ratios, all_dots = np.array([]), old["dots"]
    period = (time(1) - time(0)) / all_dots
    # Where a dot of these ratios lies, less where it should, at 64 places in each part.
    left = 0.0
    if linearity:
        shares = np.linspace(0, 1, 64 * len(ratios) + 1)
        asked = np.array([time(share) - time(0) for share in shares])
        ends = period * old["dots"] / len(ratios) * np.concatenate([[0], np.cumsum(1 / ratios)])
        drawn = np.interp(shares, np.linspace(0, 1, len(ratios) + 1), ends)
        left = plan.length * np.max(np.abs(np.interp(drawn, asked, shares) - shares))
    clock = head["clock"]
    kind, detail = next(iter(clock["kind"].items()))
    if kind == "divider":
        near = np.arange(detail["least"], detail["most"] + 1) / clock["master"]
    else:
        word = round(2 ** detail["bits"] / period / clock["master"])
        near = 2 ** detail["bits"] / clock["master"] / np.arange(word - 2, word + 3)
    made = near[np.argmin(np.abs(near - period))]
    return {
        "dot_period": period, "made_dot_period": made, "linearity": list(ratios), "linearity_error": left,
        "pre_scan_delay": old["pre_scan_delay"] + time(0) - (made - period) * all_dots / 2,
    }
