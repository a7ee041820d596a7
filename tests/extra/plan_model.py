"""An independent model of the line plan, in exact rational arithmetic.

    plan_model.py SPINTRUE FOLDER SEED COUNT

Draws COUNT heads and requests, has spintrue plan a line on each, and recomputes every field from the
geometry with other methods than the crate: it steps along the line by the polygon's angle instead of
using closed formulas, tries the settings of the dot clock one by one, and serves and takes dot words
one by one. Only pi is rounded, to 50 digits.

Geometry: a facet of an N-gon turns by 2 pi / N until the next one takes over; a mirror that turns
by a turns the beam by 2 a (law of reflection); an f-theta lens puts the beam at x = f * angle (its
definition).
"""

import json
import random
import subprocess
import sys
from fractions import Fraction as F
from math import floor
from pathlib import Path

PI = F("3.14159265358979323846264338327950288419716939937510")
INCH = F("0.0254")  # exact, by definition of the international inch
WORD = 32

# Doubles have 53 bits; a few roundings add up.
NEAR = F(1, 10**12)
# Decisions closer than this to their limit may go either way.
EDGE = F(1, 10**9)


# What a plan allows where nothing is asked for.
TOLERANCE = F("0.0001")


class OnEdge(Exception):
    """A decision so close that it depends on the last bit of a double."""


def decide(value, edge):
    """Whether value > edge."""
    if abs(value - edge) <= EDGE * abs(edge):
        raise OnEdge
    return value > edge


def rounded(value):
    """To the nearest whole number."""
    if abs(value - floor(value) - F(1, 2)) < EDGE * max(1, value):
        raise OnEdge
    return floor(value + F(1, 2))


