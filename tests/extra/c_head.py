"""Tests the worked example of a head on the wire in C from outside, with and without defects.

It is built as its Makefile has it, and again with the sanitizers for addresses and undefined behaviour, which end the
server at the first fault. The rules are those of docs/wire.md; numbers of errors are those of SCPI-1999.
"""

import concurrent.futures
import contextlib
import json
import os
import pathlib
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time

from client import PATIENCE, Server

ROOT = pathlib.Path(__file__).parents[2]
SOURCE = ROOT / "docs/examples/c_head"
PROGRAM = os.path.abspath(sys.argv[1])
LIMIT = 1.0
STRICT = "-std=c11 -Wall -Wextra -Wpedantic -Werror"
CHECKED = f"{STRICT} -O1 -g -fsanitize=address,undefined -fno-sanitize-recover=all"
ALL = ("--trims", "--switch", "--spin", "--allow-light")
# What this head, with its interlock closed, does not have.
SKIPPED = {"arm_needs_interlock", "steady_needs_arming", "steady_ends", "signals_read", "outputs_switch",
           "channels_set", "outputs_safe", "outputs_guarded"}
LONG = "CLOC:SLE 60;:FAUL?"
LEFT_OUT = "left out: the head was stopped after this was said"


def built(folder, flags=None):
    """The program that make builds in a folder, with its own flags or others."""
    make = ["make", "-B", "-s", "-C", str(folder), *([f"CFLAGS={flags}"] if flags else [])]
    done = subprocess.run(make, capture_output=True, text=True)
    assert done.returncode == 0 and not done.stderr, done.stderr
    return folder / "c_head"


class Served(Server):
    """A server process; when it is closed, it must end by itself and without a word of the sanitizers."""

    def __init__(self, program, *options):
        command = [program, "--port", "0", "--dead-man", str(LIMIT), *options]
        super().__init__(command, stderr=subprocess.PIPE)

    def armed(self):
        line = self.line()
        for said in ("CONT:TAKE", "ROT:SPE 200", "CLOC:SLE 0.5", "CLOC:SLE 0.5", "LAS:ARM 0.3"):
            line.told(said)
        return line

    def busy(self, *waiting):
        """A client that moves the head, with a long call under way and messages that wait."""
        line = self.line()
        for said in ("CONT:TAKE", "ROT:SPE 500"):
            line.told(said)
        line.say(LONG)
        time.sleep(0.1)
        for said in waiting:
            line.say(said)
        time.sleep(0.05)
        return line

    def closed(self):
        self.process.send_signal(signal.SIGTERM)
        said, trouble = self.process.communicate(timeout=PATIENCE)
        assert self.process.returncode == 0 and not trouble, (self.process.returncode, trouble)
        return said


@contextlib.contextmanager
def served(program, *options):
    server = Served(program, *options)
    try:
        yield server
        said = server.closed()
        assert "laser off" in said and "no speed asked for" in said, said
    finally:
        server.process.kill()
        server.process.wait()


def check_contracts(server):
    """The skipped contracts."""
    command = [PROGRAM, "head", "test", server.address, "--json", *ALL]
    done = subprocess.run(command, capture_output=True, text=True)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert lines and lines[-1]["event"] == "end", done.stderr
    found = {line["name"]: (line["outcome"], line["why"]) for line in lines if line["event"] == "contract"}
    broken = {name: why for name, (outcome, why) in found.items() if outcome == "broken"}
    assert done.returncode == 0 and not broken and len(found) >= 44, (done.returncode, broken, lines[-1])
    return {name for name, (outcome, _) in found.items() if outcome == "skipped"}


def contracts(program):
    with served(program, "--virtual") as server:
        assert (skipped := check_contracts(server)) == SKIPPED, skipped


def contracts_on_the_clock(program):
    with served(program) as server:
        assert (skipped := check_contracts(server)) == SKIPPED, skipped


