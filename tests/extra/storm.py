"""A line of stations in a storm: heads are mounted and scanned one after the other, while processes of heads, the batch,
the servers of heads and the database are killed at random. Nothing may be lost or doubled."""

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from server import postgres, processes, served

program, count, seconds, seed = Path(sys.argv[1]).resolve(), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
draw = random.Random(seed)
work = Path(tempfile.mkdtemp())
work.chmod(0o755)
(work / "script.spt").write_text("""\
spin(3000 rpm)
wait until locked() within 20 s
wait 1 s
expect "speed": status().speed ± 1 rpm within 2990 rpm .. 3010 rpm
""")
JOURNAL, QUEUE = work / "out/journal.jsonl", work / "out/queue.csv"
kills = {}


def held(holds, what):
    if not holds:
        sys.exit(f"not so: {what}")
    print(f"held: {what}", flush=True)


def events(kind):
    """Serial numbers of an event of the journal; a last line that is being written does not count."""
    lines = JOURNAL.read_text().split("\n")[:-1] if JOURNAL.exists() else []
    return [line["serial"] for line in map(json.loads, lines) if line["event"] == kind]


class Place:
    """A station, at which one head after the other is mounted."""

    def __init__(self, number):
        self.name, self.heads, self.server, self.listen = f"S{number}", 0, None, "127.0.0.1:0"
        self.mount()

    def mount(self):
        self.heads += 1
        self.serial = f"{self.name}-{self.heads:03}"
        (work / f"{self.serial}.toml").write_text(f'[head]\nserial = "{self.serial}"\n')
        self.start()

    def start(self):
        if self.server:
            self.server.kill()
            self.server.wait()
        self.server, self.address = served(program, work, self.serial, self.listen)
        self.listen = self.address.removeprefix("tcp://")


class Batch:
    """The command, started again whenever it has ended."""

    def __init__(self, archive, environment):
        self.command = [program, "batch", "script.spt", "--list", "-", "--record", "out", "--archive", archive]
        for place in places:
            self.command += ["--station", f"{place.name}={place.address}"]
        self.environment, self.codes = environment, []
        self.start()

    def start(self):
        self.child = subprocess.Popen(self.command, cwd=work, env=self.environment, stdin=subprocess.PIPE,
                                      stdout=open(work / "told", "ab"), stderr=subprocess.STDOUT)

    def types(self, text):
        try:
            self.child.stdin.write(text.encode())
            self.child.stdin.flush()
        except OSError:
            pass

    def look(self):
        if self.child.poll() is not None:
            self.codes.append(self.child.returncode)
            self.start()


def strike():
    """Kills something."""
    what = draw.choice(["process", "process", "batch", "request", "server", "database"])
    kills[what] = kills.get(what, 0) + 1
    if what == "process" and (found := processes(work)):
        os.kill(draw.choice(found), signal.SIGKILL)
    elif what == "batch":
        batch.child.kill()
    elif what == "request":
        batch.child.send_signal(signal.SIGINT)
    elif what == "server":
        draw.choice(places).start()
    elif what == "database":
        stop("immediate")
        time.sleep(draw.uniform(0, 2))
        restart()


def round_():
    """Types what is mounted and not in the queue, and mounts the next head where one is finished."""
    batch.look()
    taken = set(QUEUE.read_text().split()) if QUEUE.exists() else set()
    done = set(events("done"))
    for place in places:
        if place.serial in done and not is_over:
            place.mount()
        if place.serial not in taken:
            batch.types(draw.choice(["", "\n", f"{place.serial}\n"]) + f"{place.serial}\n")
    return done


port, environment, sql, stop, restart = postgres(work / "database")
sql("postgres", "CREATE DATABASE runs")
places = [Place(number) for number in range(1, count + 1)]
is_over = False
batch = Batch(f"postgres://admin@127.0.0.1:{port}/runs", environment)
try:
    end, next_ = time.monotonic() + seconds, time.monotonic() + 15
    while time.monotonic() < end:
        round_()
        if time.monotonic() > next_:
            strike()
            next_ = time.monotonic() + draw.uniform(2, 12)
        time.sleep(0.5)
    # The last heads; a station that was taken out comes back with the next command.
    is_over, end, before, since = True, time.monotonic() + 300, set(), time.monotonic()
    while not all(place.serial in before for place in places):
        done = round_()
        if done != before:
            before, since = done, time.monotonic()
        if time.monotonic() > since + 30:
            batch.child.send_signal(signal.SIGINT)
            since = time.monotonic()
        if time.monotonic() > end:
            sys.exit(f"it does not come to an end: {(work / 'told').read_text()[-3000:]}")
        time.sleep(0.5)
    batch.child.stdin.close()
    # A head whose server is killed amid its run has failed.
    held(batch.child.wait(120) in (0, 3), f"the last batch ends with {batch.child.returncode}")
    wanted = sorted(f"{place.name}-{number:03}" for place in places for number in range(1, place.heads + 1))
    struck = ", ".join(f"{what} {times}" for what, times in sorted(kills.items()))
    print(f"{len(wanted)} heads, killed: {struck}; the batch was started {len(batch.codes) + 1} times, "
          f"records that were cut off: {len(list((work / 'out/unfinished').iterdir()))}", flush=True)
    held(sorted(events("done")) == wanted, f"the journal has each of {len(wanted)} heads once as finished")
    stored = sorted(sql("runs", "SELECT serial FROM runs").split())
    held(stored == wanted, "the archive has each of them once")
    held(sorted(QUEUE.read_text().split()[1:]) == wanted, "the queue has each of them once")
    for what in ["out", batch.command[8]]:
        done = subprocess.run([program, "record", "verify", what], cwd=work, env=environment, capture_output=True, text=True)
        held(done.returncode == 0, f"{'the batch' if what == 'out' else 'the archive'} verifies {done.stderr}")
finally:
    batch.child.kill()
    for place in places:
        place.server.kill()
    stop("immediate")
print("storm: all as it should be")
