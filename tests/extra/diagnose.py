"""Runs scripts/diagnose.spt on every documented fault, every head under scripts/heads and many seeds of each, and
compares what it names with what is wrong. The tables of docs/diagnose.md are what it finds; `--write` renews
them.

Right means that the true cause is among those named, which are three at most; of a head with several causes
all of them. A good head is right where nothing is named.
"""

import argparse
import collections
import concurrent.futures
import csv
import dataclasses
import json
import os
import pathlib
import random
import re
import subprocess
import sys
import tempfile

import sizes
import wiring

ROOT = pathlib.Path(__file__).parents[2]
PAGE = ROOT / "docs/diagnose.md"
WORK = ROOT / "target/extra/diagnose"
HEADS = "scripts/heads"
STATION = f"{HEADS}/ten_with_station.toml"
LEAST_RIGHT = 0.95
MOST_NAMED = 3

# What is wrong with each head of scripts/heads/wrong: names of scripts/lib/suspects.csv. None is good.
WRONG = {
    "axes_swapped": "axes_swapped", "bow": "bow", "cold_head": "delay_drift",
    "cross_scan_gain_5_percent": "cross_scan_gain", "cross_scan_gain_half": "cross_scan_gain",
    "cross_scan_gain_more_than_double": "cross_scan_gain",
    "cross_scan_gain_one_and_a_half": "cross_scan_gain", "cross_scan_sign": "cross_scan_sign",
    "dim_facet": "facet_dim", "even_distortion": "lens_even", "facets_reversed": "trims_reversed",
    "facets_rotated": "trims_rotated", "fading_laser": "laser_fades", "focal_length": "focal_length",
    "galvanometer_gain": "galvanometer_gain", "galvanometer_rings": "galvanometer_rings",
    "galvanometer_slew": "galvanometer_slew", "gate_too_early": "gate_early", "gauge_creep": "gauge_creep",
    "gauge_offset": "gauge_offset", "gauge_scale": "gauge_scale", "gauge_turned": "gauge_turned",
    "gauge_turned_far": "gauge_turned", "ghost_pulse": "ghost_pulse", "hunting": "hunting",
    "hunting_fast": "hunting", "hunting_slow": "hunting", "in_scan_gain_5_percent": "in_scan_gain",
    "in_scan_gain_half": "in_scan_gain", "in_scan_gain_more_than_double": "in_scan_gain",
    "in_scan_gain_one_and_a_half": "in_scan_gain", "in_scan_sign": "in_scan_sign",
    "index_moved": "index_moved", "long_and_odd": "focal_length lens_odd", "long_lines": "focal_length",
    "narrow_facets": "facets_narrow", "odd_distortion": "lens_odd", "one_mark": "gauge_few_marks",
    "other_polygon": "other_polygon", "power_ramp": "power_ramp", "ripple": "ripple",
    "short_register": "register_short", "skew": "facets_lean_along", "three_marks": "gauge_few_marks",
    "tilt_corrected": "", "uneven_lengths": "facets_not_flat", "weak_drive": "drive_weak",
    "weak_laser": "laser_weak", "wild_readings": "gauge_wild", "zigzag_lengths": "facets_not_flat",
    "zigzag_skews": "facets_lean_along",
}

# Heads of scripts/heads that are not simply good.
NOT_GOOD = {"eight_badly_made": "trims_stuck", "ten_full_trims": "facets_not_flat lens_odd facet_dim"}

# What leaves no trace in anything that this script measures, and why. It is stated, and not counted.
UNSEEN = {
    "wrong/galvanometer_linearity": "the mirror stays near its parked angle, where it turns as it should",
    "wrong/index_shifted": "the index has moved before the first look, and no pattern was kept",
    "wrong/medium_fast": "no page is drawn",
    "wrong/medium_wobble": "no page is drawn",
    "fault store_interrupted": "nothing is stored",
}

# Documented faults: the cause, and the options for a head drawn at random. Times are of the whole run, which takes
# about 700 s, unless a fault can only be told in a part of it, which the page states.
BEGIN, RESTART, LINES, END = 0, 62, 86.5, 700


