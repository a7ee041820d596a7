"""Tests the worked example of a head on the wire in Python from outside, with and without defects.

The tests cover every contract of `spintrue head test`, scripts/bring_up.spt unchanged, and the rules of
docs/wire.md. One client controls. If it is killed or falls silent, the head is safe within the limit. A
message that stops the head overtakes all that waits. A server that is terminated makes the head safe, and
invalid input does no harm.
"""

import contextlib
import json
import pathlib
import random
import re
import select
import signal
import struct
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "docs/examples/python_head"))

import commands
import controller
import heads_defects
import message
import twin
from client import PATIENCE, Server

PROGRAM = sys.argv[1]
LIMIT = 1.0
LONG = "ROT:PULS? 20000;:FAUL?"  # at least four minutes on real time
BUSY = ("--real", "--dead-man", "60")
# What this head, with its interlock closed, does not have.
SKIPPED = {"arm_needs_interlock", "steady_needs_arming", "steady_ends"}
ALL = ("--trims", "--switch", "--spin", "--allow-light")


class Served(Server):
    """A separate server process."""

    def __init__(self, defect, *options):
        self.log = tempfile.NamedTemporaryFile()
        command = [sys.executable, "-B", str(ROOT / "tests/extra/heads_defects.py"), defect, self.log.name]
        super().__init__([*command, "--port", "0", "--dead-man", str(LIMIT), *options])

    def controlling(self):
        line = self.line()
        line.told("CONT:TAKE")
        return line

    def written(self, word):
        """The last value written to a register."""
        rows = [line.split() for line in pathlib.Path(self.log.name).read_text().splitlines()]
        return [int(value) for at, value in rows if int(at) == word][-1]

    def busy(self, waiting, speed=500):
        """A client that moves the head, with one long call under way and others that wait."""
        line = self.controlling()
        line.told(f"ROT:SPE {speed}")
        for _ in range(1 + waiting):
            line.say(LONG)
        self.read()
        return line

    def read(self):
        """Returns once the server has read what was sent until now: then it closes this connection."""
        line = self.line()
        line.say("GET / HTTP/1.1")
        assert not line.hear_all()

    def resident(self):
        """Bytes of memory in use."""
        return int(pathlib.Path(f"/proc/{self.process.pid}/statm").read_text().split()[1]) * 4096

    def close(self):
        self.process.kill()
        self.process.wait()


@contextlib.contextmanager
def served(defect, *options):
    server = Served(defect, *options)
    try:
        yield server
    finally:
        server.close()


