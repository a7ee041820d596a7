"""A scan-head controller behind registers: the file to adapt.

`Controller` has one method for each call of the wire. It reaches the hardware only through
`bus.read(word)` and `bus.write(word, value)`. Pass it `Mapped` for registers that are mapped into memory,
or your own class for GPIO lines, SPI or a field bus. Until then, `twin.Twin` simulates the hardware.

The register map is invented and describes no product. All words have 32 bits.

  word  name        access  meaning
  0x00  CONTROL     rw      bit 0 drive enabled, 1 brake, 2 laser enabled (opens the gate within lines only)
  0x04  STATUS      r       bit 0 locked, 1 interlock closed, 2 laser ready, 3 index seen, 4 at rest,
                            5 line drawn, 6 line underrun
  0x08  SPEED       rw      speed to hold, in 1/1000 rad/s
  0x0C  MEASURED    r       measured speed, in 1/1000 rad/s
  0x10  FACET       r       next facet to pass the beam, counted from the index
  0x14  TURNS       rw      number of whole turns to read; any write discards them
  0x18  TURN_TIME   r       time of the oldest turn, in ns
  0x1C  TURN_PULSES r       its start-of-scan pulses; reading removes the turn, and makes their times readable
  0x20  POWER       rw      share of full laser power, 65535 is full power
  0x24  MIRROR      rw      galvanometer DAC, signed, in 10 nrad (mechanical)
  0x28  MIRROR_AT   r       measured angle, in the same unit
  0x2C  TEMPERATURE r       in mK
  0x30  RAIL        r       three words: the rails in mV
  0x3C  PULSE_TIME  r       time of the next of these pulses after the index, in ns, signed; reading removes it
  0x40  LINE_FACET  rw      the line to draw: facet,
  0x44  LINE_DOTS   rw      dots,
  0x48  LINE_CLOCK  rw      divisor of the master clock,
  0x4C  LINE_DELAY  rw      from start of scan to the first dot, in ticks of the master clock
  0x50  LINE_START  w       1 draws test marks, 2 draws WORDS, 0 stops waiting for the facet,
                            3 draws marks: WORDS holds their number, then the dot of each
  0x54  LINE_TURN   r       time of the turn in which the line was drawn, in ns; 0 until that turn has ended
  0x58  STORE       w       any write stores TRIM and NOTE permanently
  0x5C  WATCHDOG    w       any write restarts it; 1 s after the last write it brakes and disables the laser
  0x60  INPUTS      r       levels of the input lines: bit 0 low while the door is open, pulled up
  0x64  OUTPUTS     rw      levels of the output lines: bit 0 closes the clamp, 1 lights the lamp
  0x68  BLOWER      rw      fan that blows dust off the medium, 65535 is full speed
  0x80  TRIM        rw      two words per facet: in-scan in ns, cross-scan in 0.25 urad, both signed
  0x1000  WORDS     w       4096 words of 32 dots, highest bit first
  0x5000  NOTE      rw      1024 words for what proved the trims: the number of bytes, then these, lowest first
"""

import json
import math
import mmap
import os
import struct
import time

CONTROL, STATUS, SPEED, MEASURED, FACET = 0x00, 0x04, 0x08, 0x0C, 0x10
TURNS, TURN_TIME, TURN_PULSES, PULSE_TIME = 0x14, 0x18, 0x1C, 0x3C
POWER, MIRROR, MIRROR_AT, TEMPERATURE, RAIL = 0x20, 0x24, 0x28, 0x2C, 0x30
LINE_FACET, LINE_DOTS, LINE_CLOCK, LINE_DELAY, LINE_START, LINE_TURN = 0x40, 0x44, 0x48, 0x4C, 0x50, 0x54
STORE, WATCHDOG, TRIM, WORDS, NOTE = 0x58, 0x5C, 0x80, 0x1000, 0x5000
INPUTS, OUTPUTS, BLOWER = 0x60, 0x64, 0x68
DRIVE, BRAKE, LASER = 1, 2, 4
LOCKED, INTERLOCK, READY, INDEX, AT_REST, DRAWN, UNDERRUN = 1, 2, 4, 8, 16, 32, 64

