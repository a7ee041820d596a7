"""Wiring faults in the head of docs/examples/python_head, with a person at it: `python3 wiring.py FAULT` serves one;
`tests/extra/diagnose.py` runs scripts/first_power_on.spt on each.

The person opens a cover and closes it again, turns the polygon once turns are looked for, and works the inputs of
the station. What eyes and the meter tell are answers to the questions of the script.
"""

import pathlib
import sys

ROOT = pathlib.Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "docs/examples/python_head"))
sys.dont_write_bytecode = True

import controller as c
import main
import twin

BY_HAND = 12.0  # rad/s, about two turns a second
FAN = 2  # bit of a second input, beside the door
METER = {"logic": "5.02 V", "drive": "23.9 V", "laser": "12.0 V"}

c.DESCRIPTION["signals"].append({"name": "fan_runs", "direction": "input", "active": "high", "pull": "down"})
c.WIRED["fan_runs"] = (c.INPUTS, FAN)


class Wired(twin.Twin):
    """A head that is wired right, and a person at it."""

    def __init__(self, *arguments, **named):
        self.turning_from = self.looked_at = None
        super().__init__(*arguments, **named)

    def closed(self):
        """Whether the covers are closed."""
        return not 0.5 < self.time < 3.0

    def read(self, word):
        if word == c.INPUTS:
            self.advance()
            if self.looked_at is None:
                self.looked_at = self.time
            since = self.time - self.looked_at
            return self.levels(door_shut=since < 1.0, fan_runs=since > 3.0)
        return super().read(word)

    def levels(self, door_shut, fan_runs):
        return (1 if door_shut else 0) | (FAN if fan_runs else 0)

    def write(self, word, value):
        if word == c.TURNS and self.turning_from is None:
            self.turning_from = self.time
        super().write(word, value)

    def step(self, dt):
        self.interlock_closed = self.closed()
        if self.turning_from is not None and self.time - self.turning_from < 6.0:
            self.speed = BY_HAND
        super().step(dt)


def reads(word, change):
    """A word that reads something else."""

    class Faulty(Wired):
        def read(self, at):
            value = super().read(at)
            return change(value) if at == word else value

    return Faulty


def turned(change):
    """Turns that are seen otherwise: `change` makes a list of turns from the time and pulses of each."""

    class Faulty(Wired):
        def index(self, at, target):
            before = len(self.turns)
            super().index(at, target)
            if len(self.turns) > before:
                self.turns.extend(change(*self.turns.pop()))

    return Faulty


class NoIndex(Wired):
    def index(self, at, target):
        pass


class ExchangedSenses(Wired):
    def read(self, word):
        return super().read({c.RAIL + 4: c.RAIL + 8, c.RAIL + 8: c.RAIL + 4}.get(word, word))


class Bridged(Wired):
    def closed(self):
        return True


class NeverClosed(Wired):
    def closed(self):
        return False


class Inverted(Wired):
    def closed(self):
        return not super().closed()


class ExchangedInputs(Wired):
    def levels(self, door_shut, fan_runs):
        return super().levels(not fan_runs, not door_shut)


class InvertedInput(Wired):
    def levels(self, door_shut, fan_runs):
        return super().levels(not door_shut, fan_runs)


class StuckInput(Wired):
    def levels(self, door_shut, fan_runs):
        return super().levels(True, False)


def exchanged(turn, pulses):
    """Wires of index and start of scan exchanged: each facet makes a turn, the index a pulse in one of them."""
    ends = [*pulses[1:], turn + pulses[0]]
    return [(end - at, [0.0] if k == 0 else []) for k, (at, end) in enumerate(zip(pulses, ends))]


