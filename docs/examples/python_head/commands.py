"""What messages mean for docs/examples/python_head: the table of headers, what each does, and which messages stop
the head. Keep this file unchanged; adapt `controller.py` and `main.py`.
"""

import itertools
import json
import re
import struct

from message import WireError, Word, block, flag, number, text, units

CODES = {"interlock_open": -221, "not_locked": -221, "not_armed": -221, "armed": -221, "refused": -200,
         "out_of_range": -222, "no_pulse": -365, "underrun": -230, "lost_reading": -230, "no_gauge": -241,
         "broken": -240}

MAX_PULSES = 10_000  # whose times are told in one reply
LEFT_OUT = "left out: the head was stopped after this was said"

# Each message that stops the head has one of these in it.
STOP_WORDS = re.compile(rb"SAFE|DIS", re.IGNORECASE)


class Parameters:
    """The parameters of a unit, taken one by one."""

    def __init__(self, values):
        self.values, self.at = values, 0

    def next(self, kind, wanted):
        self.at += 1
        if self.at > len(self.values):
            raise WireError(-109, f"parameter {self.at} is missing")
        value = self.values[self.at - 1]
        if type(value) is not kind:
            raise WireError(-104, f"parameter {self.at} must be {wanted}")
        return value

    def number(self):
        return self.next(float, "a number")

    def whole(self):
        value = self.number()
        if value != int(value) or not 0 <= value < 1 << 32:
            raise WireError(-222, f"parameter {self.at}: {value:g} is not a whole number from 0")
        return int(value)

    def word(self, **known):
        """One of several words, given here in their long forms."""
        value = self.next(Word, " or ".join(known))
        for long, meaning in known.items():
            if value in (long, long[:4]):
                return meaning
        raise WireError(-224, f"`{value[:60]}`: write {' or '.join(known)}")

    def string(self):
        return self.next(str, "a string")

    def flag(self):
        value = self.number()
        if value not in (0, 1):
            raise WireError(-224, f"parameter {self.at} must be 0 or 1")
        return value == 1

    def keep(self):
        return self.word(STOP=False, KEEP=True) if self.values else False


def as_error(fault):
    return WireError(CODES.get(fault.kind, -200), ", ".join([fault.kind.replace("_", " "), *fault.words]))


def joined(*parts):
    return ",".join(parts)



def entries(said):
    """The row of the table for each unit, or None. Without a leading colon, a header is relative to the path of the
    unit before."""
    path = []
    for header, asks, _ in said:
        names = header.lstrip(":").split(":")
        if not header.startswith((":", "*")):
            names = path + names
        entry = HEADERS.get((":".join(names), asks))
        if entry and not header.startswith("*"):
            path = names[:-1]
        yield entry


def stop_calls(message):
    """The calls by which a message stops the head, with their parameters. None if it also asks for what only the
    controller may: then its units are executed one after another."""
    if not isinstance(message, bytes) or not STOP_WORDS.search(message):
        return []
    calls = []
    try:
        said = units(message)
    except WireError:
        return []
    for (_, _, arguments), entry in zip(said, entries(said)):
        needs_control, most, call = entry or (READ, 0, None)
        if needs_control or call is take:
            return []
        if call in (safe, disarm) and len(arguments) <= most:
            try:
                Parameters(arguments).keep()
                calls.append((call, tuple(arguments)))
            except WireError:
                pass
    return calls


# Functions of the headers: server, client and parameters; a query returns its reply.

def fault(server, client, given):
    outcome = client.outcome
    if outcome is None:
        return text("none")
    if isinstance(outcome, WireError):
        return joined(text("error"), str(outcome.code), text(outcome.words()))
    return joined(text(outcome.kind), *map(text, outcome.words))


def identity(server, client, given):
    fields = (str(server.head.describe()[key]).translate({44: " ", 59: " "}) for key in ("model", "serial"))
    return joined("invented", *fields, "1")


def next_error(server, client, given):
    if not client.errors:
        return '0,"No error"'
    error = client.errors.popleft()
    return joined(str(error.code), text(error.words()))