# The reply to HEAD:DESC?. docs/heads.md explains each key; all values are invented.
DESCRIPTION = {
    "model": "memory-mapped demonstration controller (invented)",
    "serial": "PY-0001",
    "simulated": True,
    "facets": 8,
    "speed_least": 60.0,
    "speed_most": 630.0,
    "lock_window": 0.0005,
    "lock_turns": 32,
    "spin_up_most": 10.0,
    "coast_most": 40.0,
    "focal_length": 0.4042536,
    "line_most": 0.33,
    "active_most": 0.7,
    "clock": {"master": 480e6, "kind": {"divider": {"least": 16, "most": 4095}}},
    "dot_least": 0.0,
    "word_service": 2e-6,
    "queue_words": 4096,
    "in_scan_trim": {"step": 1e-9, "range": 1e-6},
    "cross_scan_trim": {"step": 0.25e-6, "range": 500e-6},
    "map_marks": 64,
    "galvanometer_range": 0.1,
    "galvanometer_settling": 0.005,
    "rails": [
        {"name": "logic", "nominal": 5.0, "tolerance": 0.05},
        {"name": "drive", "nominal": 24.0, "tolerance": 0.1},
        {"name": "laser", "nominal": 12.0, "tolerance": 0.05},
    ],
    "start_of_scan": "every_facet",
    "laser_power": 0.05,
    "times": {
        "reply_most": 0.2,
        "silence_most": 1.0,
        "pulse_silence_most": 1.0,
        "arming_most": 0.5,
        "fill_most": 0.2,
        "waiting_turns_most": 3,
        "reading_most": 0.5,
        "gauge_silence_most": 1.0,
        "brake_most": 15.0,
    },
    "signals": [
        {"name": "door_open", "direction": "input", "active": "low", "pull": "up"},
        {"name": "clamp", "direction": "output", "active": "high", "at_safe": "keep"},
        {"name": "lamp", "direction": "output", "active": "high", "at_safe": "off", "under_light": True},
    ],
    "channels": [
        {"name": "blower", "direction": "output", "unit": "%", "least": 0.0, "most": 1.0, "at_safe": 0.0,
         "under_light": True},
    ],
}

# The word and bit of each signal; on your hardware perhaps a GPIO line.
WIRED = {"door_open": (INPUTS, 1), "clamp": (OUTPUTS, 1), "lamp": (OUTPUTS, 2)}

TURN = 6.283185307179586
MIRROR_STEP = 1e-8
PARKED_WITHIN = 0.1e-3
MAX_NOTE = 4 * 1023  # bytes
POLL_INTERVAL = 0.0005
WATCHDOG_INTERVAL = 0.1


class Fault(Exception):
    """The reply to FAUL?: a kind of docs/wire.md and its words."""

    def __init__(self, kind, *words):
        super().__init__(kind, *words)
        self.kind, self.words = kind, words


class Real:
    """Real time."""

    def __init__(self):
        self.started = time.monotonic()

    def now(self):
        return time.monotonic() - self.started

    def wait(self, seconds):
        time.sleep(max(seconds, 0.0))


