"""Recomputes from the raw readings of recorded runs what the runs conclude from them.

`marks.py WORK SPINTRUE SEED` runs scripts/bring_up.spt and a script of its own on simulated heads with
`--record`, takes the marks, times and periods of every reading from `lines.csv.gz`, and works out with NumPy
and SciPy: marks at the planned speed, wild marks, Legendre coefficients, means, pooled scatter,
uncertainties, degrees of freedom, trims, what a pattern of steps proves, and corrected plans. Each is
compared with what was recorded and with the trims that were loaded; the tolerance is rounding.
marks_model.py states the rules.
"""

import itertools
import math
import subprocess
import sys
from pathlib import Path

from marks_model import OnEdge, better_plan, ends_of, lines_of, read, response_of, trims_of, uncertainties

ROOT = Path(__file__).parents[2]
WRONG = ROOT / "scripts/heads/wrong"

SCRIPT = """\
routine look(plan: plan, readings: number) -> list of line may emits, reads {
    arm at 35 % { return test_lines(plan, readings: readings) }
}
spin(4800 rpm)
wait until locked() within 30 s
wait 3 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
record "plan": plan
load(no_trims())
let before = look(plan, READINGS)
record "before": before
load(step_pattern(plan))
let stepped = look(plan, READINGS)
record "stepped": stepped
record "response": trim_response(before, stepped, plan)
let trims = corrected(before, plan)
record "corrected": trims
record "uncertainties": trim_uncertainties(before, plan)
load(trims)
let after = look(plan, READINGS + 1)
record "after": after
record "left": worst(after)
record "damped": corrected(after, plan, in_scan_gain: 0.8, cross_scan_gain: 1.3)
let better = corrected_plan(after, plan)
record "better plan": better
let last = look(better, READINGS)
record "last": last
"""

# Name, description, readings of each line. Two are named after what `trim_response` says of them.
HEADS = [
    ("plain", "", 4),
    ("one reading", "", 1),
    ("index only", '[start_of_scan]\npulse = "index_only"\n[[rotor.hunting]]\nfrequency = "2 Hz"\n'
                   'amplitude = "60 ppm"\n', 4),
    ("three marks", "[gauge]\nmarks = 3\n", 4),
    ("one mark", "[gauge]\nmarks = 1\n", 4),
    ("nine marks", '[gauge]\nmarks = 9\nnoise = "0.2 um"\nresolution = "0.1 nm"\n', 3),
    ("fixed parts", '[gauge]\nstated_offset = "1 um"\nstated_slope = "20 ppm"\nstated_place = "0.5 um"\n', 4),
    ("coarse digit", '[gauge]\nresolution = "2 um"\n', 5),
    ("wild marks", '[gauge]\nwild = "3 %"\nwild_error = "30 um"\n', 5),
    ("lost readings", '[gauge]\nlost = "5 %"\n', 4),
    ("no dose", "[gauge]\ndose_noise = 0\n", 4),
    ("six facets", "[facets]\ncount = 6\n", 4),
    ("hunting", (WRONG / "hunting_fast.toml").read_text(), 6),
    ("hunting within a turn", '[[rotor.hunting]]\nfrequency = "40 Hz"\namplitude = "55 ppm"\n', 9),
    ("hunting within a turn, wild marks", '[[rotor.hunting]]\nfrequency = "31 Hz"\namplitude = "55 ppm"\n[gauge]\nwild = "3 %"\n', 9),
    ("two swings within a turn", '[[rotor.hunting]]\nfrequency = "40 Hz"\namplitude = "55 ppm"\n[[rotor.hunting]]\nfrequency = "27 Hz"\namplitude = "40 ppm"\n', 4),
    ("all trims", (ROOT / "scripts/heads/ten_full_trims.toml").read_text(), 4),
    *[(name, (WRONG / f"{name}.toml").read_text(), 4)
      for name in ("cross_scan_sign", "in_scan_gain_half", "facets_reversed", "facets_rotated", "axes_swapped")],
]


def proved_gain(response, axis):
    """The gain that trim.spt divides by: 1 where that is within two uncertainties."""
    gain, u = response[f"{axis}_gain"], response[f"{axis}_gain_u"]
    return 1.0 if abs(gain - 1) <= 2 * u else gain


class Compare:
    """Counts what agrees and stops at what does not."""

    def __init__(self):
        self.numbers, self.trims, self.wild = 0, 0, 0

    def near(self, where, seen, wanted, within=1e-9, least=1e-15):
        """Numbers below `least` are rounding of the marks, which are some 10 um."""
        assert type(seen) is not bool or seen == wanted, (where, seen, wanted)
        same = math.isnan(seen) and math.isnan(wanted)
        assert same or abs(seen - wanted) <= within * abs(wanted) + least, (where, seen, wanted)
        self.numbers += 1

    def lines(self, where, seen, wanted):
        assert len(seen) == len(wanted), (where, len(seen), len(wanted))
        for one, other in zip(seen, wanted):
            assert one.keys() == other.keys(), (where, one.keys() ^ other.keys())
            self.wild += other["rejected"]
            for name, value in other.items():
                # The program's integral for a largest value has fewer steps than the model's.
                least = other["dose_range_u"] / 1000 if name.startswith("dose_range") else 1e-15
                if value != math.inf:
                    self.near(f"{where}, facet {other['facet']}, {name}", one[name], value, least=least)


def is_lines(value):
    return isinstance(value, list) and value and isinstance(value[0], dict) and "in_scan_scatter" in value[0]