def take(server, client, given):
    if client.number < client.stopped:
        raise WireError(-221, LEFT_OUT)
    if client.gone:
        raise WireError(-203, "this client disconnected")
    if server.controls not in (None, client):
        raise WireError(-203, "another client controls the head: wait until it sends CONTrol:RELease")
    if server.controls is None and server.silent(client):
        raise WireError(-203, "the client was silent for too long after it sent this: send it again")
    server.controls = client


def release(server, client, given):
    keep = given.keep()
    if server.controls is client:
        server.controls = None
        if server.moving:
            server.make_safe(None, keep)


def owner(server, client, given):
    return {None: "NONE", client: "SELF"}.get(server.controls, "OTH")


def safe(server, client, given):
    keep = given.keep()
    if server.controls is not client:
        server.revoke(WireError(-221, "another client made the head safe"))
    state = server.make_safe(None, keep)
    return joined(flag(state["laser_off"]), flag(state["parked"]), number(state["speed"]), flag(state["rest"]),
                  flag(state["kept"]), *map(text, state["troubles"]))


def status(server, client, given):
    s = server.head.status()
    return joined(number(s["time"]), number(s["speed"]), number(s["target"]), flag(s["locked"]),
                  "-1" if s["facet"] is None else str(s["facet"]), flag(s["interlock"]), flag(s["laser"]),
                  flag(s["rest"]), number(s["angle"]), flag(s["parked"]), number(s["temperature"]),
                  *map(number, s["rails"]))


def of_status(key, shown):
    return lambda server, client, given: shown(server.head.status()[key])


def describe(server, client, given):
    return block(json.dumps(server.head.describe()).encode())


def trims(server, client, given):
    return joined(*(number(part) for trim in server.head.trims() for part in trim))


def sleep(server, client, given):
    seconds = given.number()
    if not 0 <= seconds <= 1e6:
        raise WireError(-222, f"{seconds:g} s is outside 0 to 1e6 s")
    server.head.sleep(seconds)


def turns(server, client, given):
    seen = server.head.turns(given.whole())
    # Times of a few thousand turns are enough; there is no end-of-scan detector.
    told = sum(len(pulses) for _, pulses in seen) <= MAX_PULSES
    parts = []
    for period, pulses in seen:
        times = pulses if told else []
        parts += [number(period), str(len(pulses)), str(len(times)), *map(number, times), "0"]
    return joined(*parts)


def load(server, client, given):
    values = [given.number() for _ in given.values]
    if len(values) % 2:
        raise WireError(-109, "each facet has an in-scan and a cross-scan trim")
    server.head.load_trims(list(zip(values[::2], values[1::2])))


def store(server, client, given):
    proof = None
    if given.values:
        try:
            proof = json.loads(given.next(bytes, "a block"))
        except ValueError:
            raise WireError(-161, "what proved the trims must be JSON") from None
    server.head.store_trims(proof)


def expose(server, client, given):
    facet, dots, dot_period, delay = given.whole(), given.whole(), given.number(), given.number()
    words = places = None
    if given.at < len(given.values) and isinstance(given.values[given.at], bytes):
        data = given.next(bytes, "a block")
        if len(data) % 4:
            raise WireError(-161, "dot words have 4 bytes each")
        words = [word for (word,) in struct.iter_unpack(">I", data)]
    else:
        asks_for_map = given.word(TESTMARKS=False, MARKS=False, MAP=True)  # MARKs before edition 1.2
        if asks_for_map:
            places = [given.number() for _ in range(given.whole())]
    time, facet, count, underrun, turn = server.head.expose(facet, dots, dot_period, delay, words, places)
    return joined(number(time), str(facet), str(count), flag(underrun), number(turn))


def marks(server, client, given):
    along_u, across_u, dose_u, marks = server.head.measure()
    return joined(*map(number, [*along_u, *across_u, dose_u, *(value for mark in marks for value in mark)]))


def does(call):
    """A command that moves the head: from here on the dead-man limit applies."""

    def moves(server, client, given):
        server.moving = True
        return call(server, client, given)

    return moves


arm = does(lambda s, c, g: s.head.arm(g.number()))


def disarm(server, client, given):
    server.head.disarm()


READ, CONTROL = False, True

