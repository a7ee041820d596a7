"""Compares the units of spintrue with those of pint: `units.py WORK SPINTRUE`.

The list comes from `spintrue units`. One script records quantities of each unit and prefix, and the JSON
Lines of its run contain them in SI units with every digit.
"""

import json
import re
import subprocess
import sys
from pathlib import Path

import pint

# Doubles have 16 digits; factor, prefix and number cause three roundings on either side.
NEAR = 1e-12

# Units with another name in pint.
SPELT = {"inch": "inch", "mil": "thou", "rev": "turn", "rpm": "revolutions_per_minute",
         "degC": "degree_Celsius", "dpi": "1/inch", "%": "percent", "K": "kelvin",
         "A": "ampere", "h": "hour", "min": "minute", "mdeg": "millidegree", "deg": "degree",
         "arcmin": "arcminute", "arcsec": "arcsecond", "marcsec": "milliarcsecond"}

# Counts of dots, lines and facets are units of this language only.
OURS = {"dot", "dots", "line", "lines", "facet", "facets"}


def run(spintrue, *arguments):
    return subprocess.run([spintrue, *arguments], capture_output=True, text=True)


def listed(spintrue):
    """Every unit that `spintrue units` lists, with its prefixes."""
    done = run(spintrue, "units")
    assert done.returncode == 0, done.stderr
    names = []
    # A long row continues on the next line, indented.
    for row in re.sub(r"\n {20,}", " ", done.stdout).splitlines():
        if row.startswith("Also as types"):
            break
        found = re.match(r"  (\S+(?:, \S+)*) {2,}\S.*? {2,}(\S.*)$", row)
        if not found:
            continue
        names += found[1].split(", ")
        also = re.search(r"; also (.+)$", found[2])
        names += also[1].split() if also else []
    assert len(names) > 100, names
    assert len(set(names)) == len(names), names
    return names


def recorded(work, spintrue, rows):
    """The recorded number and SI unit for each (name, expression)."""
    script = work / "units.spt"
    script.write_text("".join(f'record "{name}": {text}\n' for name, text in rows))
    done = run(spintrue, "run", str(script), "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    events = map(json.loads, done.stdout.splitlines())
    return {e["name"]: e["value"] for e in events if e["event"] == "recorded"}


def conversions(work, spintrue):
    known = pint.UnitRegistry()
    names = [name for name in listed(spintrue) if name not in OURS]
    numbers = [1.0, 304.8, 0.00731]
    rows = [(f"{i} {name}", f"{number} {name}")
            for name in names for i, number in enumerate(numbers)]
    seen = recorded(work, spintrue, rows)
    worst, count = 0.0, 0
    for name in names:
        for i, number in enumerate(numbers):
            value = seen[f"{i} {name}"]
            theirs = known.Quantity(number, SPELT.get(name, name))
            theirs = theirs.to(value["unit"] or "dimensionless").magnitude
            off = abs(value["value"] - theirs) / abs(theirs)
            assert off <= NEAR, (name, number, value, theirs)
            worst, count = max(worst, off), count + 1
    return f"{count} conversions of {len(names)} units within {worst:.1e}"


def trap(work, spintrue):
    """pint drops the radian, so 12000 rpm are 1256.637 Hz; here they are not a frequency."""
    known = pint.UnitRegistry()
    theirs = known.Quantity(12000, "rpm").to("Hz").magnitude
    assert abs(theirs - 1256.637) < 1e-3, theirs
    script = work / "trap.spt"
    script.write_text('routine counts(rate: frequency) may nothing {\n    note "{rate}"\n}\ncounts(12000 rpm)\n')
    done = run(spintrue, "check", str(script))
    assert done.returncode != 0, done.stdout
    assert "frequency" in done.stderr and "rotation" in done.stderr, done.stderr
    script.write_text('record "as Hz": 12000 rpm in Hz\n')
    assert run(spintrue, "check", str(script)).returncode != 0
    rows = [("turns", "12000 rpm in rev/s"), ("counted", "12000 rpm / 1 rev in Hz")]
    seen = recorded(work, spintrue, rows)
    assert seen["turns"]["text"] == "200 rev/s", seen
    assert abs(seen["counted"]["value"] - 200) <= 200 * NEAR, seen
    return f"12000 rpm is {theirs:.3f} Hz in pint, but not a frequency and {seen['turns']['text']} here"


if __name__ == "__main__":
    work, spintrue = Path(sys.argv[1]), sys.argv[2]
    print(conversions(work, spintrue), trap(work, spintrue), sep="; ")
