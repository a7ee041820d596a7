"""Compares what pulse patterns tell with NumPy and SciPy, on turns of simulated heads.

`pulses.py WORK SPINTRUE SEED` records turns and what the built-ins conclude from them: angles of facets at
two speeds and while coasting, with missed pulses and with ghosts, the parts of division and ripple, matches,
and lengths by an end-of-scan detector. The turns alone are then worked out anew; the ripple is held against
that of the head by numpy.fft.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
from marks_model import plain
from scipy import stats

TURN = 2 * math.pi
FACETS = 10
ORDER, SWING = 3, 120e-6

HEAD = f"""
[rotor]
speed_most = "6000 rpm"
ripple = [{{ order = {ORDER}, amplitude = "{SWING * 1e6} ppm" }}]
hunting = []
[facets]
reflectivity = "0 %"
[start_of_scan]
response = "0 ns"
threshold = 0.1
end_of_scan = 0.6
"""

CASES = {
    "whole": ("", []),
    "missed": ("", ["--fault", "start_of_scan_dropouts(share=4 %)@0s"]),
    "ghosts": ("ghost_early = 0.03\n", ["--fault", "ghost_pulse(facet=3)@0s"]),
}

SCRIPT = """\
spin(6000 rpm)
wait until locked() within 60 s
wait 3 s
let fast = turns(60)
record "fast": fast
record "fast pattern": pulse_pattern(fast)
record "lengths": relative_lengths(fast)
spin(3000 rpm)
wait until locked() within 60 s
wait 3 s
let slow = turns(60)
record "slow": slow
record "slow pattern": pulse_pattern(slow)
record "parts": division_and_ripple([pulse_pattern(fast), pulse_pattern(slow)], [6000 rpm, 3000 rpm])
record "match": pattern_match(pulse_pattern(fast), pulse_pattern(slow), steady: 400 urad)
coast()
let down = turns(40)
record "down": down
record "down pattern": pulse_pattern(down)
"""


def grouped(turn):
    """The pulses of each facet."""
    places = np.rint(np.array(turn["pulses"]) / turn["period"] * FACETS).astype(int) % FACETS
    return [np.array(turn["pulses"])[places == k] for k in range(FACETS)]


def pattern(turns):
    """Angles, uncertainties and counts, by one least squares fit of a part per turn and a part per facet."""
    # A turn that a command falls into is counted, but its times are not told.
    turns = [turn for turn in turns if turn["pulses"] or turn["start_of_scan"] == 0]
    periods = np.array([turn["period"] for turn in turns])
    middles = np.cumsum(periods) - periods / 2
    steeper = np.polyfit(middles - middles.mean(), TURN / periods, 1)[0]
    rows, values = [], []
    missed, doubled = np.zeros(FACETS), np.zeros(FACETS)
    for number, turn in enumerate(turns):
        for k, times in enumerate(grouped(turn)):
            missed[k] += len(times) == 0
            doubled[k] += len(times) > 1
            if len(times) != 1:
                continue
            share = times[0] / turn["period"]
            off = (share - k / FACETS + 0.5) % 1 - 0.5
            values.append(TURN * off - steeper * turn["period"] ** 2 * share * (1 - share) / 2)
            rows.append((number, k))
    known, used = sorted({k for _, k in rows}), sorted({number for number, _ in rows})
    basis = np.zeros((len(rows) + 1, len(used) + len(known)))
    for row, (number, k) in zip(basis, rows):
        row[used.index(number)] = row[len(used) + known.index(k)] = 1
    # The mean of all facets is zero: an equation like the others, without an error.
    basis[-1, len(used):] = 1
    values = np.array(values + [0.0])
    fit, *_ = np.linalg.lstsq(basis, values, rcond=None)
    degrees = len(rows) - len(used) - len(known) + 1
    scatter = math.sqrt(np.sum((values - basis @ fit) ** 2) / degrees)
    counts = np.bincount([known.index(k) for _, k in rows])
    own = scatter * np.sqrt((1 - 1 / len(known)) / counts)
    # Where pulses are missed, that is a little less than what the fit gives.
    exact = np.diag(np.linalg.inv(basis.T @ basis))[len(used):] - 1 / len(known)**2
    assert np.allclose(own, scatter * np.sqrt(exact), rtol=0.02), (own, scatter * np.sqrt(exact))
    angles, u = np.full(FACETS, math.nan), np.full(FACETS, math.nan)
    angles[known], u[known] = fit[len(used):], own
    return angles, u, missed, doubled


def lengths(turns):
    speeds = [[] for _ in range(FACETS)]
    for turn in turns:
        ends = np.array(turn["ends"])
        for own, times in zip(speeds, grouped(turn)):
            if len(times) == 1:
                after = ends[(ends > times[0]) & (ends < times[0] + turn["period"] / FACETS)]
                own.extend(turn["period"] / (after[:1] - times[0]))
    means = np.array([np.mean(own) if own else math.nan for own in speeds])
    return means / np.nanmean(means) - 1


class Compare:
    def __init__(self):
        self.numbers = 0

    def near(self, where, seen, wanted, within, least=0.0):
        assert np.allclose(seen, wanted, rtol=within, atol=least, equal_nan=True), (where, seen, wanted)
        self.numbers += np.size(wanted)


def column(rows, name):
    return np.array([row[name] for row in rows])


def case(compare, work, spintrue, seed, name):
    more, options = CASES[name]
    head, script = work / "pulses.toml", work / "pulses.spt"
    head.write_text(HEAD + more)
    script.write_text(SCRIPT)
    command = [spintrue, "run", str(script), "--json", "--head", f"sim:{head}", "--seed", str(seed), *options]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, (name, done.stdout[-1500:], done.stderr)
    events = map(json.loads, done.stdout.splitlines())
    seen = {e["name"]: plain(e["value"]) for e in events if e["event"] == "recorded"}
    patterns = {}
    for which in ("fast", "slow", "down"):
        angles, u, missed, doubled = patterns[which] = pattern(seen[which])
        rows = seen[f"{which} pattern"]
        compare.near(f"{name} {which} angle", column(rows, "angle"), angles, 0, 1e-12)
        compare.near(f"{name} {which} u", column(rows, "angle_u"), u, 1e-4)
        compare.near(f"{name} {which} missed", column(rows, "missed"), missed, 0)
        compare.near(f"{name} {which} doubled", column(rows, "doubled"), doubled, 0)
    assert (patterns["fast"][2].sum() > 0) == (name == "missed"), name
    assert (patterns["fast"][3].sum() > 0) == (name == "ghosts"), name
    compare.near(f"{name} lengths", column(seen["lengths"], "excess"), lengths(seen["fast"]), 0, 1e-12)
    parts(compare, name, seen["parts"], patterns)
    match(compare, name, seen["match"], patterns)


def parts(compare, name, rows, patterns):
    basis = np.array([[1, 1], [1, 4]])
    known = [k for k in range(FACETS) if not math.isnan(rows[k]["ripple"])]
    for k in known:
        angles, u = (np.array([patterns[which][part][k] for which in ("fast", "slow")]) for part in (0, 1))
        whitened = basis / u[:, None]
        fit = np.linalg.lstsq(whitened, angles / u, rcond=None)[0]
        errors = np.sqrt(np.diag(np.linalg.inv(whitened.T @ whitened)))
        for part, value, error in zip(("division", "ripple"), fit, errors):
            compare.near(f"{name} {part} {k}", rows[k][part], value, 1e-6, 1e-12)
            compare.near(f"{name} {part} u {k}", rows[k][f"{part}_u"], error, 1e-4)
    if len(known) < FACETS:
        return
    # A speed that swings by a*cos(o*angle + phase) has pulses that come early by its integral, a/o at most.
    ripple = np.array([row["ripple"] for row in rows])
    u = max(row["ripple_u"] for row in rows)
    waves = 2 / FACETS * np.abs(np.fft.rfft(ripple))
    compare.near(f"{name} ripple of the head", waves[ORDER], SWING / ORDER, 0, 5 * u)
    others = np.delete(waves, ORDER)
    assert others.max() < 5 * u, (name, waves, u)


def match(compare, name, seen, patterns):
    (kept, kept_u, *_), (now, now_u, *_) = patterns["fast"], patterns["slow"]
    found = []
    for rotation in range(FACETS):
        off = now - np.roll(kept, -rotation)
        weights = 1 / (np.roll(kept_u, -rotation) ** 2 + now_u**2 + 400e-6**2)
        both = ~np.isnan(off * weights)
        off, weight = off[both], weights[both]
        off = off - np.average(off, weights=weight)
        found.append((stats.chi2.sf(np.sum(off**2 * weight), len(off) - 1), math.sqrt(np.mean(off**2))))
    p, residual = max(found)
    compare.near(f"{name} match p", seen["p"], p, 1e-6)
    compare.near(f"{name} match residual", seen["residual"], residual, 1e-3)


if __name__ == "__main__":
    compare = Compare()
    for name in CASES:
        case(compare, Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), name)
    print(f"{compare.numbers} numbers of pulse patterns agree")