def contracts_with_the_interlock_open(program):
    with served(program, "--virtual") as server:
        server.process.send_signal(signal.SIGUSR1)
        assert "arm_needs_interlock" not in check_contracts(server)


def bring_up(program):
    with served(program, "--virtual") as server:
        # The second run compares with what the first one stored.
        for _ in range(2):
            done = subprocess.run([PROGRAM, "run", "scripts/bring_up.spt", "--head", server.address],
                                  capture_output=True, text=True, cwd=ROOT)
            assert done.returncode == 0 and "PASSED" in done.stdout, done.stdout + done.stderr
            assert "trims stored" in done.stdout, done.stdout


def vanished(program):
    """A client that hangs up or falls silent while armed leaves a safe head."""
    for hang_up in (True, False):
        for last in ("", LONG):
            with served(program) as server:
                line, looking = server.armed(), server.line()
                assert line.ask("HEAD:STAT?").split(",")[6] == "1"
                line.say(last)
                if hang_up:
                    line.close()
                took = looking.until_safe()
                assert took <= (LIMIT / 2 if hang_up else LIMIT), f"safe after {took:.2f} s"
                if not hang_up:
                    assert took > LIMIT / 2, f"safe after {took:.2f} s already"
                    told = (line.hear() if last else "") + line.ask("SYST:ERR?")
                    assert "-203," in told or '"refused"' in told, told
                    assert line.ask("ROT:SPE 500;:FAUL?").startswith('"error",-203,'), "it moved without control"


def silent(program):
    """Blank lines keep control, and so does a head at rest."""
    with served(program) as server:
        line, looking = server.line(), server.line()
        line.told("CONT:TAKE")
        time.sleep(LIMIT * 1.2)
        assert line.ask("CONT:OWN?") == "SELF", "nothing moved"
        line.told("ROT:SPE 500")
        for _ in range(6):
            time.sleep(LIMIT / 4)
            line.say("")
        assert line.ask("CONT:OWN?") == "SELF", "the controller sent a blank line in time"
        time.sleep(LIMIT / 2)
        assert not looking.is_safe()
        line.say(b"HEAD:STA")  # part of a line is no sign of life
        took = looking.until_safe()
        assert took <= LIMIT / 2, f"safe {took:.2f} s after half of the limit"


def ended(program):
    """A server that is terminated makes the head safe, which `served` looks at."""
    with served(program, "--virtual") as server:
        line = server.armed()
        assert line.ask("HEAD:STAT?").split(",")[6] == "1"
        server.controlling = line


def two_clients(program):
    with served(program, "--virtual") as server:
        line, other = server.armed(), server.line()
        assert other.ask("CONT:TAKE;:FAUL?").startswith('"error",-203,'), "two clients control the head"
        for said in ("ROT:SPE 500", "LAS:ARM 0.1", "MIRR:ANGL 0.01", "TRIM:STOR", "CLOC:SLE 1", "GAUG:MARK?"):
            assert other.ask(f"{said};:FAUL?").startswith('"error",-203,'), said
        assert other.ask("CONT:OWN?") == "OTH" and other.ask("HEAD:STAT?").split(",")[6] == "1"
        other.told("LAS:DIS")
        assert line.ask("HEAD:STAT?;:CONT:OWN?").split(",")[6] == "0"
        line.told("LAS:ARM 0.3")
        server.process.send_signal(signal.SIGUSR1)
        until = time.monotonic() + PATIENCE
        while line.ask("HEAD:STAT?").split(",")[6] == "1":
            assert time.monotonic() < until, "an open interlock leaves the laser armed"
        assert line.ask("LAS:ARM 0.3;:FAUL?") == '"interlock_open"'
        assert other.ask("SAFE?").startswith("1,1,"), "every client may make the head safe"
        assert line.ask("SYST:ERR?").startswith(("-203", "-221")) and line.ask("CONT:OWN?") == "NONE"