def run_script(work, spintrue, script, head, seed):
    """The record of a run, and whether it passed."""
    path, record = work / "head.toml", work / "record"
    path.write_text(head)
    subprocess.run(["rm", "-rf", record], check=True)
    command = [spintrue, "run", str(script), "--head", f"sim:{path}", "--seed", str(seed), "--record", str(record)]
    done = subprocess.run(command, capture_output=True, text=True)
    return read(record), done


def decided(work, spintrue, script, head, seed):
    """A run on a head whose decisions are not too close, with what its batches tell."""
    for again in range(5):
        run, done = run_script(work, spintrue, script, head, seed + 1000 * again)
        try:
            return run, done, [lines_of(run, batch) for batch in run.batches]
        except OnEdge:
            continue
    sys.exit("every seed gives decisions that are too close to their limits")


def own_script(compare, work, spintrue, seed):
    for name, head, readings in HEADS:
        script = work / "marks.spt"
        script.write_text(SCRIPT.replace("READINGS", str(readings)))
        run, done, looks = decided(work, spintrue, script, head, seed)
        assert done.returncode == 0, (name, done.stdout[-3000:], done.stderr)
        assert len(run.batches) == 4, (name, len(run.batches))
        looks = dict(zip(("before", "stepped", "after", "last"), looks))
        value = lambda label: run.recorded[label][0]
        for label, (_, lines) in looks.items():
            compare.lines(f"{name}, {label}", value(label), lines)
        (plan, before), (_, stepped), (_, after) = (looks[label] for label in ("before", "stepped", "after"))
        for field_name in ("length", "focal_length"):
            compare.near(f"{name}, plan {field_name}", value("plan")[field_name], getattr(plan, field_name))
        for key, part in ends_of(after).items():
            compare.near(f"{name}, left {key}", value("left")[key], part)
        wanted = response_of(plan, before, stepped)
        for key, part in wanted.items():
            compare.near(f"{name}, response {key}", value("response")[key], part, within=1e-6, least=1e-9)
        for key in ("facets_reversed", "axes_swapped"):
            assert wanted[key] == (key == name), (name, wanted)
        for label, lines, gains in (("corrected", before, (1, 1)), ("damped", after, (0.8, 1.3))):
            assert trims_of(run.head, plan, lines, gains)(value(label)), (name, label)
            compare.trims += len(lines)
        assert trims_of(run.head, plan, before)(run.loads[2][0]), (name, "loaded")
        for facet, row in enumerate(uncertainties(run.head, plan, before)):
            for key, part in row.items():
                seen = value("uncertainties")[facet][key]
                compare.near(f"{name}, uncertainty of {key} {facet}", seen, part, within=1e-6, least=0)
        for key, part in better_plan(run.head, plan, after, value("plan")).items():
            seen = value("better plan")[key]
            pairs = zip(seen, part, strict=True) if isinstance(part, list) else [(seen, part)]
            for one, other in pairs:
                # The model looks for the place of a dot between places, and not at them.
                within, least = (1e-3, 1e-12) if key == "linearity_error" else (1e-8, 1e-15)
                compare.near(f"{name}, better plan {key}", one, other, within, least)


def bring_up(compare, work, spintrue, seed):
    """Each recorded list of lines is one of the looks before it, and the trims that were loaded last follow from
    a look, with the gains that steps proved or with 1."""
    heads = [ROOT / "scripts/heads/ten_full_trims.toml", ROOT / "scripts/heads/ten_beam_lit.toml"]
    heads += [WRONG / f"{name}.toml" for name in ("wild_readings", "hunting", "three_marks", "in_scan_gain_half")]
    passed = 0
    for path in [None, *heads]:
        head = path.read_text() if path else ""
        run, done, looks = decided(work, spintrue, ROOT / "scripts/bring_up.spt", head, seed)
        where = f"bring_up.spt, {path.name if path else 'the built-in head'}"
        passed += done.returncode == 0
        lists = {label: pair for label, pair in run.recorded.items() if is_lines(pair[0])}
        assert {"before", "after"} <= lists.keys(), (where, done.stdout[-2000:])
        for label, (seen, batches) in lists.items():
            off = lambda look: sum(abs(a["in_scan"] - b["in_scan"]) for a, b in zip(seen, look[1]))
            compare.lines(f"{where}, {label}", seen, min(looks[:batches], key=off)[1])
        found = 0
        for trims, batches in run.loads:
            gains = [(1, 1)]
            for (plan, before), (_, stepped) in itertools.pairwise(looks[:batches]):
                moved = any(a[f"{axis}_trim"] != b[f"{axis}_trim"]
                            for a, b in zip(before, stepped) for axis in ("in_scan", "cross_scan"))
                if moved:
                    response = response_of(plan, before, stepped)
                    gains.append(tuple(map(proved_gain, [response] * 2, ("in_scan", "cross_scan"))))
            fits = [gain for look in looks[:batches] for gain in gains
                    if min(gain) > 0 and trims_of(run.head, *look, gain)(trims)]
            found += bool(fits)
            compare.trims += len(trims) * bool(fits)
        assert found, (where, "no trims were loaded that follow from a look")
    assert passed, "no head passed"


def main(work, spintrue, seed):
    compare = Compare()
    own_script(compare, work, spintrue, seed)
    assert compare.wild, "no wild mark was rejected"
    bring_up(compare, work, spintrue, seed)
    print(f"{compare.numbers} numbers and {compare.trims} trims agree, with {compare.wild} wild marks left out")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
