"""Mutates files of every kind that the program reads, and holds it to its manners."""

import gzip
import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

program, work, seconds, seed = Path(sys.argv[1]).resolve(), Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
only = sys.argv[5:]
root = Path.cwd()

# What a program may end with, how long it may take and how much memory it may use.
CODES, LIMIT, MEMORY = {0, 1, 2, 3, 4}, 60.0, 700 << 20
NUMBERS = [b"0", b"-1", b"1e308", b"-1e308", b"nan", b"inf", b"1e-320", b"18446744073709551616", b"4294967295", b"0.1",
           b"99999999", b"2147483648", b"65536", b"1000001"]
BYTES = [b"\0", b"\xff", b"\x80", b"\x1b[2J", b"\xe2\x80\xae", b"\n", b"\r\n", b'"', b"'", b"{", b"}", b"[", b"]", b",", b"=",
         b"\xc2\x9b", b"\xef\xbb\xbf", b" " * 5000, b"[" * 3000, b"{" * 3000, b"a" * 70000, b"-", b"%", b"../", b"\t"]


def made(arguments, **more):
    done = subprocess.run([program, *arguments], cwd=root, capture_output=True, **more)
    assert done.returncode in CODES, (arguments, done.stderr.decode())


def seeds():
    """The files that are mutated, and how each is given to the program."""
    tiny = work / "tiny.spt"
    tiny.write_text('param limit = 6 um\nparam name = "a"\nrecord "limit": limit\nexpect "low": limit <= 9 um\n')
    kept = work / "kept"
    trace, archive, memory = work / "a.trace", work / "a.sqlite", work / "memory.json"
    made(["run", "scripts/bring_up.spt", "--trace", trace, "--record", kept, "--archive", archive,
          "--head", f"sim?memory={memory}"])
    for path in kept.glob("*.gz"):
        path.with_suffix("").write_bytes(gzip.decompress(path.read_bytes()))
    results = work / "results.json"
    made(["simulate", tiny, "--heads", "3", "--out", results])
    listed = work / "list.csv"
    listed.write_text("serial,limit\nA-1,5 um\nA-2,7 um\n")
    made(["batch", tiny, "--list", listed, "--record", work / "batch"])
    table = work / "table.csv"
    table.write_text("at [mm],height [um],good [flag]\n1,2.5,yes\n2,-3,no\n")
    reading = work / "reading.spt"
    reading.write_text('let rows = table("table.csv") as list of {at: length, height: length, good: flag}\n'
                       'record "rows": rows\n')
    image = work / "image.pbm"
    image.write_bytes(b"P4\n32 8\n" + bytes(range(32)))
    key = work / "key.pem"
    subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", key], check=True, capture_output=True)
    chart = work / "chart.pbm"
    # As small as a chart can be.
    made(["chart", "draw", chart, "--date", "2026-05-01", "--sheet", "130x90mm", "--ruler-space", "0mm", "--places", "3"])
    scan = work / "scan.pgm"
    scan.write_bytes(b"P5\n400 400\n255\n" + bytes(255 if (x // 7 + y // 5) % 3 else 20 for y in range(400) for x in range(400)))
    sheet = work / "sheet.toml"
    sheet.write_text('limit = "5 um"\nname = "b"\n[retest]\nattempts = 3\nafter = ["failed"]\n')

    def record(name):
        def place(bytes_):
            folder = work / "changed"
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(kept, folder)
            (folder / name).write_bytes(bytes_)
            if (folder / (name + ".gz")).exists():
                (folder / (name + ".gz")).unlink()
            return folder
        return place

    def journal(bytes_):
        folder = work / "gone_on"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(work / "batch", folder)
        (folder / "journal.jsonl").write_bytes(bytes_)
        return folder

    def beside(name):
        def place(bytes_):
            path = work / name
            path.write_bytes(bytes_)
            return path
        return place

    heads = sorted((root / "scripts/heads").glob("*.toml"))
    return {
        "script": ([p.read_bytes() for p in sorted((root / "scripts").glob("*.spt"))], beside("m.spt"),
                   [["check", "{}"], ["fmt", "--check", "{}"]]),
        "head": ([p.read_bytes() for p in heads], beside("m.toml"), [["head", "describe", "sim:{}"],
                                                                    ["run", tiny, "--head", "sim:{}"]]),
        "sheet": ([sheet.read_bytes()], beside("m.toml"), [["run", tiny, "--set", "@{}"]]),
        "answers": ([p.read_bytes() for p in (root / "scripts/answers").glob("*.toml")], beside("m.toml"),
                    [["check", "scripts/fit_spacer.spt", "--answers", "{}"]]),
        "fixture": ([p.read_bytes() for p in (root / "scripts/fixtures").glob("*.toml")], beside("m.toml"),
                    [["run", tiny, "--fixture", "{}"]]),
        "gauge": ([p.read_bytes() for p in (root / "scripts/gauges").glob("*.toml")], beside("m.toml"),
                  [["run", tiny, "--gauge-file", "{}"]]),
        "table": ([table.read_bytes()], beside("table.csv"), [["run", reading]]),
        "list": ([listed.read_bytes(), *[p.read_bytes() for p in (root / "scripts/lists").glob("*.csv")]], beside("m.csv"),
                 [["batch", tiny, "--list", "{}", "--record", "OUT"]]),
        "image": ([image.read_bytes()], beside("m.pbm"), [["head", "expose", "{}"]]),
        "scan": ([scan.read_bytes()], beside("m.pgm"), [["chart", "read", "{}", "--chart", chart]]),
        "chart": ([chart.read_bytes()], beside("m.pbm"), [["chart", "read", scan, "--chart", "{}"]]),
        "recording": ([p.read_bytes() for p in [trace, *sorted((root / "tests/data/recordings").glob("*.trace"))]], beside("m.trace"),
                      [["head", "trace", "{}"], ["run", "scripts/bring_up.spt", "--head", "replay:{}"]]),
        "tests": ([p.read_bytes() for p in (root / "scripts/tests").glob("*.test.toml")], beside("m.test.toml"),
                  [["test", "{}"]]),
        "memory": ([memory.read_bytes()], beside("m.json"), [["run", tiny, "--head", "sim?memory={}"]]),
        "record": ([(kept / "record.json").read_bytes()], record("record.json"),
                   [["record", "show", "{}"], ["record", "verify", "{}"]]),
        "events": ([(kept / "events.jsonl").read_bytes()], record("events.jsonl"),
                   [["record", "show", "{}"], ["record", "verify", "{}"]]),
        "packed": ([(kept / "events.jsonl.gz").read_bytes()], record("events.jsonl.gz"), [["record", "show", "{}"]]),
        "journal": ([(work / "batch/journal.jsonl").read_bytes()], journal,
                    [["batch", tiny, "--list", listed, "--record", "{}"], ["record", "verify", "{}"]]),
        "archive": ([archive.read_bytes(), (root / "tests/data/older/archive.sqlite").read_bytes()], beside("m.sqlite"),
                    [["history", "{}"], ["history", "export", "{}", "--format", "csv"], ["record", "verify", "{}"],
                     ["run", tiny, "--archive", "{}"]]),
        "results": ([results.read_bytes()], beside("m.json"), [["simulate", "--merge", "{}"]]),
        "key": ([key.read_bytes()], beside("m.pem"), [["run", tiny, "--record", "OUT", "--sign", "{}"]]),
    }


def mutated(bytes_, others, draw):
    data = bytearray(bytes_)
    for _ in range(draw.choice([1, 1, 1, 2, 3, 8])):
        at = draw.randrange(len(data) + 1)
        how = draw.randrange(9)
        if how == 0 and data:
            data[at % len(data)] ^= 1 << draw.randrange(8)
        elif how == 1:
            data[at:at] = draw.choice(BYTES)
        elif how == 2:
            del data[at:at + draw.choice([1, 2, 10, 100, 1000])]
        elif how == 3:
            part = bytes(data[at:at + draw.choice([5, 50, 500])])
            data[at:at] = part * draw.choice([1, 2, 20])
        elif how == 4:
            del data[at:]
        elif how == 5:
            digits = [i for i, b in enumerate(data) if 48 <= b < 58]
            if digits:
                start = end = draw.choice(digits)
                while end < len(data) and 48 <= data[end] < 58:
                    end += 1
                data[start:end] = draw.choice(NUMBERS)
        elif how == 6:
            other = draw.choice(others)
            start = draw.randrange(len(other) + 1)
            data[at:at] = other[start:start + draw.choice([10, 100, 1000])]
        elif how == 7:
            lines = bytes(data).split(b"\n")
            draw.shuffle(lines) if draw.random() < 0.2 else lines.pop(draw.randrange(len(lines)))
            data = bytearray(b"\n".join(lines))
        else:
            words = bytes(data).split(b" ")
            i, j = draw.randrange(len(words)), draw.randrange(len(words))
            words[i], words[j] = words[j], words[i]
            data = bytearray(b" ".join(words))
    return bytes(data)


def trouble(arguments):
    """What is wrong with how the program took it; none where all is well."""
    out = work / "out"
    shutil.rmtree(out, ignore_errors=True)
    with open(work / "said", "wb") as said:
        began = time.monotonic()
        child = subprocess.Popen(arguments, cwd=root, stdin=subprocess.DEVNULL, stdout=said, stderr=said,
                                 preexec_fn=lambda: os.nice(5))
        while True:
            ended, status, usage = os.wait4(child.pid, os.WNOHANG)
            if ended:
                break
            if time.monotonic() - began > LIMIT:
                child.kill()
                child.wait()
                return "it hangs"
            time.sleep(0.001)
    child.returncode = os.waitstatus_to_exitcode(status)
    text = (work / "said").read_bytes()
    if child.returncode not in CODES:
        return f"it ends with {child.returncode}: {text[-500:]!r}"
    if b"panicked" in text:
        return f"it panics: {text[-500:]!r}"
    if b"\x1b" in text or b"\xc2\x9b" in text:
        at = max(text.find(b"\x1b"), text.find(b"\xc2\x9b"))
        return f"it prints control characters: {text[max(0, at - 80):at + 80]!r}"
    if usage.ru_maxrss << 10 > MEMORY:
        return f"it takes {usage.ru_maxrss >> 10} MB"
    if child.returncode == 2 and not text.strip():
        return "it says nothing"
    return None


def gathered(kinds, place):
    """Writes the files of each kind as seeds of tests/fuzz, and what no command here takes by itself."""
    more = {
        "fault": [text.encode() for text in ["lock_lost@12s", "stuck_trim(facet=3)@0s", "interlock_opened@line 7"]],
        "project": [(root / "src/cli/project/spintrue.toml").read_bytes(), *blocks("docs/projects.md")],
        "ruler": blocks("docs/chart.md"),
    }
    for kind, files in [*((kind, files) for kind, (files, *_) in kinds.items()), *more.items()]:
        folder = place / kind
        folder.mkdir(parents=True, exist_ok=True)
        for number, bytes_ in enumerate(files):
            # What is packed is unpacked, so that changes reach what is in it.
            (folder / str(number)).write_bytes(gzip.decompress(bytes_) if kind == "recording" else bytes_)
        if kind == "packed":
            (folder / "trace").write_bytes(kinds["recording"][0][0])


def blocks(page):
    """The blocks of TOML of a page."""
    return [block.split("```")[0].encode() for block in (root / page).read_text().split("```toml\n")[1:]]


kinds, bad = seeds(), 0
if place := os.environ.get("MUTATED_SEEDS"):
    gathered(kinds, Path(place))
    sys.exit()
for kind, (files, place, commands) in kinds.items():
    if only and kind not in only:
        continue
    draw, count, end = random.Random(f"{seed} {kind}"), 0, time.monotonic() + seconds
    while time.monotonic() < end:
        bytes_ = mutated(draw.choice(files), files, draw)
        path = place(bytes_)
        for command in commands:
            arguments = [program, *(str(part).replace("{}", str(path)).replace("OUT", str(work / "out")) for part in command)]
            what = trouble(arguments)
            count += 1
            if what:
                bad += 1
                found = Path(os.environ.get("MUTATED_FOUND", "target")) / f"mutated-{kind}-{bad}"
                found.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(path, found) if path.is_file() else shutil.copytree(path, found, dirs_exist_ok=True)
                print(f"{kind}: {what}\n  {' '.join(map(str, arguments))}\n  kept in {found}", flush=True)
    print(f"{kind}: {count} runs", flush=True)
sys.exit(1 if bad else 0)