def stops(program):
    """A stop overtakes all that waits, and what was said before does not undo it; replies keep their order."""
    with served(program) as server:
        line = server.busy("ROT:SPE 400;:FAUL?", "HEAD:SEED?;:FAUL?", "CONT:TAKE;:FAUL?", "CONT:OWN?")
        other = server.line()
        assert other.ask("SAFE?").startswith("1,1,") and other.is_safe()
        assert line.hear().startswith('"refused",')
        assert LEFT_OUT in line.hear() and line.hear() == '9.91E+37;"none"'
        assert LEFT_OUT in line.hear() and line.hear() == "NONE"
    with served(program) as server:
        line = server.busy("ROT:SPE 400;:FAUL?", "SAFE?;:CONT:OWN?", "ROT:SPE 300;:FAUL?")
        assert line.hear().startswith('"refused",') and LEFT_OUT in line.hear()
        assert line.hear().endswith(";SELF") and line.hear() == '"none"', "what follows the own stop counts"
        assert float(line.ask("HEAD:STAT?").split(",")[2]) == 300
    with served(program) as server:
        line, other = server.armed(), server.line()
        line.say(f"{LONG}\nLAS:ARM 0.3;:FAUL?\nMIRR:ANGL 0.01;:FAUL?")
        time.sleep(0.1)
        other.told("LAS:DIS")
        assert line.hear().startswith('"refused",') and LEFT_OUT in line.hear() and line.hear() == '"none"'
        assert line.ask("LAS:ARM 0.3;:FAUL?") == '"none"', "said after the stop"
    with served(program) as server:
        line, other = server.busy("CONT:TAKE;:SAFE?"), server.line()
        assert not other.is_safe(), "what takes control is no stop"
        line.close()
    with served(program) as server:
        # Bytes that were not read when another client stops the head were said before.
        line, other = server.line(), server.line()
        line.told("CONT:TAKE")
        line.say("\n".join(["FAUL?"] * 10_000 + ["CONT:TAKE;:ROT:SPE 500"]))
        assert other.ask("SAFE?").startswith("1,1,")
        for _ in range(10_000):
            line.hear()
        assert line.is_safe() and line.ask("CONT:OWN?") == "NONE"


def nonsense(program):
    """Invalid bytes have a number of SCPI-1999 and no effect."""
    with served(program, "--virtual") as server:
        line = server.line()
        line.told("CONT:TAKE")
        for said, code in [
            (b"@", -102), (b"FOO:BAR", -113), (b"ROT:SPE", -109), (b"ROT:SPE 'x'", -104), (b"ROT:SPE 1,2", -108),
            (b"ROT:SPE 1 2", -103), (b"ROT:SPE 1e999", -123), (b"ROT:SPE 500 RPM", -131), (b"ROT:SPE 0x10", -131),
            (b"ROT:SPE NAN", -104), (b"ROT:SPE ,1", -102), (b"ROT:SPE 1,", -102), (b"ROT:HALT MAYBE", -224),
            (b"ROT:HALT", -109), (b"\x7f\xff", -101), (b"ROT:SPE 1e9", -222),
            (b"LINE:EXP? 0,32,1e-7,1e-4,#13abc", -161),
            (b"LINE:EXP? 0,32,1e-7,1e-4,MAP,1,0", -108), (b"LINE:EXP? 0,32,1e-7,1e-4,MAP", -224),
            (b"MIRR:ANGL 'a", -151), (b"LINE:EXP? 0,32,1e-7,1e-4,#9999999999", -223), (b"TRIM:LOAD 1e-9", -200),
            (b"A" * 70_000, -363), (b"ROT:PULS? 0", -222), (b"CLOC:SLE -1", -222), (b"TRIM:STOR #13a\0b", -200),
            (b"LINE:EXP? 0,32,1e-7,1e-4,#14abcd", -221), (b"LINE:EXP? -1,32,1e-7,1e-4,TEST", -222),
            (b"LAS:ARM 0.1", -221), (b":HEAD:DESC?;" * 12, -430), (b"ROT:SPEED 500", -113),
            (b"CONT:TAKE;ROT:SPE 500", -113),
        ]:
            line.say(b"*CLS\n" + said + b"\n")
            if code == -430:
                assert len(line.hear()) < 8192
            told = line.ask("SYST:ERR?")
            assert told.startswith(f"{code},\""), (said[:40], told)
        line.say(b"*CLS\nLINE:EXP? 0,32,1e-7,1e-4,#14ab")
        time.sleep(2.2)
        assert line.ask("SYST:ERR?").startswith("-161,"), "an unfinished block"
        line.say("ROT:SPE 1e9;:MIRR:ANGL 0.01;:LAS:DIS")
        line.say("MIRR:ANGL 0.02;:@")
        line.told("CLOC:SLE 0.1")
        assert float(line.ask("HEAD:STAT?").split(",")[8]) == 0, "something moved after an error"
        for _ in range(40):
            line.say("NONSENSE")
        assert [error.split(",")[0] for error in line.errors()][-2:] == ["-113", "-350"]
        # A bad dot word count, NUL inside, every cut of a good line.
        good = b"TRIM:STOR #13a,b;:LINE:EXP? 3,96,2.1E-7,1.0E-4,#212abcd\nfgh;jkl;:FAUL?\n"
        for cut in range(len(good)):
            # A name and a colon alone would be a line of HTTP.
            if not good[:cut].endswith(b":"):
                line.say(good[:cut] + b"\n\n")
        line.say(b"x" * 300 + b"\n")
        line.say(good + b"*IDN?\n")
        while "invented" not in line.hear():
            pass