# What is wrong: the cause, the head, and what eyes, hands and meter answer otherwise.
FAULTS = {
    "none": ("", Wired, {}),
    "the meter finds a rail low": ("rail_low", reads(c.RAIL + 4, lambda _: 17_000), {"drive": "17 V"}),
    "sense wire of a rail open": ("rail_sense", reads(c.RAIL + 4, lambda _: 0), {}),
    "two supplies exchanged": ("rails_swapped", ExchangedSenses, {"drive": "12 V", "laser": "23.9 V"}),
    "sense wires of two rails exchanged": ("rail_senses_swapped", ExchangedSenses, {}),
    "a supply reversed": ("rail_reversed", reads(c.RAIL + 8, lambda _: 0), {"laser": "-12 V"}),
    "interlock bridged": ("interlock_stuck_closed", Bridged, {}),
    "interlock never closed": ("interlock_stuck_open", NeverClosed, {}),
    "interlock input inverted": ("interlock_inverted", Inverted, {}),
    "lock signal stuck": ("lock_stuck", reads(c.STATUS, lambda read: read | c.LOCKED), {}),
    "rest signal stuck": ("rest_stuck", reads(c.STATUS, lambda read: read | c.AT_REST), {}),
    "rest signal missing": ("rest_stuck", reads(c.STATUS, lambda read: read & ~c.AT_REST), {}),
    "temperature sensor open": ("temperature_sensor", reads(c.TEMPERATURE, lambda _: 0), {}),
    "galvanometer not connected": ("galvanometer_stuck", reads(c.MIRROR_AT, lambda _: 0), {}),
    "galvanometer readback inverted": ("galvanometer_readback_inverted", reads(c.MIRROR_AT, lambda read: -read & 0xFFFFFFFF), {}),
    "galvanometer readback 20 % small": ("galvanometer_readback_off", reads(c.MIRROR_AT, lambda read: round(c.signed(read) * 0.8) & 0xFFFFFFFF), {}),
    "galvanometer readback 5 mrad off": ("galvanometer_readback_off", reads(c.MIRROR_AT, lambda read: (read + 500_000) & 0xFFFFFFFF), {}),
    "mirror turns the other way": ("galvanometer_reversed", Wired, {"mirror": "no"}),
    "no index": ("index_missing", NoIndex, {}),
    "no start of scan": ("start_missing", turned(lambda turn, _: [(turn, [])]), {}),
    "index and start of scan exchanged": ("index_start_swapped", turned(exchanged), {}),
    "one pulse too few": ("facets_miscounted", turned(lambda turn, pulses: [(turn, pulses[1:])]), {}),
    "two inputs exchanged": ("inputs_swapped", ExchangedInputs, {}),
    "an input inverted": ("input_inverted", InvertedInput, {}),
    "an input stuck": ("signal_stuck", StuckInput, {}),
    "an output inverted": ("output_inverted", Wired, {"lamp off": "yes", "lamp on": "no"}),
    "an output stuck": ("output_stuck", Wired, {"lamp off": "yes"}),
    "an output dead": ("output_dead", Wired, {"lamp on": "no"}),
}

SHEET = """
[[inputs]]
name = "door_open"
rest = "shut the door"
active = "open the door"
[[inputs]]
name = "fan_runs"
rest = "stop the fan"
active = "start the fan"
[[outputs]]
name = "lamp"
happens = "the lamp is lit"
"""


def answers(other):
    """The answers of a person at this head."""
    told = METER | {"mirror": "yes", "lamp off": "no", "lamp on": "yes"} | other
    rails = {f"Rail {rail} by the meter, at the head's connector": told[rail] for rail in METER}
    rest = {
        "Are laser and rotor switched off at their own switches?": "yes",
        "Close all covers of the interlock chain. Are they closed?": "yes",
        "Open a cover of the interlock chain. Is it open?": "yes",
        "Close the covers again. Are all of them closed?": "yes",
        "The mirror is steered to the plus side of the drawing. Has it turned that way?": told["mirror"],
        "Only if the maker allows it, with the power of the rotor off and gloves on: turn the polygon by hand, "
        "about two turns a second. Is it turning?": "yes",
        "door_open: shut the door. Done?": "yes", "door_open: open the door. Done?": "yes",
        "fan_runs: stop the fan. Done?": "yes", "fan_runs: start the fan. Done?": "yes",
        "lamp is off. Is this so now: the lamp is lit?": told["lamp off"],
        "lamp is on. Is this so now: the lamp is lit?": told["lamp on"],
    }
    return "".join(f'"{question}" = "{answer}"\n' for question, answer in (rails | rest).items())


if __name__ == "__main__":
    twin.Twin = FAULTS[sys.argv[1]][1]
    del sys.argv[1]
    main.main()
