"""Tests `spintrue serve` with PyVISA and its pure-Python backend.

The tests cover the common commands, the error queue and the event bits (IEEE 488.2 and SCPI-1999), and
definite-length blocks as the library reads and writes them. A bring-up uses the formulas of the head's
f-theta lens: the spot runs at 2 w f, a delay of dx / v cancels a shift dx along the line, an angle of
dy / (2 f) one across it.
"""

import atexit
import json
import math
import re
import signal
import subprocess
import sys

import pyvisa

program = sys.argv[1]


def served(*options):
    """Starts a server of the built-in simulated head. Returns it with its address."""
    if "--secret-file" not in options:
        options += ("--no-secret", "a test")
    server = subprocess.Popen(
        [program, "serve", "--listen", "127.0.0.1:0", *options], stdout=subprocess.PIPE, text=True
    )
    said = ""
    while "officer decide" not in said:
        line = server.stdout.readline()
        assert line, said
        said += line
    host, port = re.search(r"tcp://([\d.]+):(\d+)", said).groups()
    return server, f"TCPIP0::{host}::{port}::SOCKET"


manager = pyvisa.ResourceManager("@py")


def opened(place):
    line = manager.open_resource(place)
    line.read_termination = line.write_termination = "\n"
    line.timeout = 20_000
    return line


def told(line, message):
    """Sends a command, and asserts that it was executed."""
    answer = line.query(f"{message};:FAUL?")
    assert answer == '"none"', f"{message}: {answer}"


def values(line, message):
    """Queries numbers, and asserts that there was no error."""
    *answer, outcome = line.query(f"{message};:FAUL?").split(";")
    assert outcome == '"none"', f"{message}: {outcome}"
    return [float(part) for part in answer[0].split(",")]


server, place = served()
head, looking = opened(place), opened(place)

# Identification: four fields (IEEE 488.2).
maker, model, serial, version = head.query("*IDN?").split(",")
assert (maker, serial) == ("spintrue", "SIM-0001") and "ten-facet" in model and version
assert head.query("SYST:VERS?") == "1999.0"
assert head.query("SYSTEM:PROTOCOL?").startswith("1.")

# Errors: number, bit of the event status register, words.
for message, code, bit in [
    ("FOO:BAR", -113, 32),
    ("ROTOR:SPEE 1", -113, 32),
    ("CONT:TAKE 1", -108, 32),
    ("*ESE", -109, 32),
    ("*ESE 'x'", -104, 32),
    ("*ESE 256", -222, 16),
    ("*ESE 1 V", -138, 32),
    ("ROT:SPE 1", -203, 16),
    ("\x7f", -101, 32),
    ("@", -102, 32),
    ("*ESE 1 2", -103, 32),
    ("*IDN?;*OPC?", -440, 4),
]:
    head.write("*CLS")
    head.write(message)
    if message.startswith("*IDN?"):
        head.read()
    assert int(head.query("*STB?")) & 4, message
    assert int(head.query("*ESR?")) == bit, message
    assert int(head.query("*ESR?")) == 0, message
    number, words = head.query("SYST:ERR?").split(",", 1)
    assert int(number) == code and words.startswith('"'), (message, number, words)
    assert head.query("SYST:ERR?") == '0,"No error"', message
for _ in range(50):
    head.write("NONSENSE")
assert int(head.query("SYST:ERR:COUN?")) == 32
entries = [head.query("SYST:ERR?") for _ in range(32)]
assert entries[-1].startswith("-350,") and head.query("SYST:ERR?").startswith("0,")

# Status bits: *OPC sets bit 0 and *OPC? does not; masks read back; enabled bits set the summary bit.
head.write("*CLS")
assert head.query("*OPC?") == "1" and int(head.query("*ESR?")) == 0
head.write("*OPC")
assert int(head.query("*ESR?")) == 1
head.write("*ESE 32")
head.write("*SRE 32")
head.write("FOO")
assert int(head.query("*STB?")) == 4 + 32 + 64
head.write("*CLS")
assert int(head.query("*STB?")) == 0 and head.query("*ESE?") == "32"
assert head.query("*TST?") == "0"

# Blocks: the description, as the library reads it.
block = head.query_binary_values("HEAD:DESC?", datatype="B", container=bytes)
description = json.loads(block)
facets, focal = description["facets"], description["focal_length"]
assert facets == int(head.query("HEAD:FACETS?")) == 10
assert b"ROTor:SPEed" in looking.query_binary_values("SYST:HELP:HEAD?", datatype="B", container=bytes)