class Mapped:
    """Registers that are mapped into memory, such as those of a UIO device: Mapped("/dev/uio0")."""

    def __init__(self, path, size=0x6000):
        file = os.open(path, os.O_RDWR | os.O_SYNC)
        # The cast makes each access a single one of 32 bits, in native byte order.
        self.words = memoryview(mmap.mmap(file, size)).cast("I")
        os.close(file)

    def read(self, word):
        return self.words[word // 4]

    def write(self, word, value):
        self.words[word // 4] = value & 0xFFFFFFFF


def signed(word):
    return word - (1 << 32) if word >> 31 else word


def in_range(what, value, low, high, unit):
    if not low <= value <= high:
        raise Fault("out_of_range", what, f"{value:g} {unit}", f"{low:g} {unit}", f"{high:g} {unit}")


def named(kind, name):
    """The signal or channel with this name."""
    for line in DESCRIPTION[kind]:
        if line["name"] == name:
            return line
    raise Fault("refused", f"this head has no {kind[:-1]} `{name[:60]}`")


class Controller:
    """Refuses wrong commands from every caller; reports measured values, not commanded ones.

    `clock` has now() and wait(seconds); `gauge` has measure(), or is None. A waiting call invokes
    `go_on` repeatedly, which raises an exception to abort the call.
    """

    def __init__(self, bus, clock, gauge=None):
        self.bus, self.clock, self.gauge = bus, clock, gauge
        self.go_on = lambda: None
        self.asked = None
        # Start from a safe head, whatever state an earlier program left.
        self.make_safe(False)

    def describe(self):
        return DESCRIPTION

    # Status. If a line is a GPIO instead of a register bit, read it here.

    def status(self):
        read = self.bus.read
        status, control = read(STATUS), read(CONTROL)
        at = signed(read(MIRROR_AT)) * MIRROR_STEP
        parked = signed(read(MIRROR)) == 0 and abs(at) <= PARKED_WITHIN
        return {
            "time": self.clock.now(),
            "speed": read(MEASURED) / 1000,
            "target": self.asked if control & DRIVE else None,
            "locked": bool(status & LOCKED),
            "facet": read(FACET) if status & INDEX else None,
            "interlock": bool(status & INTERLOCK),
            "laser": bool(control & LASER),
            "rest": bool(status & AT_REST),
            "angle": at,
            "parked": parked,
            "temperature": read(TEMPERATURE) / 1000,
            "rails": [read(RAIL + 4 * k) / 1000 for k in range(len(DESCRIPTION["rails"]))],
        }

    # Polygon: enable, brake, speed, lock, index and start of scan.

    def spin(self, speed):
        in_range("polygon speed", speed, DESCRIPTION["speed_least"], DESCRIPTION["speed_most"], "rad/s")
        self.not_armed("changing the polygon speed")
        self.asked = speed
        self.bus.write(SPEED, round(speed * 1000))
        self.control(set=DRIVE, clear=BRAKE)

    def halt(self, brake):
        self.not_armed("stopping the polygon")
        self.asked = None
        self.control(set=BRAKE if brake else 0, clear=DRIVE | (0 if brake else BRAKE))

    def turns(self, count):
        """The time of each whole turn, and those of its start-of-scan pulses after the index."""
        in_range("turns", count, 1, 100_000, "turns")
        seen = []
        self.bus.write(TURNS, 0)
        give_up = self.clock.now() + DESCRIPTION["times"]["pulse_silence_most"]
        while len(seen) < count:
            if self.bus.read(TURNS):
                # In this order, because reading the pulses removes the turn.
                time = self.bus.read(TURN_TIME) / 1e9
                pulses = range(self.bus.read(TURN_PULSES))
                seen.append((time, [signed(self.bus.read(PULSE_TIME)) / 1e9 for _ in pulses]))
                give_up = self.clock.now() + DESCRIPTION["times"]["pulse_silence_most"]
            elif self.clock.now() >= give_up:
                raise Fault("no_pulse", "index")
            else:
                self.wait(POLL_INTERVAL)
        return seen

    # Galvanometer.

    def steer(self, angle):
        """Steers the mirror to an angle, or parks it (None)."""
        reach = DESCRIPTION["galvanometer_range"]
        in_range("galvanometer angle", angle or 0.0, -reach, reach, "rad")
        self.bus.write(MIRROR, round((angle or 0.0) / MIRROR_STEP))

    # Trims.

    def trims(self):
        step, angle = DESCRIPTION["in_scan_trim"]["step"], DESCRIPTION["cross_scan_trim"]["step"]
        words = [signed(self.bus.read(TRIM + 4 * k)) for k in range(2 * DESCRIPTION["facets"])]
        return [(x * step, y * angle) for x, y in zip(words[::2], words[1::2])]

    def load_trims(self, trims):
        facets = DESCRIPTION["facets"]
        if len(trims) != facets:
            raise Fault("refused", f"{len(trims)} trims for {facets} facets")
        words = []
        for k, pair in enumerate(trims):
            for key, value in zip(("in_scan_trim", "cross_scan_trim"), pair):
                step, most = DESCRIPTION[key]["step"], DESCRIPTION[key]["range"]
                if abs(round(value / step)) > round(most / step):
                    in_range(f"{key} of facet {k}", value, -most, most, "s or rad")
                words.append(round(value / step))
        # Write only after all trims are checked.
        for k, word in enumerate(words):
            self.bus.write(TRIM + 4 * k, word)

    def store_trims(self, proof=None):
        """Stores the trims with what proved them, or without: then the former proof is forgotten."""
        self.not_armed("storing trims")
        note = b"" if proof is None else json.dumps(proof).encode()
        if len(note) > MAX_NOTE:
            raise Fault("refused", f"{len(note)} bytes of proof, but there is room for {MAX_NOTE}")
        words = struct.unpack(f"<{-(-len(note) // 4)}I", note + bytes(-len(note) % 4))
        for k, word in enumerate((len(note), *words)):
            self.bus.write(NOTE + 4 * k, word)
        self.bus.write(STORE, 1)

    def stored_proof(self):
        size = self.bus.read(NOTE)
        words = [self.bus.read(NOTE + 4 * (1 + k)) for k in range(-(-size // 4))]
        return json.loads(struct.pack(f"<{len(words)}I", *words)[:size]) if size else None

    # Laser: interlock, enable, power. The hardware opens the gate within lines.

    def arm(self, power):
        in_range("laser power", power, 0.0, 1.0, "of full power")
        self.not_armed("arming")
        status = self.bus.read(STATUS)
        if not status & INTERLOCK:
            raise Fault("interlock_open")
        if not status & LOCKED:
            raise Fault("not_locked")
        self.bus.write(POWER, round(power * 65535))
        self.control(set=LASER)
        if not self.bus.read(CONTROL) & LASER:
            raise Fault("broken", "the laser cannot be enabled")

    def disarm(self):
        self.control(clear=LASER)
        self.bus.write(POWER, 0)
        if self.bus.read(CONTROL) & LASER:
            raise Fault("broken", "the laser cannot be disabled")

    def not_armed(self, what):
        if self.bus.read(CONTROL) & LASER:
            raise Fault("armed", what)

    # Lines.

    def expose(self, facet, dots, dot_period, delay, words=None, places=None):
        """Draws a line: test marks, words of 32 dots, or a map of marks at places from -0.5 to 0.5."""
        if not self.bus.read(CONTROL) & LASER:
            raise Fault("not_armed")
        in_range("facet", facet, 0, DESCRIPTION["facets"] - 1, "from the index")
        in_range("dots", dots, 1, 32 * DESCRIPTION["queue_words"], "dots")
        clock = DESCRIPTION["clock"]
        least, most = (clock["kind"]["divider"][end] for end in ("least", "most"))
        divisor = round(dot_period * clock["master"])
        in_range("divisor of the dot clock", divisor, least, most, "of the master clock")
        in_range("pre-scan delay", delay, 0.0, 1.0, "s")
        count = -(-dots // 32)
        if words is not None and len(words) != count:
            raise Fault("refused", f"{len(words)} dot words for {dots} dots, which take {count}")
        start = 1 if words is None else 2
        if places is not None:
            in_range("marks of a map", len(places), 1, DESCRIPTION["map_marks"], "marks")
            for before, place in zip([-math.inf, *places], places):
                in_range("place of a mark", place, -0.5, 0.5, "of the line")
                if place <= before:
                    raise Fault("refused", f"the marks of a map go along the line: {place:g} is behind {before:g}")
            start, words = 3, [len(places), *(round((place + 0.5) * dots) for place in places)]
        for k, word in enumerate(words or ()):
            self.bus.write(WORDS + 4 * k, word)
        self.bus.write(LINE_FACET, facet)
        self.bus.write(LINE_DOTS, dots)
        self.bus.write(LINE_CLOCK, divisor)
        self.bus.write(LINE_DELAY, round(delay * clock["master"]))
        times = DESCRIPTION["times"]
        self.until(READY, times["arming_most"], lambda: Fault("broken", "the laser is not ready in time"))
        self.bus.write(LINE_START, start)
        speed = max(self.asked or 0.0, DESCRIPTION["speed_least"])
        turns = (times["waiting_turns_most"] + 1) * TURN / speed
        try:
            self.until(DRAWN, turns, lambda: Fault("no_pulse", "start-of-scan"))
        except BaseException:
            self.bus.write(LINE_START, 0)
            raise
        drawn, underrun = self.clock.now(), bool(self.bus.read(STATUS) & UNDERRUN)
        return drawn, facet, count, underrun, self.line_turn(2 * TURN / speed)

    def line_turn(self, most):
        """The time of the turn in which the line was drawn; None if it does not end in time."""
        give_up = self.clock.now() + most
        while not (turn := self.bus.read(LINE_TURN)):
            if self.clock.now() >= give_up:
                return None
            self.wait(POLL_INTERVAL)
        return turn / 1e9

    def until(self, bit, most, fault):
        """Waits for a bit while the laser stays enabled; the hardware may disable it at any time."""
        give_up = self.clock.now() + most
        while not self.bus.read(STATUS) & bit:
            status = self.bus.read(STATUS)
            if not self.bus.read(CONTROL) & LASER:
                raise Fault("not_armed" if status & INTERLOCK and status & LOCKED else
                            "not_locked" if status & INTERLOCK else "interlock_open")
            if self.clock.now() >= give_up:
                raise fault()
            self.wait(POLL_INTERVAL)

    def measure(self):
        if self.gauge is None:
            raise Fault("no_gauge")
        return self.gauge.measure()

    # The station around the head: digital lines by name, and a channel.

    def signal(self, name):
        active = named("signals", name)["active"]
        word, bit = WIRED[name]
        return bool(self.bus.read(word) & bit) == (active == "high")

    def switch(self, name, on):
        active = self.output("signals", name, "switching this output")["active"]
        word, bit = WIRED[name]
        others = self.bus.read(word) & ~bit
        self.bus.write(word, others | (bit if on == (active == "high") else 0))

    def channel(self, name):
        named("channels", name)
        return self.bus.read(BLOWER) / 65535

    def set_channel(self, name, value):
        line = self.output("channels", name, "setting this channel")
        in_range(f"channel `{name}`", value, line["least"], line["most"], "(SI)")
        self.bus.write(BLOWER, round(value * 65535))

    def output(self, kind, name, what):
        line = named(kind, name)
        if line["direction"] == "input":
            raise Fault("refused", f"the {kind[:-1]} `{name}` is an input: it can only be read")
        if not line.get("under_light"):
            self.not_armed(what)
        return line

    # Time, and making safe.

    def sleep(self, seconds):
        self.wait(seconds)

    def wait(self, seconds):
        """Lets time pass, restarts the watchdog, and checks whether to abort."""
        end = self.clock.now() + seconds
        while (left := end - self.clock.now()) > 0:
            self.clock.wait(min(left, WATCHDOG_INTERVAL / 2))
            self.kick()
            self.go_on()

    def kick(self):
        self.bus.write(WATCHDOG, 1)

    def make_safe(self, keep_spinning):
        """Laser off, mirror parked, polygon down (or kept), even if a step fails. Returns measured values."""
        troubles = []

        def step(what, call):
            try:
                call()
            except Exception as why:
                troubles.append(f"{what}: {' '.join(map(str, why.args))}")

        def down():
            self.asked = None
            self.control(set=BRAKE, clear=DRIVE)

        step("the laser could not be disarmed", self.disarm)
        step("the mirror could not be parked", lambda: self.steer(None))
        if not keep_spinning:
            step("the polygon could not be stopped", down)
        for line in DESCRIPTION["signals"]:
            if line.get("at_safe") in ("on", "off"):
                name, on = line["name"], line["at_safe"] == "on"
                step(f"the output `{name}` could not be switched", lambda: self.switch(name, on))
        for line in DESCRIPTION["channels"]:
            if "at_safe" in line:
                name, value = line["name"], line["at_safe"]
                step(f"the channel `{name}` could not be set back", lambda: self.set_channel(name, value))
        # This wait must not be aborted.
        step("the mirror was not waited for", lambda: self.clock.wait(DESCRIPTION["galvanometer_settling"]))
        try:
            status = self.status()
        except Exception as why:
            troubles.append(f"the state could not be read: {why}")
            return {"laser_off": False, "parked": False, "speed": None, "rest": False, "kept": False,
                    "troubles": troubles}
        return {"laser_off": not status["laser"], "parked": status["parked"], "speed": status["speed"],
                "rest": status["rest"], "kept": keep_spinning and status["target"] is not None,
                "troubles": troubles}

    def control(self, set=0, clear=0):
        self.bus.write(CONTROL, self.bus.read(CONTROL) & ~clear | set)
