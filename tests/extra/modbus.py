"""Drives a pymodbus server with the built program, and compares the values of both.

pymodbus encodes the server's registers, so number formats and word orders come from an independent
implementation. A pymodbus client reads back what the program writes.
"""

import asyncio
import atexit
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

HELD = ModbusTcpClient.DATATYPE
# Format, pymodbus's name of it, smallest and largest value, and the value of its input register.
KINDS = [
    ("u16", HELD.UINT16, 0, 65535, 65534),
    ("i16", HELD.INT16, -32768, 32767, -12345),
    ("u32", HELD.UINT32, 0, 4294967295, 4000000001),
    ("i32", HELD.INT32, -2147483648, 2147483647, -2000000003),
    ("f32", HELD.FLOAT32, -1e6, 1e6, -1234.5625),
]
# Name, format, pymodbus's format, low word first, address in both register tables, range, value.
CHANNELS = []
at = 100
for name, kind, least, most, holds in KINDS:
    for low_first in [False, True]:
        wide = name[1:] == "32"
        if low_first and not wide:
            continue
        CHANNELS.append((name + "_low" * low_first, name, kind, low_first, at, least, most, holds))
        at += 2 if wide else 1


def words(value, kind, low_first):
    order = "little" if low_first else "big"
    return ModbusTcpClient.convert_to_registers(value, kind, word_order=order)


async def serve(port):
    """A server whose coil 2 and discrete input 3 are on, and whose registers hold the values."""
    inputs = [
        SimData(address, values=words(holds, kind, low_first), datatype=DataType.REGISTERS)
        for _, _, kind, low_first, address, _, _, holds in CHANNELS
    ]
    inputs.append(SimData(10, values=[-8000 & 0xFFFF, 0x7FC0, 0], datatype=DataType.REGISTERS))
    device = SimDevice(
        1,
        simdata=(
            [SimData(0, values=[False, True, True, False], datatype=DataType.BITS)],
            [SimData(0, values=[False, False, False, True], datatype=DataType.BITS)],
            [SimData(100, count=at - 100, values=0, datatype=DataType.REGISTERS)],
            inputs,
        ),
    )
    await ModbusTcpServer(device, address=("127.0.0.1", port)).serve_forever()


if sys.argv[1] == "serve":
    asyncio.run(serve(int(sys.argv[2])))
    sys.exit()

program, folder = sys.argv[1], Path(sys.argv[2])
with socket.socket() as free:
    free.bind(("127.0.0.1", 0))
    port = free.getsockname()[1]

# The description: every channel once as an input and once as an output.
described = [f'[modbus]\naddress = "127.0.0.1:{port}"\nunit = 1\nsilence_most = "1 s"\n']


def signal_of(name, place, *more):
    keys = "\n".join([f'name = "{name}"', place, *more])
    described.append(f"[[signal]]\n{keys}\n")


output = ['direction = "output"', 'at_safe = "off"']
signal_of("door", "discrete_input = 3", 'direction = "input"')
signal_of("shut", "discrete_input = 3", 'direction = "input"', 'active = "low"')
signal_of("echo", "coil = 2", 'direction = "input"')
signal_of("clamp", "coil = 0", 'direction = "output"', 'at_safe = "keep"')
signal_of("lamp", "coil = 1", 'active = "low"', *output)
signal_of("beyond", "coil = 5000", 'direction = "input"')


def channel_of(name, kind, place, least, most, *more):
    keys = [f'name = "{name}"', f'as = "{kind}"', place, 'unit = "mm"']
    keys += [f'least = "{least} mm"', f'most = "{most} mm"', *more]
    described.append("[[channel]]\n" + "\n".join(keys) + "\n")


for name, kind, _, low_first, address, least, most, _ in CHANNELS:
    order = ['word_order = "low_first"'] if low_first else []
    way = ['direction = "input"', *order]
    channel_of(f"in_{name}", kind, f"input_register = {address}", least, most, *way)
    way = ['direction = "output"', 'at_safe = "keep"', *order]
    channel_of(f"out_{name}", kind, f"holding_register = {address}", least, most, *way)
described.append(
    '[[channel]]\nname = "vacuum"\ndirection = "input"\nunit = "kPa"\nleast = "-101 kPa"\n'
    'most = "0 kPa"\ninput_register = 10\nas = "i16"\nstep = "0.01 kPa"\n'
)
channel_of("odd", "f32", "input_register = 11", 0, 1, 'direction = "input"')
fixture = folder / "station.toml"
fixture.write_text("\n".join(described))
script = folder / "script.spt"


def command(text, *options, verb="run"):
    script.write_text(text)
    return [program, verb, str(script), "--fixture", str(fixture), *options]


def run(text, code, *options, verb="run"):
    """Runs a script, asserts its exit code, and returns its output in one line."""
    done = subprocess.run(
        command(text, *options, verb=verb), capture_output=True, text=True, timeout=120
    )
    said = " ".join((done.stderr + done.stdout).split())
    assert done.returncode == code, f"exit code {done.returncode} instead of {code}: {said}"
    return said


def started():
    """Starts the server, and waits until it accepts connections."""
    server = subprocess.Popen([sys.executable, __file__, "serve", str(port)])
    atexit.register(server.kill)
    for _ in range(100):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return server
        except OSError:
            time.sleep(0.1)
    raise AssertionError("the server does not start")


