"""Simulated heads in real time at stations, driven by one batch."""

import csv
import json
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from server import processes, served

program, count = Path(sys.argv[1]).resolve(), int(sys.argv[2])
# Most of a core that a batch of 32 real-time heads may take, its processes included. About 0.04 was measured in runs of
# 70 s: a third of it are looks at the request to stop, 20 in each second for each head.
MAX_SHARE = 0.05
# A run of this many seconds, as short acceptances are.
SECONDS = 60 if count >= 32 else 20

work = Path(tempfile.mkdtemp())
serials = [f"SN-{number:02}" for number in range(1, count + 1)]
(work / "script.spt").write_text(
    f"""spin(3000 rpm)
wait until locked() within 20 s
repeat {SECONDS} times {{
    wait 1 s
    expect "speed": status().speed ± 1 rpm within 2990 rpm .. 3010 rpm
}}
"""
)
(work / "heads.csv").write_text("serial\n" + "\n".join(serials) + "\n")


def held(holds, what):
    if not holds:
        sys.exit(f"not so: {what}")
    print(f"held: {what}", flush=True)


def until(what):
    end = time.monotonic() + 120
    while not what():
        if time.monotonic() > end:
            sys.exit("nothing came")
        time.sleep(0.05)


def described(serial):
    (work / f"{serial}.toml").write_text(f'[head]\nserial = "{serial}"\n')
    return served(program, work, serial)


def batch(folder):
    stations = [word for number, (_, address) in enumerate(servers, 1)
                for word in ("--station", f"S{number}={address}")]
    return subprocess.Popen(
        [program, "batch", "script.spt", "--list", "heads.csv", "--record", folder,
         "--archive", f"{folder}.sqlite", *stations],
        cwd=work, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def begun(folder):
    journal = work / folder / "journal.jsonl"
    lines = journal.read_text().splitlines() if journal.exists() else []
    return sum('"event":"begun"' in line for line in lines)


def complete(folder):
    """Each head is finished once, stored once, and its record is whole."""
    lines = map(json.loads, (work / folder / "journal.jsonl").read_text().splitlines())
    done = sorted(line["serial"] for line in lines if line["event"] == "done")
    held(done == serials, f"{folder}: the journal has each of {count} heads once as finished")
    runs = sqlite3.connect(work / f"{folder}.sqlite").execute("SELECT serial FROM runs ORDER BY serial")
    held([serial for serial, in runs] == serials, f"{folder}: the archive has each of them once")
    rows = list(csv.DictReader((work / folder / "summary.csv").open(newline="")))
    held([row["verdict"] for row in rows] == ["passed"] * count, f"{folder}: all of them passed")
    verified = subprocess.run([program, "record", "verify", folder], cwd=work, capture_output=True, text=True)
    held(verified.returncode == 0, f"{folder}: the whole batch verifies {verified.stderr}")
    return rows


servers = [described(serial) for serial in serials]
try:
    # Undisturbed.
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.monotonic()
    run = batch("whole")
    told, _ = run.communicate()
    wall = time.monotonic() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    held(run.returncode == 0, f"{count} heads at {count} stations in {wall:.0f} s {told if run.returncode else ''}")
    rows = complete("whole")
    held(len({row["station"] for row in rows}) == count, "each at a station of its own")
    share = took / wall
    what = f"the batch and its processes take {took:.2f} s of processor time, {100 * share:.1f} % of a core"
    if count >= 32:
        held(share < MAX_SHARE, what)
    else:
        print(what)

    # A process of a head is killed, then the batch; and it goes on at once.
    run = batch("cut")
    until(lambda: begun("cut") == count)
    time.sleep(3)
    victim = processes(work)[0]
    os.kill(victim, signal.SIGKILL)
    until(lambda: (work / "cut/unfinished").exists())
    time.sleep(2)
    os.kill(run.pid, signal.SIGKILL)
    run.wait()
    held(len(processes(work)) > 0, "processes of a batch that was killed make their heads safe")
    run = batch("cut")
    told, _ = run.communicate()
    held("still being made safe" in told, "the next batch waits for them")
    held(run.returncode == 0, f"and goes on {told if run.returncode else ''}")
    complete("cut")
    aside = list((work / "cut/unfinished").iterdir())
    held(len(aside) == count, f"{len(aside)} records that were cut off lie aside")
    held(begun("cut") == 2 * count, "each head was begun twice")
    ended = [record for record in aside if (record / "record.json").exists()]
    held(len(ended) == count - 1, "all but the one that was killed ended theirs when the batch was gone")
finally:
    for server, _ in servers:
        server.terminate()
        server.wait()
print(f"{count} stations: all as it should be")
