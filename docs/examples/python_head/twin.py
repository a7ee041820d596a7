"""Simulated hardware behind `controller.py`, in memory: delete it once there is real hardware.

Its motion is simple: the speed approaches the set point at a constant rate, the mirror follows its DAC with
one time constant. Everything is invented. Like real hardware should, it disables the laser by itself if lock
or interlock is lost, and it disables the laser and brakes if WATCHDOG is not written for a second.
"""

import collections
import math
import random

import controller as c

GAIN = 80.0  # rad/s per second, up and braked
RUN_OUT = 16.0  # rad/s per second, without power
MIRROR_TIME = 0.0004
ARMING = 0.3
REST_AFTER = 0.5
WATCHDOG_AFTER = 1.0
READING_TIME = 0.02


class Virtual:
    """Time that passes only through waiting."""

    def __init__(self):
        self.time = 0.0

    def now(self):
        return self.time

    def wait(self, seconds):
        self.time += max(seconds, 0.0)


class Twin:
    """Registers with a polygon, a mirror and a laser behind them."""

    def __init__(self, clock, interlock_closed=True, seed=1):
        self.clock = clock
        self.interlock_closed = interlock_closed
        draw = random.Random(seed)
        facets = c.DESCRIPTION["facets"]
        # Line errors of each facet, in m, which trims correct.
        self.errors = [(draw.gauss(0, 10e-6), draw.gauss(0, 20e-6)) for _ in range(facets)]
        # What each facet pulse comes late by, in rad: errors of the division.
        self.late = [draw.gauss(0, 30e-6) for _ in range(facets)]
        self.words = collections.Counter()
        self.stored = {}
        self.time = clock.now()
        self.speed = self.angle = self.mirror = 0.0
        self.turn_began = None  # time of the last index pulse
        self.pulses = []  # times of the pulses since then
        self.turns = collections.deque(maxlen=1024)  # time and pulses of each
        self.pulse_times = collections.deque()  # of the turn that was read last
        self.in_window = 0  # turns in a row
        self.still_since = self.time - REST_AFTER
        self.kicked = self.ready_at = self.time
        self.line = None  # the line to draw: marks or words
        self.drawn = False
        self.line_turn = 0.0  # time of the turn of the line, once it has ended; None until then
        # facet, divisor, delay, dots, in-scan and cross-scan trim, speed, mirror, places of marks
        self.last_line = None

    # The bus.

    def read(self, word):
        self.advance()
        if word == c.STATUS:
            return self.status()
        if word == c.TURNS:
            return len(self.turns)
        if word == c.TURN_TIME:
            return round(self.turns[0][0] * 1e9) if self.turns else 0
        if word == c.TURN_PULSES:
            self.pulse_times = collections.deque(self.turns.popleft()[1] if self.turns else ())
            return len(self.pulse_times)
        if word == c.PULSE_TIME:
            return round(self.pulse_times.popleft() * 1e9) & 0xFFFFFFFF if self.pulse_times else 0
        if word == c.LINE_TURN:
            return round((self.line_turn or 0.0) * 1e9)
        if word == c.FACET:
            facets = c.DESCRIPTION["facets"]
            return math.ceil(self.angle / c.TURN * facets) % facets
        values = {
            c.MEASURED: round(self.speed * 1000),
            c.MIRROR_AT: round(self.mirror / c.MIRROR_STEP) & 0xFFFFFFFF,
            c.INPUTS: 1,  # the door is closed
            c.TEMPERATURE: 297_000,
            c.RAIL: 5_010,
            c.RAIL + 4: 23_900,
            c.RAIL + 8: 12_020,
        }
        return values.get(word, self.words[word])

    def write(self, word, value):
        self.advance()
        value &= 0xFFFFFFFF
        if word == c.WATCHDOG:
            self.kicked = self.time
        elif word == c.TURNS:
            self.turns.clear()
            self.turn_began = None
        elif word == c.STORE:
            self.stored = {k: v for k, v in self.words.items() if c.TRIM <= k < c.WORDS or k >= c.NOTE}
        elif word == c.LINE_START:
            self.line, self.drawn = value or None, False
        elif word == c.CONTROL:
            rises = value & c.LASER and not self.words[c.CONTROL] & c.LASER
            if rises:
                self.ready_at = self.time + ARMING
            # The first motion restarts the watchdog as well.
            if value & (c.DRIVE | c.LASER) and not self.words[c.CONTROL] & (c.DRIVE | c.LASER):
                self.kicked = self.time
            self.words[word] = value
            if not value & c.DRIVE:
                self.in_window = 0
            self.guard()
        elif word == c.SPEED and value != self.words[word]:
            self.words[word], self.in_window = value, 0
        else:
            self.words[word] = value

    # The physics.

    def locked(self):
        running = self.words[c.CONTROL] & c.DRIVE
        return bool(running) and self.in_window >= c.DESCRIPTION["lock_turns"]

    def status(self):
        armed = self.words[c.CONTROL] & c.LASER
        bits = [
            (c.LOCKED, self.locked()),
            (c.INTERLOCK, self.interlock_closed),
            (c.READY, armed and self.time >= self.ready_at),
            (c.INDEX, self.turn_began is not None),
            (c.AT_REST, self.speed == 0 and self.time - self.still_since >= REST_AFTER),
            (c.DRAWN, self.drawn),
        ]
        return sum(bit for bit, so in bits if so)

    def guard(self):
        """What the hardware does by itself: laser guard and watchdog."""
        if not (self.locked() and self.interlock_closed):
            self.words[c.CONTROL] &= ~c.LASER
        if self.time - self.kicked > WATCHDOG_AFTER:
            self.words[c.CONTROL] &= ~(c.LASER | c.DRIVE)
            self.words[c.CONTROL] |= c.BRAKE

    def advance(self):
        now = self.clock.now()
        while self.time < now:
            self.step(min(now - self.time, 0.0005 if self.line else 0.01))
        self.guard()

    def step(self, dt):
        control = self.words[c.CONTROL]
        target = self.words[c.SPEED] / 1000 if control & c.DRIVE else 0.0
        rate = GAIN if control & (c.DRIVE | c.BRAKE) else RUN_OUT
        before = self.speed
        self.speed += max(-rate * dt, min(rate * dt, target - self.speed))
        mean = (before + self.speed) / 2
        began, self.time = self.time, self.time + dt
        sent = c.signed(self.words[c.MIRROR]) * c.MIRROR_STEP
        self.mirror += (sent - self.mirror) * -math.expm1(-dt / MIRROR_TIME)
        if self.speed > 0:
            self.still_since = self.time
        elif self.time - self.still_since > REST_AFTER:
            self.turn_began = None
        passed = self.angle + mean * dt
        facets = c.DESCRIPTION["facets"]
        pitch = c.TURN / facets
        for passage in range(math.floor(self.angle / pitch) + 1, math.floor(passed / pitch) + 1):
            at = began + (passage * pitch - self.angle) / mean
            if passage % facets == 0:
                self.index(at, target)
            self.pulses.append(at + self.late[passage % facets] / mean)
            if self.line and passage % facets == self.words[c.LINE_FACET]:
                self.draw(passage % facets)
        self.angle = passed
        if self.angle > 1000 * c.TURN:
            self.angle -= 1000 * c.TURN
        self.guard()

    def index(self, at, target):
        inside = target > 0 and abs(self.speed / target - 1) <= c.DESCRIPTION["lock_window"]
        self.in_window = self.in_window + 1 if inside else 0
        if self.turn_began is not None:
            turn = at - self.turn_began
            self.turns.append((turn, [time - self.turn_began for time in self.pulses]))
            if self.line_turn is None:
                self.line_turn = turn
        self.turn_began, self.pulses = at, []

    def draw(self, facet):
        if not self.words[c.CONTROL] & c.LASER or self.time < self.ready_at:
            return
        trim = [c.signed(self.words[c.TRIM + 8 * facet + 4 * k]) for k in (0, 1)]
        places = (-0.5, -0.25, 0.0, 0.25, 0.5)
        if self.line == 3:
            asked = range(c.WORDS + 4, c.WORDS + 4 + 4 * self.words[c.WORDS], 4)
            places = [self.words[word] / self.words[c.LINE_DOTS] - 0.5 for word in asked]
        self.last_line = (facet, self.words[c.LINE_CLOCK], self.words[c.LINE_DELAY], self.words[c.LINE_DOTS],
                          trim[0] * c.DESCRIPTION["in_scan_trim"]["step"],
                          trim[1] * c.DESCRIPTION["cross_scan_trim"]["step"], self.speed, self.mirror, places)
        self.line, self.drawn, self.line_turn = None, True, None


