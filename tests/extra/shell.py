"""Drives the shell in tmux like a user at a terminal, and reads the screen."""

import json
import os
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
WORK = ROOT / "target" / "extra" / "shell"
PAGE = ROOT / "docs" / "shell.md"
WALK = ROOT / "tests" / "data" / "shell_walk.txt"
PATIENCE = 60.0


def binary():
    found = subprocess.run(
        ["cargo", "metadata", "--format-version", "1", "--no-deps"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    )
    return str(Path(json.loads(found.stdout)["target_directory"]) / "debug" / "spintrue")


class Screen:
    """One shell on one terminal."""

    number = 0

    def __init__(self, arguments="", columns=80, rows=50, before="true", **variables):
        Screen.number += 1
        self.name = f"s{Screen.number}"
        self.home = WORK / f"home{Screen.number}"
        shutil.rmtree(self.home, ignore_errors=True)
        self.home.mkdir(parents=True)
        variables = {"HOME": str(self.home), "XDG_DATA_HOME": "", **variables}
        given = " ".join(f"{key}={value}" for key, value in variables.items())
        command = (f"{before}; env {given} {BINARY} shell {arguments}; echo left with $?; "
                   "stty -a | grep -o -- '[-]*isig'; sleep 600")
        self.tmux("new-session", "-d", "-s", self.name, "-x", str(columns), "-y", str(rows),
                  "-c", str(ROOT), command)

    @staticmethod
    def tmux(*arguments):
        return subprocess.run(["tmux", "-L", SOCKET, "-f", "/dev/null", *arguments],
                              check=True, capture_output=True, text=True).stdout

    def keys(self, *keys):
        self.tmux("send-keys", "-t", self.name, *keys)

    def type(self, text):
        self.tmux("send-keys", "-t", self.name, "-l", text)

    def text(self, *options):
        seen = self.tmux("capture-pane", "-p", *options, "-t", self.name)
        return "\n".join(line.rstrip() for line in seen.rstrip().split("\n"))

    def until(self, wanted, what="", options=()):
        """Waits until the screen shows a text, or until a function of the screen is true."""
        end = time.monotonic() + PATIENCE
        shown = wanted if callable(wanted) else lambda text: wanted in text
        while True:
            seen = self.text(*options)
            if shown(seen):
                return seen
            if time.monotonic() > end:
                sys.exit(f"{what or wanted!r} did not appear:\n{seen}")
            time.sleep(0.03)

    def paste(self, text, *options):
        """Pastes a text like a terminal, with carriage returns at line ends."""
        subprocess.run(["tmux", "-L", SOCKET, "load-buffer", "-"], input=text, text=True, check=True)
        self.tmux("paste-buffer", *options, "-t", self.name)

    def last(self):
        return self.text().split("\n")[-1]

    def resize(self, columns, rows):
        self.tmux("resize-window", "-t", self.name, "-x", str(columns), "-y", str(rows))

    def process(self):
        pane = self.tmux("display-message", "-p", "-t", self.name, "#{pane_pid}").strip()
        found = subprocess.run(["pgrep", "-P", pane, "-f", "spintrue shell"],
                               capture_output=True, text=True)
        return int(found.stdout.split()[0])

    def close(self):
        self.tmux("kill-session", "-t", self.name)


def ready(screen, prompt="> "):
    return screen.until(lambda text: text.split("\n")[-1].rstrip().endswith(prompt.rstrip()), "a prompt")


def leave(screen):
    """Ctrl-D at a prompt."""
    ready(screen)
    screen.keys("C-d")


def enter(screen, text):
    screen.type(text)
    screen.keys("Enter")


def free_port():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return taken.getsockname()[1]


def completion():
    screen = Screen()
    ready(screen)
    screen.type("plan_l")
    screen.keys("Tab")
    screen.until("plan_line(")
    # A dim hint shows the remaining parameters.
    screen.until("speed: rotation")
    screen.type("3000 r")
    screen.keys("Tab")
    screen.until("3000 r")
    screen.keys("C-u")
    screen.type("let x = status()")
    screen.keys("Enter")
    screen.until(lambda text: text.count("> ") >= 1 and "let x = status()" in text)
    screen.type("x.")
    screen.keys("Tab")
    screen.until("interlock_closed: flag")
    screen.keys("C-u")
    screen.type("read scripts/lib/mo")
    screen.keys("Tab")
    screen.until("read scripts/lib/motion.spt")
    screen.close()


def several_lines():
    screen = Screen()
    ready(screen)
    screen.type("for k in 0..2 {")
    screen.keys("Enter")
    screen.type('note "turn {k}"')
    screen.keys("Enter")
    time.sleep(0.2)
    assert "turn 0" not in screen.text(), "it ran before its block was closed"
    screen.type("}")
    screen.keys("Enter")
    screen.until(lambda text: "turn 0" in text and "turn 1" in text)
    # The arrow key recalls the entry unchanged.
    screen.keys("Up")
    screen.until(lambda text: text.count("for k in 0..2 {") == 2)
    screen.keys("C-c")
    # An empty line ends an entry with an unclosed bracket.
    screen.type("spin((")
    screen.keys("Enter")
    # A faster Enter would count as pasted.
    time.sleep(0.3)
    screen.keys("Enter")
    screen.until("Error")
    screen.close()


def stopped():
    screen = Screen("--realtime")
    ready(screen)
    screen.type("spin(600 rpm)")
    screen.keys("Enter")
    screen.until("no lock")
    screen.type("wait 50 s")
    screen.keys("Enter")
    screen.until("Ctrl-C stops it")
    time.sleep(0.5)
    screen.keys("C-c")
    screen.until("stopped on request")
    screen.until("polygon at rest (measured)")
    ready(screen)
    screen.keys("C-c")
    screen.until("nothing runs")
    screen.type("1 + 1")
    screen.keys("Enter")
    screen.until("\n2\n")
    leave(screen)
    screen.until("left with 0")
    screen.close()


def typed_ahead():
    """Ctrl-C discards input typed or pasted before it, and no input typed after it."""
    lines = ["spin(600 rpm)", "wait 30 s", "spin(1200 rpm)", 'note "ahead"']
    typed = "\n".join(lines) + "\n"

    def pasted(screen):
        # The line editor has read all lines when the first one runs.
        screen.paste(typed)

    def pasted_long(screen):
        screen.paste(typed + "".join(f'note "ahead {k}"\n' for k in range(100)))

    def bracketed(screen):
        # As one entry, followed by typed lines.
        screen.paste("\n".join(lines[:2]), "-p")
        screen.until("30 s")
        screen.tmux("send-keys", "-t", screen.name, "Enter", *[key for line in lines[2:] for key in (line, "Enter")])

    def while_it_runs(screen):
        screen.paste("\n".join(lines[:2]) + "\n")
        screen.until("Ctrl-C stops it")
        screen.paste("\n".join(lines[2:]) + "\n")

    for how in [pasted, pasted_long, bracketed, while_it_runs]:
        for before in ["true", "stty noflsh"]:
            screen = Screen("--realtime", before=before)
            ready(screen)
            how(screen)
            screen.until("Ctrl-C stops it")
            time.sleep(0.7)
            screen.keys("C-c")
            screen.until("polygon at rest (measured)")
            ready(screen)
            screen.type("1 + 1")
            screen.keys("Enter")
            seen = screen.until("\n2\n")
            time.sleep(1.5)
            after = screen.text().split("polygon at rest (measured)")[1]
            assert "at rest>" in screen.last() and "ahead" not in after and "rpm" not in after, \
                f"{how.__name__} ({before}) ran on:\n{screen.text()}"
            screen.close()
    # If Ctrl-C arrives together with the entry that it stops, the line editor may have read it ahead.
    screen = Screen("--realtime")
    ready(screen)
    screen.keys("spin(3000 rpm)", "Enter", "wait 2 s", "Enter", "C-c")
    screen.until("polygon at rest (measured)")
    time.sleep(1.5)
    assert "at rest>" in screen.last(), screen.text()
    screen.close()


def live_prompt():
    """The prompt shows the current speed without a key press."""
    follows(NO_COLOR="1")
    follows()


def follows(**variables):
    screen = Screen("--realtime", **variables)
    ready(screen)
    screen.type("spin(3000 rpm)")
    screen.keys("Enter")
    screen.until("no lock")

    def shown():
        found = re.search(r"(no lock|locked|slowing) (\d+) rpm> *$", screen.last())
        return int(found.group(2)) if found else None

    rows = screen.text().count("\n")
    speeds = []
    for _ in range(6):
        speeds.append(shown())
        time.sleep(0.5)
    assert None not in speeds and speeds == sorted(set(speeds)), f"an old speed: {speeds}"
    screen.until("locked at 3000 rpm")
    # Colour codes must not appear as text.
    assert "\n-- locked at 3000 rpm\n" in screen.text(), screen.text()
    # Only that line appeared, and no empty ones.
    assert screen.text().count("\n") == rows + 1, screen.text()
    screen.keys("Enter")
    assert shown() == 3000, screen.text()
    # An open list of completions delays nothing, and the line continues below.
    screen.type("s")
    screen.keys("Tab")
    screen.type("pin(4800 rpm)")
    screen.keys("Enter")
    time.sleep(1.5)
    assert 3200 < shown() < 4810, screen.text()
    screen.keys("Enter")
    assert shown() > 3200
    # The same at a pause.
    screen.type("step coast()")
    screen.keys("Enter")
    screen.until("paused, ")
    screen.keys("Enter")
    screen.until("ran to its end")
    first = screen.until(lambda _: shown()) and shown()
    time.sleep(1.5)
    assert shown() < first, screen.text()
    screen.close()
    # If the prompt cannot be updated, it shows no speed.
    screen = Screen("--realtime", TERM="dumb")
    ready(screen)
    screen.type("spin(600 rpm)")
    screen.keys("Enter")
    screen.until(lambda text: text.split("\n")[-1] == "no lock>")
    screen.close()


def shared():
    """Two shells at one head: the second only observes, can make the head safe, and takes control."""
    port = free_port()
    server = subprocess.Popen([BINARY, "serve", "--listen", f"127.0.0.1:{port}", "--realtime",
                               "--no-secret", "a test"],
                              stdout=subprocess.PIPE, text=True)
    for line in server.stdout:
        if str(port) in line:
            break
    try:
        first = Screen(f"--head tcp://127.0.0.1:{port}")
        ready(first)
        first.until(lambda text: text.split("\n")[-1].startswith("free, at rest>"))
        enter(first, "spin(3000 rpm)")
        first.until("-- this shell controls the head now")
        first.until("locked at 3000 rpm")
        second = Screen(f"--head tcp://127.0.0.1:{port}")
        second.until("this shell only looks")
        second.until(lambda text: text.split("\n")[-1].startswith("observing, locked 3000 rpm>"))
        assert first.last().startswith("control, locked 3000 rpm>"), first.text()
        enter(second, "spin(600 rpm)")
        second.until("nothing was changed on the head")
        enter(second, "take")
        second.until("control was not taken: another client controls the head")
        second.until("Ask its operator to give control back")
        leave(second)
        second.until("the head is left to the client that controls it")
        second.until("left with 0")
        second.close()
        assert first.last().startswith("control, locked 3000 rpm>"), first.text()
        second = Screen(f"--head tcp://127.0.0.1:{port}")
        second.until("observing, locked")
        enter(second, "safe")
        second.until("polygon at rest (measured)")
        first.until("control of the head was lost: another client made the head safe")
        first.until("-- the polygon is at rest")
        first.until(lambda text: text.split("\n")[-1].startswith("free, at rest>"))
        enter(second, "take")
        second.until("this shell controls the head now")
        second.until(lambda text: text.split("\n")[-1].startswith("control, at rest>"))
        first.until("another client controls the head now")
        enter(second, "spin(600 rpm)")
        first.until("observing, no lock")
        enter(second, "give")
        second.until("any client may take control now")
        first.until("no client controls the head any more")
        for screen in [first, second]:
            leaked = re.search(r"\b(CONT|SAFE|SYST|ROT|HEAD|FAUL)\w*:|\bSAFE\?", screen.text())
            assert not leaked, screen.text()
            screen.close()
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(timeout=PATIENCE)


def kept_trims():
    """The start message and `state` name the trims that a head has kept."""
    memory = WORK / "memory.toml"
    memory.unlink(missing_ok=True)
    screen = Screen(f"--head 'sim?memory={memory}'")
    seen = ready(screen)
    assert "trims in force" not in seen, seen
    enter(screen, "load([{cross_scan: 1 urad, in_scan: 30 ns} for k in facets()])")
    ready(screen)
    enter(screen, "store_trims()")
    leave(screen)
    screen.until("left with 0")
    screen.close()
    screen = Screen(f"--head 'sim?memory={memory}'")
    seen = ready(screen)
    assert "trims in force: on 10 of 10 facets, up to 30 ns and 1 urad" in seen, seen
    enter(screen, "state")
    screen.until("trims        on 10 of 10 facets, up to 30 ns and 1 urad")
    screen.close()


def keys_that_stop():
    # An earlier program may have disabled signals of the terminal.
    screen = Screen("--realtime", before="stty -isig -icanon -echo")
    ready(screen)
    screen.type("wait 50 s")
    screen.keys("Enter")
    screen.until("Ctrl-C stops it")
    time.sleep(0.3)
    screen.keys("C-z")
    time.sleep(0.3)
    screen.keys("C-c")
    screen.until("stopped on request")
    ready(screen)
    screen.type("wait 50 s")
    screen.keys("Enter")
    time.sleep(0.5)
    screen.keys("C-\\")
    screen.until("left with 0")
    assert "laser off, mirror parked, polygon at rest (measured)" in screen.text()
    screen.close()


def late():
    screen = Screen("--realtime")
    ready(screen)
    screen.type('ask "fitted" within 500 ms: flag')
    screen.keys("Enter")
    screen.until("too late")
    screen.until("timeout")
    screen.type("safe")
    screen.keys("Enter")
    screen.until("head: laser off")
    ready(screen)
    screen.close()


def prints():
    # The sheet is asked for at the prompt, and what is typed before is no answer.
    shutil.rmtree(WORK / "sheets", ignore_errors=True)
    screen = Screen(f"--gauge print --sheets {WORK}/sheets --sheet 170x120mm", columns=100)
    ready(screen)
    for entry in ("spin(4800 rpm)", "wait until locked() within 20 s",
                  "let plan = plan_line(4800 rpm, length: 150 mm, resolution: 300 dpi)",
                  "routine seen(plan: plan) -> list of line { arm at 35 % { return test_lines(plan) } }"):
        enter(screen, entry)
        ready(screen)
    enter(screen, "let lines = seen(plan)")
    screen.until("may light come out?")
    screen.until("yes or no")
    enter(screen, "perhaps")
    screen.until(lambda text: text.count("yes or no") > 1)
    enter(screen, "yes")
    screen.until("the laser is off")
    screen.until("File of the scan")
    enter(screen, f"{WORK}/sheets/sheet-1.pbm")
    screen.until(lambda text: "and white: scan in gray" in " ".join(text.split()))
    # Ctrl-C ends the entry, with the laser off.
    screen.keys("C-c")
    screen.until("stopped on request")
    ready(screen)
    enter(screen, "status().armed")
    screen.until("\nfalse\n")
    screen.close()


def events():
    screen = Screen("--realtime --fault interlock_opened@4s")
    ready(screen)
    screen.type("let half_typed = 3")
    screen.until("the interlock was opened")
    # The line continues below, complete, and the prompt shows the new state of the head.
    screen.until(lambda text: text.split("\n")[-1].endswith("let half_typed = 3"))
    screen.until(lambda text: text.split("\n")[-1].startswith("INTERLOCK OPEN, at rest"))
    assert "-- ALARM: the interlock was opened" in screen.text(), screen.text()
    screen.type(" mm")
    screen.keys("Enter")
    screen.type("half_typed")
    screen.keys("Enter")
    screen.until("\n3 mm\n")
    screen.close()


def lost_link():
    screen = Screen("--realtime")
    ready(screen)
    screen.type('provoke("link_silent", after: 500 ms)')
    screen.keys("Enter")
    screen.until("the head does not answer")
    screen.until(lambda text: text.split("\n")[-1].startswith("NO ANSWER"))
    screen.type("measured_speed()")
    screen.keys("Enter")
    screen.until("no_answer: the link is silent")
    screen.type("mend()")
    screen.keys("Enter")
    screen.until("the head answers again: at rest")
    screen.type("measured_speed()")
    screen.keys("Enter")
    screen.until(lambda text: re.search(r"^0 rpm$", text, re.M), "the value")
    screen.close()


def sizes():
    screen = Screen()
    ready(screen)
    screen.type("let a_long_name_for_a_value = 304.8 mm + 0.2 mm")
    screen.resize(40, 30)
    screen.until(lambda text: "".join(text.split("\n")[-2:]).endswith("304.8 mm + 0.2 mm"), "both parts")
    screen.keys("Enter")
    screen.type("a_long_name_for_a_value")
    screen.keys("Enter")
    screen.until("305 mm")
    screen.type("help spin")
    screen.keys("Enter")
    seen = screen.until("Takes at most")
    assert all(len(line) <= 40 for line in seen.split("\n"))
    # Words are not split.
    assert re.search(r"Returns\s+at\s+once:", seen), seen
    screen.close()


def searched():
    """Ctrl-R shows what is searched for and what is found, also while the prompt follows the head."""
    screen = Screen("--realtime")
    for entry in ["let first = 1", "let second = 2", "spin(3000 rpm)"]:
        ready(screen)
        enter(screen, entry)
    screen.until("no lock")
    screen.keys("C-r")
    screen.type("fir")
    screen.until(lambda _: screen.last().endswith("(reverse-i-search)`fir': let first = 1"))
    time.sleep(1)
    assert screen.last().endswith("(reverse-i-search)`fir': let first = 1"), screen.text()
    screen.keys("C-g")
    screen.until(lambda _: re.search(r"rpm> *$", screen.last()))
    screen.keys("C-r")
    screen.type("second")
    screen.keys("Enter")
    screen.until(lambda text: text.count("let second = 2") == 2)
    screen.close()


def ends_later():
    """Ctrl-D while an entry runs is kept until the entry ends; in an entry that goes on, it says so."""
    screen = Screen("--realtime")
    ready(screen)
    enter(screen, "wait 2 s")
    screen.until("s of at most")
    screen.keys("C-d")
    screen.until("left with 0")
    screen.until(lambda text: text.endswith("\nisig"), "a restored terminal")
    screen.close()
    screen = Screen()
    ready(screen)
    enter(screen, "arm at 35 % {")
    screen.until("the entry goes on")
    screen.keys("C-d")
    time.sleep(0.3)
    assert "left with" not in screen.text(), screen.text()
    screen.keys("C-c")
    # What is typed before a Ctrl-C is taken goes with it.
    screen.until(lambda text: text.split("\n")[-1].rstrip() == "at rest>")
    enter(screen, "exit")
    screen.until("left with 0")
    screen.close()


def paged():
    """Help that is longer than the screen is shown in pages, while the head is watched."""
    screen = Screen("--realtime --fault interlock_opened@2s", rows=24)
    ready(screen)
    enter(screen, "help")
    screen.until("Enter shows more, q ends")
    screen.until("ALARM: the interlock was opened")
    screen.keys("Enter")
    screen.until("pauses")
    # What is typed there counts.
    enter(screen, "state")
    screen.until("interlock    OPEN")
    ready(screen)
    screen.close()


def at_work():
    """What takes more than a second tells so, and what is printed then has the line for itself."""
    screen = Screen(before=f"(sleep 4; echo 'wait 1 s') | {BINARY} check -")
    screen.until("at work for 2s")
    seen = screen.until("no problems")
    assert "at work" not in seen, seen
    screen.close()
    screen = Screen(before=f"{BINARY} test {'scripts/tests ' * 12} --threads 1")
    screen.until(lambda text: re.search(r"^\d+ of \d+ tests  █*░* +\d+s left$", text, re.M))
    seen = screen.until(" passed, 0 failed")
    assert "tests  " not in seen, seen
    screen.close()


def progress():
    """A wait shows how long it has taken, how long it can take, and the speed."""
    screen = Screen("--realtime", columns=60)
    ready(screen)
    enter(screen, "spin(3000 rpm); wait 4 s")
    screen.until(lambda _: re.search(r"^[12]\.\d s of at most 5 s, no lock \d+ rpm$", screen.last()))
    ready(screen)
    enter(screen, "wait until locked() within 20 s")
    screen.until(lambda _: re.search(r"^waiting until locked\(\) \(\d\.\d s of 20 s\), no lock \d+ rpm$",
                                     screen.last()))
    screen.until("locked at 3000 rpm")
    ready(screen)
    enter(screen, "let plan = plan_line(3000 rpm, length: 304.8 mm, resolution: 300 dpi)")
    enter(screen, "arm at 35 % { wait 3 s }")
    screen.until(lambda _: re.search(r"^LASER ARMED  \d\.\d s of at most 8 s, locked 3000 rpm$", screen.last()))
    screen.until(lambda text: "LASER ARMED" not in text)
    # A question stands on a line of its own, and stays there.
    enter(screen, 'wait 1 s; ask "fitted" within 30 s: flag; wait 1 s')
    screen.until("\nfitted\n  yes or no, within 30 s:")
    time.sleep(0.5)
    assert screen.last() == "  yes or no, within 30 s:", screen.text()
    enter(screen, "yes")
    screen.until("fitted: yes")
    ready(screen)
    screen.close()


def unbroken():
    """No word is broken where a screen ends, wide characters included."""
    words = "a note that is long enough for two lines, with \u6f22\u5b57\u6f22\u5b57\u6f22\u5b57 \u6f22\u5b57 in it, and more \u6f22\u5b57\u6f22\u5b57 of \u6f22\u5b57 until here"
    for columns in [60, 80, 120]:
        screen = Screen(columns=columns, rows=200)
        ready(screen)
        enter(screen, f'let text = "{words}"')
        ready(screen)
        commands = ["note text", "help light", "help keys", "help faults", "help", "state", "trims", "take",
                    "let rows = [{facet: k, a_long_heading_here: 3 mm, another_long_heading: 12.5 um} for k in facets()]",
                    "rows", "undo", "expect \"a label that is rather long for this\": 3 mm <= 2 mm", "export text to x.csv", "provoke(\"laser_stays_armed\", after: 0 s)"]
        for command in commands:
            enter(screen, command)
            ready(screen)
            time.sleep(0.1)
        # A line that fills the screen goes on with the rest of a word if the next begins with one: rejoined
        # by tmux, no line that was printed may be longer than the screen. What is typed may.
        typed = [line for line in screen.text("-J").split("\n") if "> " in line[:columns]]
        for line in screen.text("-J").split("\n"):
            width = sum(2 if ord(c) > 0x2e80 else 1 for c in line.rstrip())
            assert width <= columns or line in typed, f"{columns}: {line}"
        screen.close()


def colours():
    screen = Screen()
    ready(screen)
    screen.type("spin(4800 rpm)")
    screen.until("4800 rpm")
    assert "\x1b[3" in screen.text("-e"), "the entry has no colours"
    screen.close()
    for variables in [{"NO_COLOR": "1"}, {"TERM": "dumb"}]:
        screen = Screen(**variables)
        ready(screen)
        screen.type("spin(4800 rpm)")
        screen.until("4800 rpm")
        assert "\x1b[3" not in screen.text("-e"), f"colours despite {variables}"
        screen.keys("Enter")
        screen.type("measured_speed()")
        screen.keys("Enter")
        screen.until(lambda text: re.search(r"(^|> )0 rpm$", text, re.M), "the value")
        leave(screen)
        screen.until("left with 0")
        screen.close()


def ends():
    for how in ["HUP", "TERM"]:
        screen = Screen("--realtime")
        ready(screen)
        screen.type("spin(600 rpm)")
        screen.keys("Enter")
        screen.until("no lock")
        process = screen.process()
        if how == "HUP":
            screen.close()
        else:
            os.kill(process, signal.SIGTERM)
            screen.until("laser off, mirror parked, polygon at rest (measured)")
            # The terminal is restored: keys stop the next program.
            screen.until(lambda text: text.endswith("\nisig"), "a restored terminal")
            screen.close()
        end = time.monotonic() + PATIENCE
        while Path(f"/proc/{process}").exists():
            if time.monotonic() > end:
                sys.exit(f"the shell still runs after SIG{how}")
            time.sleep(0.05)


def history():
    screen = Screen()
    ready(screen)
    screen.type("let remembered = 1")
    screen.keys("Enter")
    screen.until("let remembered = 1\n")
    leave(screen)
    screen.until("left with 0")
    kept = screen.home / ".local/share/spintrue/shell_history"
    assert "let remembered = 1" in kept.read_text(), "the entry is not stored"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600, "other users may read the history"
    screen.close()


BRAILLE = re.compile("[\u2801-\u28ff]")
SIZES = [(60, 16), (80, 24), (120, 50)]
STATUS = re.compile(r"(LOCKED|NO LOCK|SLOWING) \d+ rpm  INTERLOCK (CLOSED|OPEN)  LASER OFF$")


def fits(screen, columns, rows):
    seen = screen.text().split("\n")
    assert len(seen) <= rows and all(len(line) <= columns for line in seen), seen
    return seen


def watched():
    """Values over time at several sizes of a terminal, in its own characters."""
    for (columns, rows), locale in [*((size, "C.UTF-8") for size in SIZES), ((80, 24), "C")]:
        screen = Screen("--realtime", columns, rows, LC_ALL=locale)
        ready(screen)
        enter(screen, "spin(600 rpm)")
        screen.until("no lock")
        enter(screen, "watch measured_speed(), 500 rpm, locked() every 50 ms for 30 s")
        drawn = (lambda text: text.count("*") > 10) if locale == "C" else \
            (lambda text: len(BRAILLE.findall(text)) > 10)
        screen.until(drawn, "a plot")
        seen = fits(screen, columns, rows)
        assert sum("rpm over head time in s" in line for line in seen) == 1, "not updated in place"
        assert "NO EMERGENCY STOP IS HERE" in " ".join(seen), seen
        assert len(seen) > rows - 3, f"the height is not used: {seen}"
        assert any("500 rpm" in line and " o " in line for line in seen), "no legend"
        if locale == "C":
            assert all(line.isascii() for line in seen), seen
        screen.keys("Enter")
        ready(screen)
        assert "watch measured_speed()" not in screen.text() and drawn(screen.text()), "the plot is gone"
        screen.close()


def lit():
    """Values that need light: a notice first, the sign while armed, and Ctrl-C stops at once."""
    screen = Screen("--realtime", LC_ALL="C.UTF-8", rows=30)
    ready(screen)
    enter(screen, "spin(4800 rpm); wait until locked() within 20 s")
    enter(screen, "let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)")
    screen.until(lambda text: re.search(r"^locked 4800 rpm> +$", text + " ", re.M), "a prompt in lock")
    enter(screen, "watch test_line(0, plan).in_scan arm at 35 % every 200 ms for 1 min")
    seen = screen.until("LIGHT COMES OUT: the laser is armed at 35 %")
    assert "LASER ARMED" not in seen, "there was no time to read the notice"
    screen.until("\nLASER ARMED")
    screen.until(BRAILLE.search, "a plot")
    screen.until("\nLASER ARMED")
    screen.keys("C-c")
    screen.until("laser off, mirror parked, polygon at rest (measured)")
    ready(screen)
    screen.close()


def bench():
    """The whole bench at several sizes, resized on the way, with a fault, and left by either key."""
    for (columns, rows), key in zip(SIZES, ["Enter", "C-c", "Enter"]):
        screen = Screen("--realtime --fault interlock_opened@12s", columns, rows, LC_ALL="C.UTF-8")
        ready(screen)
        enter(screen, "spin(4800 rpm)")
        screen.until("no lock")
        enter(screen, "watch")
        screen.until(lambda text: text.startswith("LOCKED 4800 rpm  INTERLOCK CLOSED  LASER OFF\n"), "lock")
        screen.until(lambda text: re.search(r"pulse(s +up to \d| off even division in ns over facet)", text), "pulses")
        seen = fits(screen, columns, rows)
        assert STATUS.match(seen[0]), seen[0]
        for name in ["speed error", "lock ", "logic ", "drive ", "laser ", "temperature ", "last event "]:
            assert any(line.startswith("  " + name) for line in seen), (name, seen)
        words = " ".join(seen)
        assert "NO EMERGENCY STOP IS HERE" in words and "Ctrl-C makes the head safe" in words, words
        screen.resize(70, 20)
        screen.until(lambda text: text.startswith("LOCKED"))
        fits(screen, 70, 20)
        screen.until(lambda text: "INTERLOCK OPEN" in text.split("\n")[0], "the interlock")
        screen.until("last event   ALARM: the interlock was opened")
        screen.keys(key)
        if key == "C-c":
            screen.until("polygon at rest (measured)")
        seen = ready(screen)
        assert ("LASER OFF" in seen) == (key == "Enter"), seen
        screen.close()


def bench_at_a_real_head():
    """Over a serial line, at most one status is asked for at each look, and an observer moves nothing."""
    pairs = [os.openpty() for _ in range(2)]
    for pair in pairs:
        for end in pair:
            tty.setraw(end)
    asked = []

    def relay(source, sink, kept):
        while data := os.read(source, 4096):
            kept.append(data)
            os.write(sink, data)

    for source, sink, kept in [(pairs[0][0], pairs[1][0], []), (pairs[1][0], pairs[0][0], asked)]:
        threading.Thread(target=relay, args=(source, sink, kept), daemon=True).start()
    port = free_port()
    server = subprocess.Popen(
        [BINARY, "serve", "--realtime", "--no-secret", "a test", "--listen", f"127.0.0.1:{port}",
         "--listen", f"serial://{os.ttyname(pairs[0][1])}"], stdout=subprocess.PIPE, text=True)
    for line in server.stdout:
        if str(port) in line:
            break
    try:
        own = Screen(f"--head serial://{os.ttyname(pairs[1][1])}", rows=40, LC_ALL="C.UTF-8")
        ready(own)
        enter(own, "spin(4800 rpm)")
        own.until("no lock")
        enter(own, "watch")
        own.until("pulse off even division")
        asked.clear()
        looks = 0
        before = end = time.monotonic()
        while end < before + 4:
            time.sleep(0.05)
            end = time.monotonic()
        sent = b"".join(asked).decode()
        looks = (end - before) / 0.2
        count = sent.count("HEAD:STAT?")
        assert 5 < count <= looks + 2, f"{count} status calls in {looks} looks"
        assert sent.count("ROT:PULS?") <= 6, sent
        other = Screen(f"--head tcp://127.0.0.1:{port}", LC_ALL="C.UTF-8")
        ready(other)
        enter(other, "watch")
        seen = other.until("told only to the client that controls the head")
        assert "another client: this shell only looks" in seen and "LOCKED 4800 rpm" in seen, seen
        assert "Ctrl-C leaves the head to the client" in " ".join(seen.split()), seen
        other.keys("C-c")
        other.until("the head is left to the client that controls it")
        assert own.text().startswith("LOCKED 4800 rpm"), own.text()
        other.close()
        server.kill()
        own.until("NO ANSWER: TAKE IT AS ARMED AND TURNING")
        own.until("when it answered last")
        own.close()
    finally:
        server.kill()
        server.wait(timeout=PATIENCE)


def plotted():
    """Plots fill the terminal and stay inside it; what cannot show Braille has ASCII."""
    for columns, rows in SIZES:
        screen = Screen("", columns, rows, LC_ALL="C.UTF-8")
        ready(screen)
        enter(screen, "let xs = [sin(k * 7 deg) * 1 mm for k in 0..100]")
        ready(screen)
        enter(screen, "plot xs, [x / 2 for x in xs]")
        screen.until(lambda text: len(BRAILLE.findall(text)) > 20, "a curve")
        ready(screen)
        seen = fits(screen, columns, rows)
        frame = [line for line in seen if "│" in line]
        assert rows - 9 <= len(frame) <= rows - 6, (len(frame), seen)
        assert any(len(line) >= columns - 2 for line in frame), seen
        enter(screen, "plot bars: slice(xs, 0, 5)")
        screen.until("█")
        screen.close()
    for variables in [{"LC_ALL": "C"}, {"TERM": "dumb", "LC_ALL": "C.UTF-8"}, {"TERM": "linux", "LC_ALL": "C.UTF-8"}]:
        screen = Screen(**variables)
        ready(screen)
        enter(screen, "plot [1 mm, 3 mm, 2 mm]")
        screen.until("mm over element")
        assert ready(screen).isascii() and "*" in screen.text(), screen.text()
        screen.close()


def stepped():
    screen = Screen("tests/corpus/step/script.spt --realtime --fault interlock_opened@9s")
    ready(screen)
    screen.type("step")
    screen.keys("Enter")
    screen.until("script.spt:21  spin_up(speed)")
    screen.until(lambda text: text.split("\n")[-1].startswith("paused, at rest>"))
    screen.keys("Enter")
    screen.until("script.spt:22  let plan")
    # The head is monitored at a pause, too.
    screen.type("spe")
    screen.until("the interlock was opened")
    screen.type("ed")
    screen.keys("Enter")
    screen.until("\n3000 rpm\n")
    screen.keys("C-c")
    screen.until("stopped on request")
    screen.until("polygon at rest (measured)")
    screen.until(lambda text: text.split("\n")[-1].startswith("INTERLOCK OPEN, at rest>"))
    screen.type("step wait 10 s")
    screen.keys("Enter")
    screen.until("paused, INTERLOCK OPEN, at rest>")
    process = screen.process()
    screen.close()
    end = time.monotonic() + PATIENCE
    while Path(f"/proc/{process}").exists():
        if time.monotonic() > end:
            sys.exit("the shell still runs at a pause without a terminal")
        time.sleep(0.05)


def walk():
    """Types the walk and returns the transcript."""
    entries = []
    for line in WALK.read_text().split("\n"):
        if entries and entries[-1] and (line.startswith((" ", "}", "routine")) and (entries[-1].startswith("///"))):
            entries[-1] += "\n" + line
        elif line:
            entries.append(line)
    (WORK / "typed.spt").unlink(missing_ok=True)
    screen = Screen("--no-history", rows=24, NO_COLOR="1", LC_ALL="C")
    everything = ["-S", "-"]
    ready(screen)
    for entry in entries:
        before = screen.text(*everything)
        for line in entry.split("\n"):
            screen.type(line)
            screen.keys("Enter")
        screen.until(lambda text: text != before and text.split("\n")[-1].rstrip().endswith(">")
                     and text.count("\n") > before.count("\n"), entry, options=everything)
        # The hint may still be erased.
        time.sleep(0.15)
    leave(screen)
    seen = screen.until("\nisig", options=everything).replace("\nleft with 0", "").replace("\nisig", "")
    screen.close()
    return re.sub(r"\n{3,}", "\n\n", seen)


def page(write):
    text = PAGE.read_text()
    begin, end = "<!-- typed -->\n```text\n", "\n```\n<!-- end -->"
    before, rest = text.split(begin)
    _, after = rest.split(end)
    fresh = before + begin + walk() + end + after
    if write:
        PAGE.write_text(fresh)
    elif fresh != text:
        (WORK / "shell.md").write_text(fresh)
        sys.exit("docs/shell.md does not show the real output: see target/extra/shell/shell.md; "
                 "`tests/extra/shell.sh --write` updates the page")


BINARY = binary()
SOCKET = f"spintrue-{os.getpid()}"
WORK.mkdir(parents=True, exist_ok=True)
try:
    # The server ends with its last session.
    Screen.tmux("new-session", "-d", "-s", "keep", "sleep 3600")
    if "--write" not in sys.argv:
        checks = [completion, several_lines, stopped, typed_ahead, live_prompt, shared, kept_trims,
                  keys_that_stop, late, prints, events, lost_link, sizes, searched, ends_later, paged, at_work, progress,
                  unbroken, colours, ends, history, watched, lit, bench, bench_at_a_real_head, plotted, stepped]
        wanted = [argument for argument in sys.argv[1:] if not argument.startswith("-")]
        for check in [check for check in checks if not wanted or check.__name__ in wanted]:
            check()
            print(f"  {check.__name__}: passed")
    page("--write" in sys.argv)
    print("the shell on a terminal matches its page")
finally:
    subprocess.run(["tmux", "-L", SOCKET, "kill-server"], capture_output=True)