def at(kind, low, high):
    return lambda draw: [f"{kind}@{draw.uniform(low, high):.3f}s"]


def facet(kind):
    return lambda draw: [f"{kind}(facet={draw.randrange(10)})"]


def plain(kind):
    return lambda draw: [kind]


FAULTS = {
    "no_lock": ("drive_weak", [plain("no_lock")]),
    "slow_lock": ("drive_slow", [plain("slow_lock(share=20%)")]),
    "lock_lost": ("speed_bump", [at("lock_lost", 6.1, END)]),
    "interlock_opened": ("interlock_open", [at("interlock_opened", BEGIN, END)]),
    "laser_stays_armed": ("laser_armed", [at("laser_stays_armed", BEGIN, END)]),
    "rail_low": ("rail_low", [at(f"rail_low(rail={rail})", BEGIN, END) for rail in ("logic", "drive", "laser")]),
    "gauge_dead": ("gauge_dead", [at("gauge_dead", BEGIN, END)]),
    "gauge_lying": ("gauge_jumped", [at("gauge_lying(offset=20um)", LINES, END)]),
    "index_missing": ("index_missing", [at("index_missing", BEGIN, END)]),
    "index_slipping": ("index_slipping", [at("index_slipping", BEGIN, END)]),
    "index_shifted": ("index_moved", [at("index_shifted", 22.1, RESTART)]),
    "start_of_scan_dropouts": ("detector_dropouts", [at("start_of_scan_dropouts(share=20%)", BEGIN, END)]),
    "ghost_pulse": ("ghost_pulse", [facet("ghost_pulse")]),
    "galvanometer_stuck": ("galvanometer_stuck", [plain("galvanometer_stuck")]),
    "stuck_trim": ("trims_stuck", [facet("stuck_trim")]),
    "store_interrupted": (None, [plain("store_interrupted")]),
    "queue_underrun": ("words_late", [plain("queue_underrun")]),
    "link_silent": ("link_silent", [at("link_silent", BEGIN, END)]),
    "signal_stuck": ("signal_stuck", [plain("signal_stuck(signal=clamped)"), at("signal_stuck(signal=clamped)", 0, 0.2)]),
    "signal_broken": ("signal_broken", [plain("signal_broken(signal=door_open)"), plain("signal_broken(signal=clamped)")]),
}

@dataclasses.dataclass(eq=False)
class Case:
    name: str
    truth: str | None
    options: list
    faults: list | None


def listed(path):
    """The settings that a head needs, from the command in its comment."""
    command = next(line for line in path.read_text().splitlines() if "spintrue run" in line)
    return [part for part in re.findall(r"--set (\S+)", command) if "=" in part] if "bring_up" in command else []


def cases():
    found = [Case("built-in head", "", [], None)]
    for path in sorted((ROOT / HEADS).glob("*.toml")):
        settings = [part for value in listed(path) for part in ("--set", value)]
        options = ["--head", f"sim:{HEADS}/{path.name}", *settings]
        found.append(Case(path.stem, NOT_GOOD.get(path.stem, ""), options, None))
    names = {path.stem for path in (ROOT / HEADS / "wrong").glob("*.toml")}
    unseen = {name.removeprefix("wrong/") for name in UNSEEN}
    missing = names ^ (set(WRONG) | (unseen & names))
    assert not missing, f"heads without a cause in this test, or the other way round: {missing}"
    for name in sorted(names):
        truth = None if f"wrong/{name}" in UNSEEN else WRONG[name]
        found.append(Case(f"wrong/{name}", truth, ["--head", f"sim:{HEADS}/wrong/{name}.toml"], None))
    page = (ROOT / "docs/simulated-head.md").read_text()
    table = page.split("<!-- faults -->")[1].split("<!-- end of faults -->")[0]
    documented = set(re.findall(r"^\| `(\w+)` \|", table, re.MULTILINE))
    assert documented == set(FAULTS), f"faults without a cause in this test: {documented ^ set(FAULTS)}"
    for kind, (truth, faults) in FAULTS.items():
        station = ["--head", f"sim:{STATION}", "--set", "@scripts/datasheets/station_lines.toml"]
        found.append(Case(f"fault {kind}", truth, station if kind.startswith("signal_") else [], faults))
    found += [Case(f"drawn {cause or 'good head'}", cause, [], None) for cause in sizes.DRAWN]
    return found


