"""Ends runs of the program for Windows in the ways that a console has, while a served head turns under light, and looks at the
head over a line of its own. `systems.py LINUX WINDOWS CONSOLE FOLDER`, under Wine; CONSOLE is systems_console.c.

Ctrl-C takes the way that it takes in Wine. Wine 8 has no Ctrl-Break, and kills what is in a console that is closed. Those two
are delivered as Windows delivers them: by a thread in the program that begins at kernelbase!CtrlRoutine, which calls the handlers
of the program (from memory). So this shows what the program does with these events, and not that Windows sends them. Windows waits
5 s where a console is closed (its documentation of HandlerRoutine, from memory); here the program is killed then."""

import pathlib
import shutil
import socket
import subprocess
import sys
import time

LINUX, WINDOWS, CONSOLE, FOLDER = sys.argv[1:]
FOLDER = pathlib.Path(FOLDER)
SCRIPT = """param speed = 600 rpm
spin(speed)
wait until locked() within 30 s
arm at 5 % {
    note "under light"
    wait 60 s
}
"""
# No target, as SCPI-1999 writes what is not a number.
NO_NUMBER = 9.91e37
# The longest from the event to a dark laser and a rotor that is let go, in s: a short call has 0.3 s to finish (docs/wire.md).
MOST = 1.0
PATIENCE = 120.0
# The event, the speed in rpm, and after how many seconds the program is killed.
ATTEMPTS = [("Ctrl-C", 0, 600, 60), ("Ctrl-Break", 1, 600, 60), ("a closed console", 2, 600, 5), ("a closed console", 2, 6000, 5)]


class Head:
    """What a served head tells all who ask."""

    def __init__(self, port):
        self.line = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.replies = self.line.makefile("r")

    def status(self):
        self.line.sendall(b"HEAD:STAT?\n")
        fields = self.replies.readline().split(",")
        return {"lit": fields[6] == "1", "let go": float(fields[2]) > NO_NUMBER / 2, "rest": fields[7] == "1"}

    def until(self, wanted, limit):
        begun = time.monotonic()
        while not wanted(status := self.status()):
            assert time.monotonic() - begun < limit, status
            time.sleep(0.01)
        return time.monotonic() - begun


def attempt(event, speed, limit):
    """Ends a run by an event. What it printed, how long the head took to be dark and let go, and its record."""
    record = FOLDER / f"ended_{event}_{speed}"
    shutil.rmtree(record, ignore_errors=True)
    server = subprocess.Popen([LINUX, "serve", "--listen", "127.0.0.1:0", "--no-secret", "a test", "--realtime"],
                              stdout=subprocess.PIPE, text=True)
    try:
        while "127.0.0.1:" not in (line := server.stdout.readline()):
            assert server.poll() is None
        port = int(line.partition("127.0.0.1:")[2].split(";")[0])
        head = Head(port)
        run = [WINDOWS, "run", str(FOLDER / "ended.spt"), "--set", f"speed={speed}rpm", "--head", f"tcp://127.0.0.1:{port}",
               "--record", str(record)]
        console = subprocess.Popen(["wine", CONSOLE, str(event), "under light", str(limit), *run], stdin=subprocess.DEVNULL,
                                   stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace")
        printed = ""
        while f"console: event {event}" not in printed:
            before = head.status()
            line = console.stdout.readline()
            assert line, printed
            printed += line
        assert before["lit"] and not before["let go"], before
        took = head.until(lambda status: not status["lit"] and status["let go"], MOST)
        printed += console.communicate(timeout=PATIENCE)[0]
        assert not head.status()["lit"]
        head.until(lambda status: status["rest"], PATIENCE)
    finally:
        server.kill()
    return printed, took, record


(FOLDER / "ended.spt").write_text(SCRIPT)
for name, event, speed, limit in ATTEMPTS:
    printed, took, record = attempt(event, speed, limit)
    verified = subprocess.run([LINUX, "record", "verify", record], capture_output=True, text=True)
    told = verified.stdout + verified.stderr
    if "console: killed" in printed:
        # The rotor takes longer to rest than Windows waits: the head is dark and slows down, and the record says that it is not whole.
        assert event == 2 and verified.returncode == 1 and "UNFINISHED" in told, (printed, told)
    else:
        assert "console: code 130" in printed and "laser off, mirror parked, polygon at rest (measured)" in printed, printed
        assert verified.returncode == 0 and "verdict: interrupted" in told, told
    ended = next(line for line in printed.split("\n") if "console: ended" in line or "console: killed" in line)
    print(f"  {name} at {speed} rpm: dark and let go after {took:.2f} s; the program {ended.partition(': ')[2].strip()}")