def random_bytes(program):
    """Nothing that is sent harms the server, however it is split."""
    draw = random.Random(99)
    parts = [b"ROT:SPE", b"LINE:EXP?", b"HEAD:STAT?", b"FAUL?", b"SAFE?", b"CONT:TAKE", b"LAS:DIS", b"TRIM:LOAD", b"?",
             b" ", b"1.5E-3", b",", b";:", b"#13a\nc", b"#9", b"#", b"'", b'"x""y"', b"\xff", b":", b"TEST", b"\0",
             b"\n", b"\n", b"1e400", b"-", b"." * 40, b"8" * 400]
    with served(program, "--virtual") as server:
        looking = server.line()
        looking.ask("*IDN?")
        for k in range(300):
            line = server.line()
            with contextlib.suppress(OSError, AssertionError):
                line.say(b"" if k % 4 == 0 else b"*IDN?\n")
                data = draw.randbytes(draw.randrange(300)) if k % 4 == 0 else b"".join(draw.choices(parts, k=60))
                while data:
                    at = draw.randrange(1, 80)
                    line.say(data[:at])
                    data = data[at:]
            line.close()
        assert looking.ask("*IDN?").startswith("invented,")


def floods(program):
    """Endless lines, endless messages, a client that never reads, more clients than places."""
    with served(program) as server:
        line, looking = server.busy(), server.line()
        looking.ask("*IDN?")
        with contextlib.suppress(OSError):
            for _ in range(20):
                line.say("HEAD:STAT?\n" * 1000)
        assert looking.until_safe() < LIMIT / 2, "a controller that says too much loses control at once"
        assert looking.ask("CONT:OWN?") == "NONE"
    with served(program) as server:
        # A long call may wait for 1 h here; only the last blank line counts, and not when it is read.
        line, looking = server.busy(), server.line()
        looking.ask("*IDN?")
        line.stream.setblocking(False)
        began = time.monotonic()
        while time.monotonic() - began < 0.3:
            with contextlib.suppress(BlockingIOError):
                line.stream.send(b"\n" * 1_000_000)
        assert looking.until_safe() < 2 * LIMIT, "blank lines that wait to be read keep control"
    with served(program) as server:
        looking = server.line()
        looking.ask("*IDN?")
        endless, deaf = server.line(), server.line()
        endless.ask("*IDN?")
        endless.say(b"x" * 5_000_000)
        deaf.ask("*IDN?")
        deaf.stream.setblocking(False)
        with contextlib.suppress(OSError):
            while True:
                deaf.stream.send(b"HEAD:DESC?\n" * 1000)
        for _ in range(50):
            began = time.monotonic()
            assert looking.is_safe() and time.monotonic() - began < 0.2, "a flood delays others"
        endless.close()
        spoken = [looking]
        began = time.monotonic()
        while len(spoken) < 4:
            assert time.monotonic() - began < PATIENCE, "a client that does not read keeps its place"
            line = server.line()
            if line.ask("*IDN?").startswith("invented"):
                spoken.append(line)
        assert server.line().hear().startswith("-310,")
        assert all(each.ask("*IDN?") for each in spoken), "clients that spoke keep their places"
        spoken.pop().close()
        time.sleep(0.5)
        quiet, line = server.line(), server.line()
        assert line.ask("*IDN?").startswith("invented")
        assert not quiet.hear_all(), "a client that said nothing makes room"