def nearest_setting(clock, asked):
    """The nearest period that the clock can make; None if the request is out of its range."""
    master = F(clock["master"])
    if clock["kind"] == "divider":
        # Out of range: the request would round to a divisor beyond the limits.
        wanted = rounded(asked * master)
        if not clock["least"] <= wanted <= clock["most"]:
            return None
        tried = {d: d / master for d in range(max(clock["least"], wanted - 2), wanted + 3)
                 if d <= clock["most"]}
    else:
        turn = 2 ** clock["bits"]
        wanted = turn / (asked * master)
        if decide(F(1, 2), wanted) or decide(wanted, F(turn, 2) + F(1, 2)):
            return None
        around = floor(wanted)
        tried = {m: turn / (m * master) for m in range(around - 2, around + 4)
                 if 1 <= m <= turn // 2}
    by_distance = sorted((abs(period - asked), period) for period in tried.values())
    if len(by_distance) > 1 and by_distance[1][0] - by_distance[0][0] < EDGE * asked:
        raise OnEdge
    return by_distance[0][1]


def needed_in_queue(words, word_period, service):
    """The smallest number of words to begin with so that no word is missing when it is needed."""
    needed = 1
    for k in range(words):
        served = k * word_period / service
        if k and abs(served - round(served)) < EDGE * served:
            raise OnEdge
        needed = max(needed, k + 1 - floor(served))
    return needed


def model(head, request):
    """All fields of the plan, and which limits it breaks."""
    turns = request["rpm"] / 60  # per second
    omega = 2 * PI * turns
    facets, f, length = head["facets"], head["focal_length"], request["length"]
    per_metre = request["dpi"] / INCH

    facet_turns = F(1, facets)
    line_period = facet_turns / turns
    # The beam crosses the line while the polygon turns by `across`.
    across = length / f / 2
    active_time = across / omega
    dots = rounded(length * per_metre)
    words = -(-dots // WORD)
    dot_period = active_time / dots
    made = nearest_setting(head["clock"], dot_period)
    drawn_period = dot_period if made is None else made
    # Position of the spot after all real dots, minus its nominal position.
    drawn = 2 * (omega * drawn_period * dots) * f
    queue = needed_in_queue(words, WORD * drawn_period, head["service"])
    # A line that starts later by a trim lies further by what the spot runs meanwhile.
    in_scan_reach = length / active_time * head["in_scan_range"]
    # A mirror that turns by an angle turns the beam by twice of it.
    cross_scan_reach = 2 * head["cross_scan_range"] * f

    broken = set()
    if decide(active_time, head["active_most"] * line_period):
        broken.add("of the line period, but the optics")
    if decide(length / f, PI):
        broken.add("more than any flat field")
    if decide(length, head["line_most"]):
        broken.add("lens and medium allow")
    if decide(request["rpm"], head["speed_most"]) or decide(head["speed_least"], request["rpm"]):
        broken.add("the polygon runs at")
    if made is None:
        broken.add(" per dot, not ")
    elif decide(abs(drawn - length), TOLERANCE):
        broken.add("so the line comes out")
    if decide(words * head["service"], line_period):
        broken.add("the host needs")
    if queue > head["queue"]:
        broken.add("words must be queued")
    if decide(request["trim_reach"], in_scan_reach):
        broken.add("in-scan trims move")
    if decide(request["trim_reach"], cross_scan_reach):
        broken.add("cross-scan trims move")

    fields = {
        "speed": omega,
        "length": length,
        "focal_length": f,
        "f_theta": length / active_time / (2 * omega),
        "line_rate": 1 / line_period,
        "line_period": line_period,
        "active_time": active_time,
        "active_fraction": active_time / line_period,
        "spot_velocity": length / active_time,
        "dots": dots,
        "words": words,
        "padding_bits": words * WORD - dots,
        "dot_period": dot_period,
        "dot_clock": dots / active_time,
        "dot_period_whole": line_period / dots,
        "dot_clock_whole": dots / line_period,
        "word_period": WORD * dot_period,
        "word_period_whole": WORD * line_period / dots,
        "pre_scan_delay": max(F(0), (line_period - active_time) / 2),
        "cross_scan_pitch": 1 / per_metre,
        "made_dot_period": drawn_period,
        "made_dot_clock": 1 / drawn_period,
        "length_error": drawn - length,
        "queue_needed": queue,
        "in_scan_reach": in_scan_reach,
        "cross_scan_reach": cross_scan_reach,
    }
    return fields, broken


def decimal(value, digits=6):
    """A short decimal that both sides read exactly."""
    return f"{value:.{digits}g}"


def draw(rng):
    """A head and a request. Numbers are short decimals, so that both sides see the same."""

    def log(low, high, digits=6):
        return decimal(low * (high / low) ** rng.random(), digits)

    text = {
        "facets": rng.choice([2, 3, 4, 6, 8, 10, 12, 24, 48]),
        "focal_length": log(50, 1500),  # mm
        "line_most": log(50, 900),  # mm
        "active_most": decimal(rng.uniform(20, 100), 4),  # %
        "speed_least": decimal(rng.uniform(200, 2000), 4),  # rpm
        "speed_most": decimal(rng.uniform(3000, 9000), 4),  # rpm
        "service": log(0.2, 200),  # us
        "queue": rng.choice([1, 2, 16, 64, 256, 1024]),
        "master": log(10, 1000, 5),  # MHz
        "kind": rng.choice(["divider", "accumulator"]),
        "least": rng.randint(1, 40),
        "most": rng.randint(41, 5000),
        "bits": rng.randint(8, 48),
        "in_scan_range": log(100, 10000, 3),  # ns
        "cross_scan_range": log(50, 5000, 3),  # urad
        "rpm": log(300, 10000, 5),
        "length": log(20, 800, 5),  # mm
        "dpi": log(25, 2400, 5),
        "trim_reach": log(1, 100, 3),  # um
    }
    head = {
        "facets": text["facets"],
        "focal_length": F(text["focal_length"]) / 1000,
        "line_most": F(text["line_most"]) / 1000,
        "active_most": F(text["active_most"]) / 100,
        "speed_least": F(text["speed_least"]),
        "speed_most": F(text["speed_most"]),
        "service": F(text["service"]) / 10**6,
        "queue": text["queue"],
        "clock": {
            "master": F(text["master"]) * 10**6,
            "kind": text["kind"],
            "least": text["least"],
            "most": text["most"],
            "bits": text["bits"],
        },
        "in_scan_range": F(text["in_scan_range"]) / 10**9,
        "cross_scan_range": F(text["cross_scan_range"]) / 10**6,
    }
    request = {
        "rpm": F(text["rpm"]),
        "length": F(text["length"]) / 1000,
        "dpi": F(text["dpi"]),
        "trim_reach": F(text["trim_reach"]) / 10**6,
    }
    return text, head, request


HEAD = """\
[facets]
count = {facets}
[lens]
focal_length = "{focal_length} mm"
line_most = "{line_most} mm"
active_most = "{active_most} %"
[rotor]
speed_least = "{speed_least} rpm"
speed_most = "{speed_most} rpm"
[words]
service = "{service} us"
queue = {queue}
[dot_clock]
master = "{master} MHz"
kind = "{kind}"
divisor_least = {least}
divisor_most = {most}
accumulator_bits = {bits}
[trims]
in_scan_range = "{in_scan_range} ns"
cross_scan_range = "{cross_scan_range} urad"
"""

SCRIPT = """\
record "plan": plan_line({rpm} rpm, length: {length} mm, resolution: {dpi} dpi, trim_reach: {trim_reach} um)
"""


def planned(spintrue, folder, text):
    """The plan that spintrue makes."""
    head, script = folder / "head.toml", folder / "plan.spt"
    head.write_text(HEAD.format(**text))
    script.write_text(SCRIPT.format(**text))
    run = subprocess.run(
        [spintrue, "run", "--json", "--head", f"sim:{head}", script],
        capture_output=True, text=True, timeout=60, check=False,
    )
    for line in run.stdout.splitlines():
        event = json.loads(line)
        if event["event"] == "recorded":
            return event["value"]
    sys.exit(f"no plan was recorded:\n{head.read_text()}{script.read_text()}{run.stdout}{run.stderr}")


def difference(name, want, got, fields):
    """A message if the two values differ, otherwise None."""
    got = F(got["value"])
    scale = abs(want)
    if name == "length_error":
        scale = fields["length"]  # the difference of two nearly equal lengths
    elif name == "pre_scan_delay":
        scale = fields["line_period"]  # likewise
    whole = name in ("dots", "words", "padding_bits", "queue_needed")
    if (got != want) if whole else (abs(got - want) > NEAR * scale):
        return f"{name}: spintrue {float(got):.17g}, the model {float(want):.17g}"
    return None


def main():
    spintrue, folder, seed, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    rng = random.Random(seed)
    compared = on_edge = feasible = wrong = 0
    names = set()
    while compared < count:
        text, head, request = draw(rng)
        try:
            fields, broken = model(head, request)
        except OnEdge:
            on_edge += 1
            continue
        plan = planned(spintrue, folder, text)
        compared += 1
        feasible += not broken
        # Fields that the model does not compute.
        told = {"feasible", "reasons", "facets", "on_paper", "corrected", "linearity", "linearity_error"}
        # This head does not have them.
        told |= {"length_reach", "linearity_reach", "power_reach"}
        unknown = set(plan) - set(fields) - told
        found = [f"the model has no {name}" for name in sorted(unknown)]
        found += [f"spintrue has no {name}" for name in sorted(set(fields) - set(plan))]
        for name, want in fields.items():
            if name in plan:
                found.append(difference(name, want, plan[name], fields))
        if plan["feasible"] != (not broken):
            found.append(f"feasible: {plan['feasible']}, the model finds broken: {sorted(broken)}")
        for words in broken:
            if not any(words in reason for reason in plan["reasons"]):
                found.append(f"no reason contains `{words}`: {plan['reasons']}")
        told = [r for r in plan["reasons"]
                if not r.startswith(("everything holds", "all this holds", "no other speed"))]
        if len(told) != len(broken):
            found.append(f"{len(told)} reasons for {sorted(broken)}: {told}")
        found = [line for line in found if line]
        if found:
            wrong += 1
            print(f"{text}\n  " + "\n  ".join(found))
        names |= set(fields)
    print(f"{compared} plans of {len(names)} fields compared, {feasible} of them feasible, "
          f"{on_edge} skipped as too close to a limit: {wrong} differ")
    if not 0 < feasible < compared:
        sys.exit("the draw is one-sided: it needs both feasible and infeasible plans")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