def named(program, case, seed):
    """What the script names, in order; the options, to run it again by hand."""
    options = list(case.options)
    draw = random.Random(f"{case.name} {seed}")
    if case.name.startswith("drawn "):
        WORK.mkdir(parents=True, exist_ok=True)
        path = WORK / f"{case.truth or 'good'}_{seed}.toml"
        path.write_text(sizes.description(case.truth, draw))
        # Twelve facets draw a shorter line.
        options += ["--head", f"sim:{path}", *([] if case.truth else ["--set", "length=250mm"])]
    if case.faults:
        for fault in case.faults[seed % len(case.faults)](draw):
            options += ["--fault", fault]
    return suspects([program, "run", "scripts/diagnose.spt", "--json", "--set", "light=true", "--seed", str(seed), *options])


def suspects(command):
    """What a run names, and its command."""
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    for line in done.stdout.splitlines():
        event = json.loads(line)
        if event["event"] == "recorded" and event["name"] == "suspects":
            return tuple(event["value"]), command
    raise AssertionError(f"no suspects are recorded: {' '.join(command)}\n{done.stdout[-2000:]}{done.stderr}")


def wired(program, fault, folder):
    """What first_power_on.spt names on a head of `wiring.py`."""
    _, _, other = wiring.FAULTS[fault]
    sheet, answers = folder / f"{fault}.sheet.toml", folder / f"{fault}.answers.toml"
    sheet.write_text(wiring.SHEET)
    answers.write_text(wiring.answers(other))
    serving = subprocess.Popen(
        [sys.executable, "-B", wiring.__file__, fault, "--port", "0"], stdout=subprocess.PIPE, text=True
    )
    try:
        address = serving.stdout.readline().split()[-1]
        command = [program, "run", "scripts/first_power_on.spt", "--json", "--head", address,
                   "--allow", "reads,steers,switches,asks", "--set", f"@{sheet}", "--answers", str(answers)]
        return suspects(command)
    finally:
        serving.kill()
        serving.wait()


def right(truth, names):
    causes = set(truth.split())
    return len(names) <= MOST_NAMED and (causes <= set(names) if causes else not names)


def counted(names, count):
    told = " + ".join(f"`{name}`" for name in names) if names else "nothing"
    return f"{told} {count}"


def tables(found, classes):
    """The confusion table, and what leaves no trace."""
    lines = ["| what is wrong | class | runs | right | named, and how often |", "| --- | --- | --- | --- | --- |"]
    runs = rights = 0
    for case, outcomes in found.items():
        if case.truth is None:
            continue
        total = sum(outcomes.values())
        good = sum(count for names, count in outcomes.items() if right(case.truth, names))
        runs, rights = runs + total, rights + good
        kind = ", ".join(dict.fromkeys(classes[cause] for cause in case.truth.split())) or "good"
        told = "; ".join(counted(names, count) for names, count in outcomes.most_common())
        lines.append(f"| {case.name} | {kind} | {total} | {100 * good / total:.0f} % | {told} |")
    good = [(case, outcomes) for case, outcomes in found.items() if case.truth == ""]
    healthy = sum(sum(outcomes.values()) for _, outcomes in good)
    blamed = sum(count for _, outcomes in good for names, count in outcomes.items() if names)
    lines += ["", f"Right in {rights} of {runs} runs ({100 * rights / runs:.2f} %). Good heads blamed: {blamed} of {healthy}."]
    hidden = ["| what is wrong | why nothing shows it | named, and how often |", "| --- | --- | --- |"]
    for case, outcomes in found.items():
        if case.truth is None:
            told = "; ".join(counted(names, count) for names, count in outcomes.most_common())
            hidden.append(f"| {case.name} | {UNSEEN[case.name]} | {told} |")
    return "\n".join(lines), "\n".join(hidden), rights / runs, blamed