# Header with its short form in capitals, whether it needs control, maximum number of parameters, function.
TABLE = [
    ("*IDN?", READ, 0, identity),
    ("*CLS", READ, 0, lambda s, c, g: c.errors.clear()),
    ("*OPC?", READ, 0, lambda s, c, g: "1"),
    ("*RST", CONTROL, 0, lambda s, c, g: s.make_safe(None)),
    ("SYSTem:ERRor?", READ, 0, next_error),
    ("SYSTem:ERRor:NEXT?", READ, 0, next_error),
    ("SYSTem:ERRor:COUNt?", READ, 0, lambda s, c, g: str(len(c.errors))),
    ("SYSTem:VERSion?", READ, 0, lambda s, c, g: "1999.0"),
    ("SYSTem:PROTocol?", READ, 0, lambda s, c, g: "1.2"),
    ("FAULt?", READ, 0, fault),
    ("CONTrol:TAKE", READ, 0, take),
    ("CONTrol:RELease", READ, 1, release),
    ("CONTrol:OWNer?", READ, 0, owner),
    ("CONTrol:LIMit?", READ, 0, lambda s, c, g: number(s.limit)),
    ("CLOCk:PACE?", READ, 0, lambda s, c, g: s.pace),
    ("CLOCk:TIME?", READ, 0, lambda s, c, g: number(s.head.clock.now())),
    ("CLOCk:SLEep", CONTROL, 1, sleep),
    ("HEAD:DESCription?", READ, 0, describe),
    ("HEAD:STATus?", READ, 0, status),
    ("HEAD:SEED?", READ, 0, lambda s, c, g: number(None)),
    ("INTerlock:CLOSed?", READ, 0, of_status("interlock", flag)),
    ("ROTor:SPEed", CONTROL, 1, does(lambda s, c, g: s.head.spin(g.number()))),
    ("ROTor:SPEed?", READ, 0, of_status("speed", number)),
    ("ROTor:TARGet?", READ, 0, of_status("target", number)),
    ("ROTor:LOCK?", READ, 0, of_status("locked", flag)),
    ("ROTor:REST?", READ, 0, of_status("rest", flag)),
    ("ROTor:HALT", CONTROL, 1, does(lambda s, c, g: s.head.halt(g.word(BRAKE=True, COAST=False)))),
    ("ROTor:PULSes?", CONTROL, 1, does(turns)),
    ("MIRRor:ANGLe", CONTROL, 1, does(lambda s, c, g: s.head.steer(g.number()))),
    ("MIRRor:ANGLe?", READ, 0, of_status("angle", number)),
    ("MIRRor:PARK", CONTROL, 0, does(lambda s, c, g: s.head.steer(None))),
    ("MIRRor:PARK?", READ, 0, of_status("parked", flag)),
    ("TRIM:LOAD", CONTROL, 4096, does(load)),
    ("TRIM:LOAD?", READ, 0, trims),
    ("TRIM:STORe", CONTROL, 1, does(store)),
    ("TRIM:PROof?", READ, 0, lambda s, c, g: block(json.dumps(s.head.stored_proof()).encode())),
    ("LASer:ARM", CONTROL, 1, arm),
    ("LASer:DISarm", READ, 0, disarm),
    ("LASer:ARM?", READ, 0, of_status("laser", flag)),
    ("LINE:EXPose?", CONTROL, 6 + 64, does(expose)),
    ("GAUGe:MARKs?", CONTROL, 0, does(marks)),
    ("SIGNal:STATe?", READ, 1, lambda s, c, g: flag(s.head.signal(g.string()))),
    ("SIGNal:SWITch", CONTROL, 2, does(lambda s, c, g: s.head.switch(g.string(), g.flag()))),
    ("CHANnel:VALue?", READ, 1, lambda s, c, g: number(s.head.channel(g.string()))),
    ("CHANnel:VALue", CONTROL, 2, does(lambda s, c, g: s.head.set_channel(g.string(), g.number()))),
    ("SAFE?", READ, 1, safe),
]


def headers():
    """All spellings of each header, in capitals."""
    found = {}
    for header, control, most, call in TABLE:
        nodes = header.rstrip("?").split(":")
        ways = [{node.upper(), "".join(c for c in node if not c.islower())} for node in nodes]
        for way in itertools.product(*ways):
            found[":".join(way), header.endswith("?")] = (control, most, call)
    return found


HEADERS = headers()
