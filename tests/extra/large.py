"""Makes large archives and measures `history` on them."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from server import postgres

spintrue, given = Path(sys.argv[1]).resolve(), sys.argv[2:]
# Runs with one check, one quantity and a station each, on the server alone.
lean = "--lean" in given
counts = [int(text) for text in given if text != "--lean"] or [20_000, 1_000_000]
# Calls of each command, the fastest of which counts.
CALLS = 2 if lean else 6

SCRIPT = """\
param x = 2 um
record "width": x
record "height": x
record "temperature": 300 K
expect "width": x <= 5 um
expect "height": x within 0.5 um .. 4.9 um
expect "locked": x > 0 um
expect "end": x < 6 um
"""

# Each run is a copy of the first, with a start, a head, a station, a day and values of its own: heads of 20
# models at 5 stations, each tested twice. {n} yields the numbers k, {start} the start of run k as text.
COPIES = [
    """INSERT INTO runs (id, started, script, digest, version, serial, model, simulated, seed, faults, operator,
        verdict, exit_code, failure, not_reached, took, provoked, row_digest, record_digest)
    SELECT k, {start}, script, digest, version, 'H-' || (k / 2), 'model ' || (k % 20), 0, NULL, faults,
        'operator ' || (k % 7), CASE WHEN k % 31 = 0 THEN 'failed' ELSE verdict END, exit_code, failure,
        CASE WHEN k % 97 = 0 THEN '["end"]' ELSE not_reached END, took, provoked, row_digest, record_digest
    FROM {n}, runs WHERE id = 1""",
    """INSERT INTO identity SELECT k, place, name, CASE WHEN name = 'station' THEN 'S' || (k % 5) ELSE value END
    FROM {n}, identity WHERE run = 1""",
    "INSERT INTO params SELECT k, place, name, value FROM {n}, params WHERE run = 1",
    """INSERT INTO checks SELECT k, place, time, label, condition, value + k % 89 * 1e-8, unit, shown_unit,
        uncertainty, coverage, rule, low, low_conforms, high, high_conforms, margin, probability,
        CASE WHEN k % 31 = 0 AND place = k % 4 THEN 'does not conform'
            WHEN k % 53 = 0 AND place = 1 THEN 'undecided' ELSE outcome END
    FROM {n}, checks WHERE run = 1""",
    """INSERT INTO quantities SELECT k, place, time, label, value + k % 101 * 37 % 101 * 1e-8, unit, shown_unit
    FROM {n}, quantities WHERE run = 1""",
]
NUMBERS = {
    "sqlite": "(WITH RECURSIVE n (k) AS (SELECT 2 UNION ALL SELECT k + 1 FROM n WHERE k < {count}) SELECT k FROM n)",
    "postgres": "generate_series(2, {count}) AS n (k)",
}
START = {
    "sqlite": "strftime('%Y-%m-%dT%H:%M:%S.000Z', '2024-01-01 00:00:00', '+' || k || ' minutes')",
    "postgres": "to_char(timestamp '2024-01-01' + k * interval '1 minute', 'YYYY-MM-DD\"T\"HH24:MI:SS\".000Z\"')",
}
COMMANDS = [
    ["history", "ARCHIVE"],
    ["history", "ARCHIVE", "--identity", "station=S3"],
    ["history", "trend", "ARCHIVE", "width"],
    ["history", "trend", "ARCHIVE", "width", "--by", "station"],
    ["history", "trend", "ARCHIVE", "locked", "--by", "model,station", "--since", "LATE"],
    ["history", "trend", "ARCHIVE", "width", "--identity", "station=S3", "--fail-on", "newest"],
    ["history", "yield", "ARCHIVE"],
    ["history", "yield", "ARCHIVE", "--by", "day,station"],
    ["history", "failing", "ARCHIVE"],
    ["history", "failing", "ARCHIVE", "--by", "station"],
]


if lean:
    COMMANDS[4][3] = "width"
    COMMANDS.insert(1, ["history", "ARCHIVE", "--serial", "H-12345"])
    COMMANDS.insert(2, ["history", "ARCHIVE", "--identity", "station=S3", "--since", "LATE"])
    COMMANDS.extend([[*words, "--since", "LATE"] for words in COMMANDS[4:] if "--since" not in words])


def call(arguments, environment, out=subprocess.DEVNULL):
    """Seconds, and peak memory in MB."""
    since = time.perf_counter()
    child = subprocess.Popen([spintrue, *arguments], env=environment, stdout=out, stderr=subprocess.PIPE)
    error = child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    took = time.perf_counter() - since
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise RuntimeError(f"{arguments}: {error.decode()}")
    return took, usage.ru_maxrss / 1024


def statements(kind, count):
    numbers = NUMBERS[kind].format(count=count)
    return [copy.format(n=numbers, start=START[kind]) for copy in COPIES]


def fill(sql, database, count):
    """Copies the first run of an archive on the server; references hold by construction."""
    quick = "SET session_replication_role = replica; "
    sql(database, "UPDATE runs SET simulated = 0, started = '2024-01-01T00:00:00.000Z'")
    if lean:
        for rest in ["checks WHERE label <> 'width'", "quantities WHERE label <> 'width'",
                     "identity WHERE name <> 'station'", "params"]:
            sql(database, f"DELETE FROM {rest}")
    # An index that is made over all rows at once is made sooner.
    made = sql(database, "SELECT indexname || '|' || indexdef FROM pg_indexes WHERE schemaname = 'public' "
                         "AND indexname NOT LIKE '%pkey'")
    indexes = [line.split("|", 1) for line in made.splitlines()]
    for name, _ in indexes:
        sql(database, f"DROP INDEX {name}")
    for statement in statements("postgres", count):
        sql(database, quick + statement)
    for _, definition in indexes:
        sql(database, definition)
    # As the server does by itself after a while.
    sql(database, "VACUUM ANALYZE")


def make(place, environment, work):
    (work / "s.spt").write_text(SCRIPT)
    call(["run", str(work / "s.spt"), "--archive", place, "--identity", "station=S1"], environment)


def measure(kind, count, place, environment):
    late = time.strftime("%Y-%m-%d", time.gmtime(1704067200 + 60 * count * 0.9))
    for command in COMMANDS:
        words = [{"ARCHIVE": place, "LATE": late}.get(word, word) for word in command]
        shown = " ".join(word for word in command if word != "ARCHIVE")
        # The fastest: what else the machine does slows the others.
        try:
            took, memory = min(call(words, environment) for _ in range(CALLS))
        except RuntimeError as refused:
            print(f"{kind:<9} {count:>8} runs  {shown}: {refused}", flush=True)
            continue
        print(f"{kind:<9} {count:>8} runs  {took * 1000:>7.0f} ms  {memory:>5.0f} MB  {shown}", flush=True)
    if count <= 200_000:
        for form in ("csv", "jsonl"):
            took, memory = call(["history", "export", place, "--format", form], environment)
            print(f"{kind:<9} {count:>8} runs  {took * 1000:>7.0f} ms  {memory:>5.0f} MB  export {form}", flush=True)


kept = os.environ.get("SPINTRUE_LARGE")
work = Path(kept or tempfile.mkdtemp()).resolve()
work.mkdir(parents=True, exist_ok=True)
port, environment, sql, stop, _ = postgres(work)
try:
    for count in counts:
        file = work / f"{count}.sqlite"
        if not lean and not file.exists():
            make(str(file), environment, work)
            since = time.perf_counter()
            db = sqlite3.connect(file)
            with db:
                db.execute("UPDATE runs SET simulated = 0, started = '2024-01-01T00:00:00.000Z'")
                for statement in statements("sqlite", count):
                    db.execute(statement)
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            db.close()
            print(f"sqlite: {count} runs made in {time.perf_counter() - since:.0f} s, "
                  f"{file.stat().st_size / 1e6:.0f} MB", flush=True)
        if not lean:
            measure("sqlite", count, str(file), environment)
        database = f"runs_{count}"
        address = f"postgres://admin@127.0.0.1:{port}/{database}"
        if sql("postgres", f"SELECT count(*) FROM pg_database WHERE datname = '{database}'") == "0":
            sql("postgres", f"CREATE DATABASE {database}")
            make(address, environment, work)
            since = time.perf_counter()
            fill(sql, database, count)
            size = int(sql(database, f"SELECT pg_database_size('{database}')"))
            print(f"postgres: {count} runs made in {time.perf_counter() - since:.0f} s, {size / 1e6:.0f} MB", flush=True)
        measure("postgres", count, address, environment)
finally:
    stop()
    if not kept:
        shutil.rmtree(work, ignore_errors=True)