def wiring_table(program):
    """What first_power_on.spt names on each wiring fault; all must be right."""
    lines = ["| wiring fault | named |", "| --- | --- |"]
    with tempfile.TemporaryDirectory() as folder, concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        found = pool.map(lambda fault: wired(program, fault, pathlib.Path(folder)), wiring.FAULTS)
        for fault, (names, command) in zip(wiring.FAULTS, found):
            truth = wiring.FAULTS[fault][0]
            assert right(truth, names), f"{fault}: named {names}: {' '.join(command)}"
            lines.append(f"| {fault} | {counted(names, '').strip()} |")
    return "\n".join(lines)


def stated(classes, rows):
    lines = ["| class | what it holds | next measurement |", "| --- | --- | --- |"]
    for kind in dict.fromkeys(classes.values()):
        members = [row for row in rows if row["class"] == kind]
        assert len(members) <= MOST_NAMED + 1, kind
        told = "; ".join(f"`{row['name']}`: {row['what']}" for row in members)
        lines.append(f"| {kind} | {told} | {'; '.join(dict.fromkeys(row['next'] for row in members))} |")
    return "\n".join(lines)


def put(page, name, table):
    head, rest = page.split(f"<!-- {name} -->\n")
    _, tail = rest.split(f"<!-- end of {name} -->")
    return f"{head}<!-- {name} -->\n{table}\n<!-- end of {name} -->{tail}"


def main():
    options = argparse.ArgumentParser()
    options.add_argument("program")
    options.add_argument("--seeds", type=int, default=50)
    options.add_argument("--sample", action="store_true", help="one seed of each, against the table of the page")
    options.add_argument("--write", action="store_true", help="renew the tables of the page")
    options.add_argument("--only", default="", help="cases whose name matches this pattern; judges and writes nothing")
    given = options.parse_args()
    with open(ROOT / "scripts/lib/suspects.csv", newline="") as file:
        rows = [{key.split(" ")[0]: value for key, value in row.items()} for row in csv.DictReader(file)]
    classes = {row["name"]: row["class"] for row in rows}
    every = [case for case in cases() if re.search(given.only, case.name)]
    if given.sample:
        wrong = [case for case in every if case.name.startswith(("wrong/", "drawn "))]
        every = [case for case in every if case not in wrong] + wrong[::4]
    seeds = [1] if given.sample else range(1, given.seeds + 1)
    found = {case: collections.Counter() for case in every}
    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = {pool.submit(named, given.program, case, seed): case for case in every for seed in seeds}
        for job in concurrent.futures.as_completed(jobs):
            names, command = job.result()
            case = jobs[job]
            found[case][names] += 1
            assert set(names) <= set(classes), names
            if case.truth is not None and not right(case.truth, names):
                print(f"{case.name}: named {names}: {' '.join(command)}", flush=True)
    table, hidden, share, blamed = tables(found, classes)
    if given.only:
        print(table)
        return
    wires = wiring_table(given.program)
    page = put(PAGE.read_text(), "wiring", wires) if given.write else PAGE.read_text()
    assert wires in page, f"the table of wiring faults of {PAGE} is another: tests/extra/diagnose.sh --write renews it"
    if given.sample:
        known = {line.split(" | ")[0].removeprefix("| "): line for line in page.splitlines() if line.startswith("| ")}
        for case, outcomes in found.items():
            for names in outcomes:
                told = counted(names, "")
                assert told in known[case.name], f"{case.name}: {told}is not in {PAGE}: tests/extra/diagnose.sh --write"
    else:
        fresh = put(put(put(page, "classes", stated(classes, rows)), "diagnoses", table), "unseen", hidden)
        if given.write:
            PAGE.write_text(fresh)
        else:
            assert fresh == page, f"{PAGE} is not what the script finds: tests/extra/diagnose.sh --write renews it"
    print(table.splitlines()[-1])
    assert share >= LEAST_RIGHT, f"only {100 * share:.1f} % are right"
    assert not blamed, f"{blamed} runs on good heads name something"


if __name__ == "__main__":
    sys.exit(main())