class Gauge:
    """The instrument that measures the last line; on a real station a separate device."""

    def __init__(self, twin, seed=2):
        self.twin, self.noise = twin, random.Random(seed)

    def measure(self):
        """Standard uncertainties along (noise, offset, in proportion to the place, of a place), the same
        across, that of the dose; then of each mark its place as a share of the line from its middle, its
        shifts along and across in m, and its dose. This gauge reads no dose."""
        if self.twin.last_line is None:
            raise c.Fault("refused", "there is no line to measure yet")
        self.twin.clock.wait(READING_TIME)
        facet, divisor, delay, dots, later, higher, speed, mirror, places = self.twin.last_line
        focal, master = c.DESCRIPTION["focal_length"], c.DESCRIPTION["clock"]["master"]
        # The middle of the line relative to the middle of the sweep: the spot runs at 2 w f, and the
        # mirror deflects by twice its angle.
        middle = (delay + dots * divisor / 2) / master + later
        x = 2 * speed * focal * (middle - c.TURN / speed / c.DESCRIPTION["facets"] / 2)
        y = 2 * focal * (higher + mirror)
        dx, dy = self.twin.errors[facet]
        # The lens bends the line by 10 um at its ends, as the cube of the place.
        marks = [(at, x + dx + 8e-5 * at**3 + self.noise.gauss(0, 0.4e-6), y + dy + self.noise.gauss(0, 0.4e-6), None)
                 for at in places]
        stated = (0.5e-6, 0.0, 2e-6, 0.0)
        return stated, stated, None, marks