def other_protocols(program):
    """What a web page can send moves nothing, however it is split."""
    commands = b"\r\n\r\n\nCONT:TAKE\nROT:SPE 500\nCLOC:SLE 2\nLAS:ARM 0.3\n"
    with served(program, "--virtual") as server:
        looking = server.line()
        began = looking.ask("CLOC:TIME?")
        for first in (b"POST / HTTP/1.1\r\nHost: x", b"GET /?CONT:TAKE HTTP/1.1", b"*CLS / HTTP/1.1", b"Host: x",
                      b"PRI * HTTP/2.0", b"\x16\x03\x01\x0a\n*IDN?", b"\x00\x01\n", b"EHLO x", b"*IDN?\nHost: x",
                      b"*IDN?\nGET / HTTP/1.1", b"A" * 3000):
            for size in (1, 5000):
                line, said = server.line(), first + commands
                with contextlib.suppress(OSError):
                    for at in range(0, len(said), size):
                        line.say(said[at:at + size])
                    line.hear_all()
                line.close()
                assert looking.ask("CLOC:TIME?;:CONT:OWN?") == f"{began};NONE" and looking.is_safe(), (first, size)


def nothing_asks_for_memory(program):
    """No function of the heap is called, and the pages state the measured size."""
    names = subprocess.run(["nm", "-u", program], capture_output=True, text=True, check=True).stdout
    called = set(re.findall(r"(\w+)(?:@|$)", names, re.MULTILINE))
    assert "poll" in called and not called & {"malloc", "calloc", "realloc", "free", "strdup"}, called
    page = (SOURCE / "README.md").read_text()
    rows = dict(re.findall(r"^\| `([\w.]+)` \|.*\| (\d+) \|$", page, re.MULTILINE))
    files = {path.name: len(path.read_text().splitlines()) for path in SOURCE.glob("*.[ch]")}
    assert {name: int(lines) for name, lines in rows.items()} == files, files
    assert all(lines <= 600 for lines in files.values()), files
    opens = {path.name: path.read_text()[:3] for path in SOURCE.glob("*.[ch]")}
    assert set(opens.values()) == {"/* "}, f"a file does not say what it holds: {opens}"
    wire = sum(lines for name, lines in files.items() if name not in ("head.c", "main.c"))
    sizes = subprocess.run(["size", program], capture_output=True, text=True, check=True).stdout.split("\n")[1].split()
    for page in ("docs/examples/c_head/README.md", "docs/wire.md", "docs/heads.md"):
        text = (ROOT / page).read_text()
        ram, lines = re.search(r"(\d+) KiB of RAM", text), re.search(r"(\d+) lines without\s+(?:the model|head)", text)
        assert abs(int(sizes[1]) + int(sizes[2]) - int(ram[1]) * 1024) < 3 * 1024, (page, sizes)
        assert not lines or abs(int(lines[1]) - wire) < 50, (page, wire)