def holds(said, *parts):
    for part in parts:
        assert part in said, f"`{part}` is not in: {said}"


# No server: files and names are still checked, and a call reports the error.
holds(run('let _door = signal("door")\n', 0, verb="check"), "no problems")
holds(run('switch_on("lid")\n', 2, verb="check"), "lid")
holds(run('expect "door": signal("door")\n', 3), "`door` (discrete input 3)", "nothing listens there")

server = started()
client = ModbusTcpClient("127.0.0.1", port=port)
assert client.connect()

# Reads every kind of register and both word orders.
lines = ['expect "door": signal("door")', 'expect "shut": not signal("shut")']
lines += ['expect "echo": signal("echo")', 'expect "clamp": not signal("clamp")']
lines += ['expect "lamp": not signal("lamp")']
lines += ['expect "vacuum": channel("vacuum", like: 1 kPa) within -80.0001 kPa .. -79.9999 kPa']
for name, *_, value in CHANNELS:
    slack = abs(value) * 1e-10
    low, high = f"{value - slack:.6f}", f"{value + slack:.6f}"
    lines.append(f'expect "{name}": channel("in_{name}", like: 1 mm) within {low} mm .. {high} mm')
said = run("\n".join(lines) + "\n", 0)
holds(said, "passes as on a bench", f"checks {len(lines)} of {len(lines)} conform", "PASSED")

# Writes, and reads back with another client.
wanted = {"u16": 4711, "i16": -4711, "u32": 3123456789, "i32": -1234567890, "f32": 0.15625}
lines = ['switch_on("clamp")', 'switch_on("lamp")', 'expect "clamp": signal("clamp")']
for name, kind, *_ in CHANNELS:
    lines.append(f'set_channel("out_{name}", to: {wanted[kind]} mm)')
run("\n".join(lines) + "\n", 0)
# Made safe, the lamp is off, which is a 1 on its wire; the clamp is unchanged.
assert client.read_coils(0, count=2).bits[:2] == [True, True]
for name, kind, typed, low_first, address, *_ in CHANNELS:
    read = client.read_holding_registers(address, count=len(words(0, typed, False))).registers
    order = "little" if low_first else "big"
    value = client.convert_from_registers(read, typed, word_order=order)
    assert value == wanted[kind], f"{name}: {value} in {read} instead of {wanted[kind]}"

# While the script runs, the lamp is on, a 0 on its wire.
running = subprocess.Popen(
    command('switch_on("lamp")\nnote "lit"\nwait 2 s\n'), stdout=subprocess.PIPE, text=True
)
while "lit" not in running.stdout.readline():
    assert running.poll() is None
assert client.read_coils(1).bits[0] is False
assert running.wait(60) == 0
assert client.read_coils(1).bits[0] is True

# Refusals of the device, and invalid values.
holds(run('expect "x": signal("beyond")\n', 3), "`beyond` (coil 5000)", "exception 02, illegal data address")
holds(run('let _odd = channel("odd", like: 1 mm)\n', 3), "7fc0 0000", "is no number", "input registers 11 and 12")
holds(run('set_channel("out_u16", to: 65536 mm)\n', 2), "beyond the channel `out_u16`")

# The recording contains the calls, so a replay needs no fixture.
trace = folder / "run.trace"
trace.unlink(missing_ok=True)
text = 'switch_on("clamp")\nexpect "door": signal("door")\n'
run(text, 0, "--trace", str(trace))
played = [program, "run", str(script), "--head", f"replay:{trace}"]
assert subprocess.run(played, capture_output=True, timeout=60).returncode == 0
refused = subprocess.run([*played, "--fixture", str(fixture)], capture_output=True, text=True)
assert refused.returncode == 2 and "recording" in refused.stderr, refused.stderr


def killed_after(word, text, *then):
    """Starts a script, kills the server once the script prints a word, and runs further steps. Returns
    the output and the exit code."""
    running = subprocess.Popen(
        command(text), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    said = ""
    while word not in said:
        line = running.stdout.readline()
        assert line, said
        said += line
    server.send_signal(signal.SIGKILL)
    server.wait()
    for step in then:
        step()
    said += running.stdout.read()
    return " ".join(said.split()), running.wait(60)


# The server dies during a run while the polygon turns: reported, and the head is made safe.
text = 'spin(600 rpm)\nswitch_on("clamp")\nnote "on its way"\nwait 2 s\nlet _door = signal("door")\n'
said, code = killed_after("on its way", text)
assert code == 3, said
holds(said, "nothing listens there", "`lamp` could not be switched off", "laser off, mirror parked")
holds(said, "polygon at rest (measured)")

# The server dies and is restarted: readings in between are faults, later ones succeed.
server = started()


def back():
    global server
    time.sleep(1.5)
    server = started()


text = """\
var failed = 0
var door = signal("door")
note "on its way"
repeat at most 200 times {
    try {
        door = signal("door")
    } catch _problem {
        door = false
        failed = failed + 1
    }
    wait 0.05 s
} until failed > 0 and door
expect "failed on the way": failed >= 1
expect "door": signal("door")
"""
said, code = killed_after("on its way", text, back)
assert code == 0, said
server.terminate()
server.wait()
kinds = re.findall(r"in_(\w+)", fixture.read_text())
print(f"{len(kinds)} kinds of registers both ways, exceptions, a dead server and a restarted one")