# One controller, any number of observers.
head.write("CONT:TAKE")
assert (head.query("CONT:OWN?"), looking.query("CONT:OWN?")) == ("SELF", "OTH")
looking.write("CONT:TAKE")
assert looking.query("SYST:ERR?").startswith("-203,")

# A bring-up. Supply and interlock first.
rails = head.query_ascii_values("SUPP:RAIL?")
for rail, volts in zip(description["rails"], rails, strict=True):
    assert abs(volts - rail["nominal"]) <= rail["tolerance"] * rail["nominal"], rail
assert head.query("INT:CLOS?") == "1"

# Spins up until lock.
speed = 4800 * math.pi / 30
told(head, "ROT:SPE 4800 RPM")
assert head.query("CLOC:PACE?") == "VIRT"
for _ in range(200):
    told(head, "CLOC:SLE 100 MS")
    if head.query("ROT:LOCK?") == "1":
        break
assert looking.query("ROT:LOCK?") == "1"
assert int(looking.query("STAT:OPER:COND?")) == 256 + 512
told(head, "CLOC:SLE 5")
turns = values(head, "ROT:TURN? 10")
assert turns[1::2] == [facets] * 10
assert all(abs(period * speed / (2 * math.pi) - 1) < 5e-4 for period in turns[::2])

# The line: 304.8 mm at 300 dots per inch, centred in the facet's period.
velocity = 2 * speed * focal
dots = 3600
dot = 0.3048 / velocity / dots
delay = (2 * math.pi / speed / facets - dots * dot) / 2


def traced():
    """Mean shifts of each facet's line at the planned speed, from nine readings each."""
    told(head, "LAS:ARM 35 PCT")
    assert looking.query("LAS:ARM?") == "1"
    shifts = []
    for facet in range(facets):
        readings = []
        for _ in range(9):
            line = values(head, f"LINE:EXP? {facet},{dots},{dot!r},{delay!r},TEST")
            assert line[1] == facet and line[3] == 0, line
            along, across = values(head, "GAUG:MEAS?")[:2]
            # The speed hunts a little: a turn that is too fast draws the middle of its line too far.
            fast = 2 * math.pi / speed / line[4] - 1
            readings.append([along - fast * (velocity * delay + 0.3048 / 2), across])
        shifts.append([sum(axis) / len(axis) for axis in zip(*readings)])
    told(head, "LAS:DIS")
    assert looking.query("LAS:ARM?") == "0"
    return shifts


def worst(shifts):
    return [max(abs(shift[axis]) for shift in shifts) for axis in (0, 1)]


before = worst(traced())
trims = values(head, "TRIM:LOAD?")
for _ in range(2):
    for facet, (along, across) in enumerate(traced()):
        trims[2 * facet] -= along / velocity
        trims[2 * facet + 1] -= across / (2 * focal)
    told(head, "TRIM:LOAD " + ",".join(f"{trim!r}" for trim in trims))
    trims = values(head, "TRIM:LOAD?")
after = worst(traced())
told(head, "TRIM:STOR")
assert before[0] > 10e-6 and max(after) < 2e-6, (before, after)

# A line of dot words, as a block written by the library.
told(head, "LAS:ARM 0.35")
head.write_binary_values(
    f"LINE:EXP? 3,96,{dot!r},{delay!r},", [0xDEADBEEF, 10, 0x0A3B2C0D], datatype="I", is_big_endian=True
)
atexit.register(server.kill)
assert head.read().split(",")[1:4] == ["3", "3", "0"]
told(head, "LAS:DIS")

# Makes safe, and waits for measured rest.
safe = values(head, "SAFE?")
assert safe[:2] == [1, 1]
for _ in range(1000):
    told(head, "CLOC:SLE 100 MS")
    if looking.query("ROT:REST?") == "1":
        break
assert looking.query("ROT:REST?") == "1"
assert head.query("SYST:ERR?") == '0,"No error"'
head.write("CONT:REL")
head.close()
looking.close()
server.send_signal(signal.SIGINT)
assert server.wait(20) == 0

# In real time, a silent controller loses control and the head is made safe.
server, place = served("--realtime", "--dead-man", "500ms")
head, looking = opened(place), opened(place)
head.write("CONT:TAKE")
told(head, "ROT:SPE 4800 RPM")
subprocess.run(["sleep", "0.5"], check=True)
assert float(looking.query("ROT:TARG?")) == 9.91e37
assert head.query("SYST:ERR?").startswith("-203,")
head.close()
looking.close()
server.kill()
server.wait()
print(
    f"brought up from Python: {before[0] * 1e6:.1f} um before, {after[0] * 1e6:.2f} um after; "
    "identification, errors, status bits, blocks and the dead-man limit are as expected"
)