PARTS = [contracts, contracts_on_the_clock, contracts_with_the_interlock_open, bring_up, vanished, silent, ended,
         two_clients, stops, nonsense, random_bytes, floods, other_protocols]

# Planted defects: in a file, what is replaced by what, and the test that must detect it.
DEFECTS = [
    ("control.c", "wire->controller->gone || (", "(", vanished),
    ("control.c", "wire->moving && control_silent(wire, wire->controller)", "false", vanished),
    ("control.c", "wire->limit - fmin(wire->limit / 5, 0.5)", "wire->limit", vanished),
    ("control.c", "    head_disarm();", "", two_clients),
    ("wire.c", "client->gone || wire->controller != client", "false", two_clients),
    ("wire.c", "    client->asks |= stops;", "", stops),
    ("wire.c", "client->said < wire->safed ||", "", stops),
    ("wire.c", "client->said < wire->disarmed", "false", stops),
    ("wire.c", "client->said < client->take_after", "false", stops),
    ("wire.c", "client->stamp = wire->disarmed = ++wire->stops", "wire->disarmed = ++wire->stops", stops),
    ("wire.c", "if (client->drained)", "", stops),
    ("wire.c", "if (client->failed)", "if (false)", nonsense),
    ("wire.c", "client->read = wire->now;", "client->read = client->heard = wire->now;", silent),
    ("wire.c", "wire_room(client) == 0", "false", floods),
    ("wire.c", "wire->now - client->took > REPLY_PAUSE", "false", floods),
    ("wire.c", "message_is_http(message->text)", "false", other_protocols),
    ("wire.c", "!known ||", "", other_protocols),
    ("frame.c", "frame->used == FRAME_SIZE - 1", "false", nonsense),
    ("frame.c", "frame->block < FRAME_SIZE - frame->used", "true", nonsense),
    ("command.c", "(COMMAND_CONTROL | COMMAND_TAKES)", "COMMAND_CONTROL", stops),
    ("reply.c", "(size_t)size >= room", "false", nonsense),
    ("head.c", "!head.interlock ||", "", two_clients),
    ("head.c", "head.armed && head.interlock &&", "head.armed &&", two_clients),
    ("head.c", "|| !is_locked())", ")", contracts),
    ("main.c", "    head_make_safe(false);", "", ended),
]


def timed(test, program):
    began = time.monotonic()
    test(program)
    return f"{test.__name__.replace('_', ' ')}: {time.monotonic() - began:.1f} s"


def detected(folder, number):
    name, old, new, test = DEFECTS[number]
    copy = pathlib.Path(shutil.copytree(SOURCE, folder / str(number)))
    text = (copy / name).read_text()
    assert text.count(old) == 1, (name, old, text.count(old))
    (copy / name).write_text(text.replace(old, new))
    program = built(copy, CHECKED if name in ("frame.c", "reply.c") else "-std=c11")
    # Where a defect shows only in a race, a busy machine may let the head win it.
    for _ in range(3):
        try:
            test(program)
        except (AssertionError, OSError) as seen:
            return f"{name}: {old.strip()}: detected by {test.__name__.replace('_', ' ')}: {str(seen)[:60]}"
    raise AssertionError(f"{test.__name__} does not detect that {name} lacks {old}")


def main():
    with tempfile.TemporaryDirectory() as name, concurrent.futures.ThreadPoolExecutor(16) as pool:
        folder = pathlib.Path(name)
        plain, checked = (pathlib.Path(shutil.copytree(SOURCE, folder / kind)) for kind in ("plain", "checked"))
        programs = [built(plain), built(checked, CHECKED)]
        only = [part for part in PARTS if part.__name__ in sys.argv[2:]] or PARTS
        runs = [pool.submit(timed, part, program) for part in only for program in programs]
        if len(sys.argv) == 2 or "defects" in sys.argv:
            runs += [pool.submit(detected, folder, number) for number in range(len(DEFECTS))]
        for run in runs:
            print(run.result(), flush=True)
        nothing_asks_for_memory(programs[0])


main()