def checked(server, *options):
    """The results of `head test` by contract, and the skipped contracts."""
    done = subprocess.run(
        [PROGRAM, "head", "test", server.address, "--json", *options], capture_output=True, text=True
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert lines and lines[-1]["event"] == "end", done.stderr
    found = {line["name"]: (line["outcome"], line["why"]) for line in lines if line["event"] == "contract"}
    broken = {name: why for name, (outcome, why) in found.items() if outcome == "broken"}
    assert done.returncode == 0 and not broken, (done.returncode, broken, lines[-1])
    skipped = {name for name, (outcome, _) in found.items() if outcome == "skipped"}
    return found, skipped


def contracts(defect):
    with served(defect) as server:
        found, skipped = checked(server, *ALL)
        assert len(found) >= 44 and skipped == SKIPPED, skipped


def contracts_with_the_interlock_open(defect):
    with served(defect, "--interlock-open") as server:
        found, _ = checked(server, *ALL)
        assert found["arm_needs_interlock"][0] == "kept", found


def contracts_without_a_gauge(defect):
    with served(defect, "--no-gauge") as server:
        _, skipped = checked(server, *ALL)
        assert skipped == SKIPPED | {"line_measured", "trims_shift", "gauge_answers"}, skipped


def contracts_on_the_clock(defect):
    with served(defect, "--real") as server:
        _, skipped = checked(server, *ALL)
        assert skipped == SKIPPED, skipped


def bring_up(defect):
    with served(defect) as server:
        done = subprocess.run(
            [PROGRAM, "run", "scripts/bring_up.spt", "--head", server.address],
            capture_output=True, text=True, cwd=ROOT,
        )
        assert done.returncode == 0 and "PASSED" in done.stdout, done.stdout + done.stderr
        assert "trims stored" in done.stdout, done.stdout
        assert server.written(controller.STORE) == 1


MAP = """
spin(4800 rpm)
wait until locked() within 30 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
arm at 20 % {
    let map = line_map(2, plan, [-0.5, -0.4, 0, 0.4, 0.5], readings: 4)
    expect "places": count(map) == 5 and abs(map[1].place + 0.4) <= 0.001 and map[4].place == 0.5
    // Its lens bends the line by 8e-5 m times the cube of the place.
    let bent = (map[3].in_scan - map[1].in_scan) / 2
    expect "bent": bent within 3 um .. 7.5 um
    expect "like a test line": map[2].cross_scan - test_line(2, plan, readings: 4).cross_scan within -2 um .. 2 um
}
"""


def maps(defect):
    with served(defect) as server, tempfile.NamedTemporaryFile("w", suffix=".spt") as script:
        script.write(MAP)
        script.flush()
        done = subprocess.run([PROGRAM, "run", script.name, "--head", server.address], capture_output=True, text=True)
        assert done.returncode == 0 and "PASSED" in done.stdout, done.stdout + done.stderr


def killed(defect):
    """Runs end by SIGKILL at any moment; the head is safe long before the dead-man limit."""
    draw, cut_short = random.Random(7), 0
    for pace in ([], ["--real"]):
        with served(defect, *pace) as server:
            looking = server.line()
            for _ in range(10 if not pace else 3):
                run = subprocess.Popen(
                    [PROGRAM, "run", "scripts/bring_up.spt", "--head", server.address],
                    cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )
                while looking.is_safe() and run.poll() is None:
                    pass
                time.sleep(draw.uniform(0.0, 0.2 if not pace else 1.5))
                run.kill()
                cut_short += run.wait() < 0
                took = looking.until_safe()
                assert took < LIMIT / 2, f"safe {took:.2f} s after its client was killed"
    assert cut_short >= 5, f"only {cut_short} runs were interrupted"


def long_call(defect):
    """A waiting call is aborted if its client disconnects or falls silent."""
    for hang_up in (True, False):
        with served(defect, "--real") as server:
            line, looking = server.controlling(), server.line()
            line.told("ROT:SPE 500")
            line.say("ROT:PULS? 20000")
            time.sleep(0.1)
            began = time.monotonic()
            if hang_up:
                line.close()
            looking.until_safe()
            took = time.monotonic() - began
            assert took < (LIMIT / 2 if hang_up else LIMIT), f"safe after {took:.2f} s"


def silent(defect):
    for pace in ([], ["--real"]):
        with served(defect, *pace) as server:
            line, looking = server.controlling(), server.line()
            time.sleep(LIMIT * 1.3)
            assert line.ask("CONT:OWN?") == "SELF", "nothing moved"
            line.told("ROT:SPE 500")
            for _ in range(8):
                time.sleep(LIMIT / 4)
                line.say("")
            began = time.monotonic()
            assert line.ask("CONT:OWN?") == "SELF", "the controller sent a blank line in time"
            assert not looking.is_safe()
            looking.until_safe()
            took = time.monotonic() - began
            assert LIMIT / 2 < took <= LIMIT, f"safe {took:.2f} s after the last message"
            told = line.ask("SYST:ERR?")
            assert told.startswith("-203,") and "silent" in told, told
            assert line.ask("ROT:SPE 500;:FAUL?").startswith('"error",-203,'), "it moved without control"
            assert looking.is_safe()


def one_controls(defect):
    with served(defect) as server:
        line, other = server.controlling(), server.line()
        assert other.ask("CONT:TAKE;:FAUL?").startswith('"error",-203,'), "two clients control the head"
        for said in ("ROT:SPE 500", "LAS:ARM 0.1", "MIRR:ANGL 0.01", "TRIM:STOR", "CLOC:SLE 1"):
            assert other.ask(f"{said};:FAUL?").startswith('"error",-203,'), said
        line.told("ROT:SPE 500")
        assert other.ask("CONT:OWN?") == "OTH"
        assert other.ask("SAFE?").startswith("1,1,"), "every client may make the head safe"
        assert line.ask("SYST:ERR?").startswith("-221,") and line.ask("CONT:OWN?") == "NONE"
        assert line.ask("CONT:TAKE;ROT:SPE 500;:FAUL?").startswith('"error",-113,'), "paths are relative"


def ended(defect):
    """A server that is terminated makes the head safe, as its registers show."""
    for number in (signal.SIGTERM, signal.SIGINT):
        with served(defect) as server:
            line = server.controlling()
            line.told("ROT:SPE 500;:MIRR:ANGL 0.02;:CLOC:SLE 12;:LAS:ARM 0.3")
            assert line.ask("LAS:ARM?") == "1"
            server.process.send_signal(number)
            assert server.process.wait(PATIENCE) == 0
            control = server.written(controller.CONTROL)
            assert not control & (controller.LASER | controller.DRIVE), f"left with {control:#x}"
            assert server.written(controller.MIRROR) == 0, "the mirror is not parked"


def nonsense(defect):
    with served(defect) as server:
        looking, line = server.line(), server.controlling()
        for said, code in [
            (b"@\n", -102), (b"FOO:BAR\n", -113), (b"ROT:SPE\n", -109), (b"ROT:SPE 'x'\n", -104),
            (b"ROT:SPE 1,2\n", -108), (b"ROT:SPE 1 2\n", -103), (b"ROT:SPE 1e999\n", -123),
            (b"ROT:SPE 500 RPM\n", -131), (b"ROT:HALT MAYBE\n", -224), (b"\x7f\xff\n", -101),
            (b"ROT:SPE 1e9\n", -222), (b"LINE:EXP? 0,32,1e-7,1e-4,#13abc\n", -161), (b"MIRR:ANGL 'a\n", -151),
            (b"LINE:EXP? 0,32,1e-7,1e-4,#9999999999\n", -223), (b"TRIM:LOAD 1e-9\n", -109),
            (b"A" * 70_000 + b"\n", -363), (b"ROT:PULS? 0\n", -222), (b"CLOC:SLE -1\n", -222),
        ]:
            line.say(b"*CLS\n" + said)
            told = line.ask("SYST:ERR?")
            assert told.startswith(f"{code},\""), (said[:40], told)
        line.say(b"*CLS\nLINE:EXP? 0,32,1e-7,1e-4,#14ab")
        time.sleep(2.3)
        told = line.ask("SYST:ERR?")
        assert told.startswith("-161,"), f"an unfinished block: {told}"
        line.say("ROT:SPE 1e9;:MIRR:ANGL 0.01;:LAS:DIS")
        assert float(line.ask("MIRR:ANGL?")) == 0.0, "something moved after an error"
        for _ in range(50):
            line.say("NONSENSE")
        assert line.ask("SYST:ERR:COUN?") == "32"
        # Random bytes, and connections that end at any point.
        draw = random.Random(99)
        for _ in range(200):
            other = server.line()
            with contextlib.suppress(OSError):
                other.say(draw.randbytes(draw.randrange(300)))
            other.close()
        # One client never ends its line, one never reads.
        endless, deaf = server.line(), server.line()
        endless.ask("*IDN?")
        with contextlib.suppress(OSError):
            endless.say(b"x" * 1_000_000)
        deaf.stream.setblocking(False)
        with contextlib.suppress(OSError):
            while True:
                deaf.stream.send(b"HEAD:DESC?\n" * 1000)
        began = time.monotonic()
        assert looking.is_safe() and time.monotonic() - began < LIMIT
        assert server.resident() < 100e6, f"{server.resident()} bytes"
        for each in (endless, deaf):
            each.close()
        # Two clients are connected, so six more are accepted; which of the twelve is not specified.
        many, refused = [server.line() for _ in range(12)], []
        while len(refused) < 6:
            ready, _, _ = select.select([each.stream for each in many], [], [], PATIENCE)
            assert ready, f"{len(refused)} of 6 surplus clients were refused"
            refused += [each for each in many if each.stream in ready]
            many = [each for each in many if each.stream not in ready]
        assert all(b"-310," in each.reader.readline() for each in refused)
        assert looking.is_safe() and server.process.poll() is None


def other_protocols(defect):
    """Data that a web page can send through a browser moves nothing, however it is split."""
    commands = b"\r\n\r\n\nCONT:TAKE\nROT:SPE 500\nCLOC:SLE 12\nLAS:ARM 0.3\n"
    with served(defect) as server:
        looking = server.line()
        began = looking.ask("CLOC:TIME?")
        for first in (b"POST / HTTP/1.1\r\nHost: x", b"GET /?CONT:TAKE HTTP/1.1", b"*RST / HTTP/1.1", b"Host: x",
                      b"PRI * HTTP/2.0", b"\x16\x03\x01\x0a\n*IDN?", b"\x00\x01\n", b"EHLO x", b"*IDN?\nHost: x"):
            for size in (1, 1000):
                line, said = server.line(), first + commands
                with contextlib.suppress(OSError):
                    for at in range(0, len(said), size):
                        line.say(said[at:at + size])
                    while line.reader.read(4096):
                        pass
                line.close()
                assert looking.ask("CLOC:TIME?") == began and looking.is_safe(), (first, size)
        assert looking.ask("CONT:OWN?") == "NONE"


def burst(defect):
    """Much at once and then silence: what waits does not count as sent later, to be executed or unread."""
    for calls, said in ("", b"CLOC:SLE 0.01\n" * 1000), ("CLOC:SLE 3600", b"\n" * 50_000_000):
        with served(defect, "--real") as server:
            line, looking = server.controlling(), server.line()
            line.told("ROT:SPE 500")
            line.say(calls)
            line.stream.setblocking(False)
            began = time.monotonic()
            while said and time.monotonic() - began < 0.3:
                with contextlib.suppress(BlockingIOError):
                    said = said[line.stream.send(said[:1_000_000]):]
            began = time.monotonic()
            looking.until_safe()
            took = time.monotonic() - began
            assert took < LIMIT + 0.4, f"the head moved {took:.2f} s after the last message"


def stops(defect):
    """A stop overtakes all that waits, which does not undo it; replies keep the order of the messages."""
    for own in (False, True):
        with served(defect, *BUSY) as server:
            line, other = server.busy(200), server.line()
            if own:
                line.say("safe?;:FAUL?")
            else:
                assert other.ask(":SAFE? STOP").startswith("1,1,") and other.is_safe()
            assert line.hear().startswith('"refused","aborted')
            for at in range(200):
                reply = line.hear()
                assert commands.LEFT_OUT in reply, (at, reply)
            if own:
                reply = line.hear()
                assert re.fullmatch('1,1,.*;"none"', reply) and line.is_safe(), reply
            else:
                assert "another client made the head safe" in line.errors()[1]
            assert line.ask("CONT:OWN?") == ("SELF" if own else "NONE")
            # What is said after it acts again.
            line.told("CONT:TAKE;:ROT:SPE 500")
            assert not line.is_safe()


def stop_within_a_message(defect):
    """Between the units of a message, a stop comes first."""
    with served(defect, *BUSY) as server:
        line, other = server.controlling(), server.line()
        line.told("ROT:SPE 500")
        line.say(";:".join([LONG] * 100 + ["ROT:TARG?"]))
        server.read()
        assert other.ask("HEAD:STAT?;:SAFE?"), "no answer"
        reply = line.hear()
        assert "aborted" in reply and reply.count(commands.LEFT_OUT) == 99, reply
        assert reply.endswith(";9.91E+37"), "the head was not safe yet"


def disarmed(defect):
    """Disarming leaves out an arming that waits, and nothing else."""
    with served(defect, *BUSY) as server:
        line, other = server.controlling(), server.line()
        line.told("ROT:SPE 100")
        while line.ask("ROT:LOCK?") == "0":
            time.sleep(0.05)
        line.say(LONG)
        line.say("LAS:ARM 0.1;:FAUL?")
        line.say("MIRR:ANGL 0.01;:FAUL?")
        server.read()
        assert other.ask("LAS:ARM?;DIS;:FAUL?") == '0;"none"'
        assert "aborted" in line.hear()
        reply = line.hear()
        assert commands.LEFT_OUT in reply, reply
        assert line.hear() == '"none"' and line.ask("ROT:TARG?;:LAS:ARM?;:CONT:OWN?") == "100.0E+0;0;SELF"
        line.told("LAS:ARM 0.1")
        line.say(LONG)
        server.read()
        line.say("LAS:ARM?;DISARM;ARM?")
        assert "aborted" in line.hear() and line.hear() == "0;0", "its own client disarms"


def control_is_not_taken(defect):
    """A client cannot take control by what it said before another one stopped the head."""
    with served(defect, *BUSY) as server:
        line, other, third = server.busy(0), server.line(), server.line()
        third.say("CONT:TAKE;:FAUL?")
        server.read()
        assert other.ask("SAFE?").startswith("1,1,")
        reply = third.hear()
        assert commands.LEFT_OUT in reply and other.ask("CONT:OWN?") == "NONE", reply


def many_stops(defect):
    """A flood of stops leaves others their turns."""
    with served(defect, "--real") as server:
        flood, other = server.line(), server.line()
        flood.ask("*IDN?")
        flood.say("\n".join(["SAFE?", "LAS:DIS"] * 300))
        for _ in range(20):
            assert other.is_safe()
        for _ in range(300):
            assert flood.hear().startswith("1,1,")


def any_order(defect):
    """After messages of any kind, one `SAFE?` leaves the head safe, and each message has its reply in order."""
    draw = random.Random(13)
    units = ["CONT:TAKE", "CONT:REL", "CONT:REL KEEP", "ROT:SPE 100", "MIRR:ANGL 0.01", "LAS:ARM 0.1", "LAS:DIS",
             "ROT:PULS? 300", "CLOC:SLE 0.3", "HEAD:STAT?", "*CLS", "NONSENSE", "SAFE?", "SAFE? KEEP", "SAFE? 5"]
    for pace, rounds in ([], 200), (["--real"], 40):
        with served(defect, "--dead-man", "60", *pace) as server:
            *lines, last = (server.line() for _ in range(4))
            for line in lines:
                line.ask("*IDN?")
            for _ in range(rounds):
                said = [(draw.choice(lines), tag) for tag in range(draw.randrange(1, 40))]
                for line, tag in said:
                    line.say(";:".join([*draw.choices(units, k=draw.randrange(1, 4)), f"N{tag}", "FAUL?"]))
                server.read()
                assert last.ask("SAFE?").startswith("1,1,")
                for line, tag in said:
                    reply = line.hear()
                    assert reply.endswith(f'Undefined header;:N{tag}"'), (tag, reply)
                assert last.is_safe() and last.ask("MIRR:PARK?;:CONT:OWN?") == "1;NONE"


def too_much(defect):
    """Bytes that wait are limited. A client that sends more is disconnected; the head is safe if it controlled."""
    query, most = "HEAD:STAT?", (1 << 20) // (64 + 10)
    with served(defect, *BUSY) as server:
        line = server.busy(0)
        line.say("\n".join([query] * most))
        others = [server.line() for _ in range(5)]
        for other in others:
            other.say("\n".join(["LAS:ARM?"] * most))
        looking = server.line()
        assert looking.ask("SAFE?;:CONT:OWN?").endswith(";NONE")
        assert "aborted" in line.hear()
        for _ in range(most):
            line.hear()
        assert server.resident() < 100e6, f"{server.resident()} bytes"
    for flood in ("\n".join([query] * (most + 1)), f"{query}\n" * 200_000):
        with served(defect, *BUSY) as server:
            line, looking = server.busy(0), server.line()
            with contextlib.suppress(OSError):
                line.say(flood)
            looking.until_safe()
            assert looking.ask("CONT:OWN?") == "NONE"
            if len(flood) < 1_000_000:
                assert line.hear().startswith('-363,"Input buffer overrun;more messages wait') and not line.hear_all()
            server.process.terminate()
            assert "disconnected a client: Input buffer overrun" in server.process.stdout.read()


def gone_behind_a_backlog(defect):
    """A client that hangs up is missed at once, whatever it said before."""
    with served(defect, *BUSY) as server:
        line, looking = server.busy(1000), server.line()
        line.close()
        looking.until_safe()
        assert looking.ask("CONT:OWN?") == "NONE"


def long_lines(defect):
    """Endless lines are not kept in memory."""
    with served(defect) as server:
        line, looking = server.line(), server.line()
        line.ask("*IDN?")
        for _ in range(300):
            line.say(b"x" * 1_000_000)
        assert looking.is_safe()
        assert server.resident() < 100e6, f"{server.resident()} bytes"


def dot_words(defect):
    """A line of dot words reaches the hardware unchanged."""
    with served(defect) as server:
        line = server.controlling()
        line.told("ROT:SPE 500;:CLOC:SLE 12;:LAS:ARM 0.3")
        words = [0xDEADBEEF, 0x0A3B2C0D, 10]
        data = struct.pack(">3I", *words)
        line.say(b"LINE:EXP? 3,96,2.1E-7,1.0E-4,#212" + data + b";:FAUL?\n")
        reply = line.reader.readline().decode()
        assert reply.split(',', 1)[1].startswith('3,3,0,') and reply.strip().endswith(';"none"'), reply
        assert [server.written(controller.WORDS + 4 * k) for k in range(3)] == words


# The guide, docs/heads.md.

def marked(page, mark):
    """The text after a mark of the guide, up to the end of its table or block."""
    behind = page.split(f"<!-- {mark} -->\n", 1)[1]
    return behind.split(f"<!-- end of {mark} -->", 1)[0] if f"<!-- end of {mark} -->" in behind else (
        behind.split("```sh\n", 1)[1].split("```", 1)[0])


def guide(defect):
    """Each step breaks no contract while later ones are not written; each command works."""
    page = (ROOT / "docs/heads.md").read_text()
    rows = [row.split("|")[1:4] for row in marked(page, "steps").splitlines()[2:]]
    words = [[re.findall("`([^`]*)`", cell) for cell in row] for row in rows]
    assert len(words) == 4, words
    for step, (_, _, options) in enumerate(words):
        later = ",".join(name for row in words[step + 1:] for name in row[1])
        with served(f"without:{later}" if later else defect) as server:
            found, skipped = checked(server, *(options[0].split() if options else []))
            odd = [why for name, (_, why) in found.items() if name in skipped and "allowed" not in why]
            assert all("interlock is closed" in why or "no steady drawing" in why for why in odd), odd
    for command in marked(page, "against the server").splitlines():
        with served(defect) as server:
            program, *rest = command.replace("tcp://127.0.0.1:5025", server.address).split()
            assert program == "spintrue" and server.address in rest, command
            done = subprocess.run([PROGRAM, *rest], cwd=ROOT, capture_output=True, text=True)
            assert done.returncode == 0, (command, done.stdout, done.stderr)


def guide_in_rust(defect):
    page = (ROOT / "docs/heads.md").read_text()
    start = marked(page, "the example").strip()
    assert start == "cargo run --manifest-path docs/examples/own_head/Cargo.toml", start
    own = ROOT / "docs/examples/own_head"
    manifest = (own / "Cargo.toml").read_text()
    depends = manifest.split("[dependencies]")[1].split("[workspace]")[0]
    assert re.findall(r"(?m)^([\w-]+) =", depends) == ["spintrue-head"], depends
    serving = subprocess.Popen([*start.split(), "--", "127.0.0.1:0"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    said = ""
    while "officer decide" not in said:
        line = serving.stdout.readline()
        assert line, said
        said += line
    address = re.search(r"tcp://[\d.]+:\d+", said).group()
    for command in marked(page, "by the example").splitlines():
        program, *rest = command.replace("tcp://127.0.0.1:5025", address).split()
        assert program == "spintrue" and address in rest, command
        done = subprocess.run([PROGRAM, *rest], cwd=ROOT, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stdout, done.stderr)
    serving.terminate()
    assert serving.wait(PATIENCE) == 0 and serving.stdout.read().endswith("ended\n")
    done = subprocess.run([*start.split(), "--", "owl"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 2 and "`owl`: write `open`" in done.stderr, done.stderr


# Parts of the example, without a server.

def watchdog():
    """The simulated hardware makes itself safe if its server dies."""
    clock = twin.Virtual()
    hardware = twin.Twin(clock)
    head = controller.Controller(hardware, clock)
    head.spin(500.0)
    head.sleep(12.0)
    head.arm(0.3)
    clock.wait(twin.WATCHDOG_AFTER * 1.1)
    status = head.status()
    assert not status["laser"] and status["target"] is None, status
    clock.wait(10.0)
    assert head.status()["rest"]


def interlock():
    """Opened under light, it ends the light, and a line reports why it was not drawn."""
    clock = twin.Virtual()
    hardware = twin.Twin(clock)
    head = controller.Controller(hardware, clock)
    head.spin(500.0)
    head.sleep(12.0)
    head.arm(0.3)
    hardware.interlock_closed = False
    assert not head.status()["laser"]
    for call, kind in ((lambda: head.expose(0, 32, 2e-7, 1e-4), "not_armed"),
                       (lambda: head.arm(0.3), "interlock_open")):
        try:
            call()
        except controller.Fault as fault:
            assert fault.kind == kind, fault
        else:
            raise AssertionError(f"no {kind}")


def mapped():
    """Registers in a file stand in for those of a device."""
    with tempfile.NamedTemporaryFile() as file:
        file.truncate(0x6000)
        bus = controller.Mapped(file.name)
        bus.write(controller.MIRROR, -5)
        assert controller.signed(bus.read(controller.MIRROR)) == -5
        assert pathlib.Path(file.name).read_bytes()[0x24:0x28] == struct.pack("=i", -5)


def numbers():
    draw = random.Random(5)
    for _ in range(10_000):
        (value,) = struct.unpack("<d", draw.randbytes(8))
        if value == value and abs(value) < 1e300:
            written = message.number(value)
            assert float(written) == value and "." in written and "E" in written, written


def messages():
    """Splitting a message makes no difference, and invalid input is an error of the wire."""
    draw = random.Random(11)
    parts = [b"ROT:SPE", b"?", b" ", b"1.5E-3", b",", b";", b"#13a\nc", b"#9", b"#", b"'", b'"x""y"',
             b"\xff", b":", b"MARK"]
    for _ in range(20_000):
        data = b"".join(draw.choice(parts) for _ in range(draw.randrange(12))) + b"\n"
        at = draw.randrange(len(data) + 1)
        whole, pieces = message.Framer(), message.Framer()
        said = list(whole.feed(data))
        fed = [*pieces.feed(data[:at]), *pieces.feed(data[at:])]
        assert list(map(str, fed)) == list(map(str, said)), data
        for one in said:
            if isinstance(one, bytes):
                with contextlib.suppress(message.WireError):
                    message.units(one)


def stopping():
    """What stops the head, in any spelling that the table allows."""
    for said, calls in (
        ("SAFE?", [commands.safe]), ("*CLS;:safe? KEEP;:FAUL?", [commands.safe]), ("las:disarm", [commands.disarm]),
        ("LAS:ARM?;DIS;:SAFE?", [commands.disarm, commands.safe]), ("SAFE? 5;:LASer:DISarm", [commands.disarm]),
        ("NONE:SUCH;:SAFE?", [commands.safe]), ("*CLS;:SAFE? STOP", [commands.safe]),
        ("HEAD:DISTANCE?", []), ("NO:SAFE 'SAFE?'", []), ("LAS:ARM 1;DIS", []), ("*RST;:SAFE?", []), ('SAFE? "', []),
        ("FAUL?", []), ("CONT:TAKE;:SAFE?", []), ("LAS:DIS 1", []), ("SAFE", []), ("SAFE? STOP,1", []), ("DIS", []),
    ):
        assert [call for call, _ in commands.stop_calls(said.encode())] == calls, said


WHOLE = [contracts, contracts_with_the_interlock_open, contracts_without_a_gauge, contracts_on_the_clock,
         bring_up, maps, killed, long_call, silent, one_controls, ended, nonsense, other_protocols, burst, stops,
         stop_within_a_message, disarmed, control_is_not_taken, many_stops, any_order, too_much,
         gone_behind_a_backlog, long_lines, dot_words, guide, guide_in_rust]

# Planted defects, each with the test that must detect it.
DEFECTS = [("ignores_silence", silent), ("ignores_disconnect", killed),
           ("never_aborts_calls", long_call), ("gives_control_to_all", one_controls),
           ("arms_without_lock", contracts), ("claims_laser_off", contracts),
           ("keeps_outputs", contracts), ("keeps_an_old_proof", contracts),
           ("counts_pulse_times_wrong", contracts), ("ends_unsafe", ended),
           ("no_watchdog", contracts), ("accepts_http", other_protocols),
           ("counts_late_reads", burst), ("counts_execution", burst), ("unbounded_lines", long_lines),
           ("stops_wait", stops), ("stops_once_aborted", stops), ("stops_after_a_message", stop_within_a_message),
           ("arms_after_disarming", disarmed), ("gives_control_late", control_is_not_taken),
           ("unbounded_waiting", too_much), ("reads_little", gone_behind_a_backlog)]

for part in (watchdog, interlock, mapped, numbers, messages, stopping):
    part()
for test in WHOLE:
    began = time.monotonic()
    test("none")
    print(f"{test.__name__.replace('_', ' ')}: {time.monotonic() - began:.1f} s", flush=True)
assert {defect for defect, _ in DEFECTS} == set(heads_defects.DEFECTS)
for defect, test in DEFECTS:
    try:
        test(defect)
    except AssertionError as seen:
        print(f"{defect}: detected by {test.__name__.replace('_', ' ')}: {str(seen)[:100]}", flush=True)
    else:
        raise SystemExit(f"{test.__name__} does not detect the defect `{defect}`")
