"""A server for the protocol of docs/wire.md, in plain Python: one client controls, others observe.
Keep this file unchanged; adapt `controller.py` and `main.py`.

Lasers and rotors hurt people. No software is a safety function: the interlock chain of the hardware stands
on its own. IEC 60825-1, local codes and the laser safety officer decide.

There is one thread. A waiting call invokes `look` repeatedly. It reads from all clients, and raises `CallAborted` if
a client stops the head, if the controlling client disconnects or falls silent, or if the server must end.

A message that makes the head safe or disarms, and asks for nothing that only the controller may, is a stop: it
overtakes all that waits. `stop` does what it asks for as soon as the current call is aborted, and `execute` sends the
reply in its turn.
"""

import collections
import itertools
import json
import re
import selectors
import socket
import struct
import time

from controller import Fault
from message import Framer, WireError, Word, block, flag, number, text, units

MAX_CLIENTS = 8
MAX_ERRORS = 32
MAX_WAITING = 1 << 20  # bytes of a client's messages that wait; a server that draws pages lets one wait besides
OVERHEAD = 64  # bytes that each of them counts for besides its own
CHUNK = 16384  # bytes read at once; few, so that a flood of one client does not delay others for long
READ_TIME = 0.005  # s to read on while a client sends more
REPLY_TIMEOUT = 0.5  # s for a client to take its reply
BLOCK_TIMEOUT = 2.0  # s of silence inside a block
OBSERVER_TIMEOUT = 600.0  # s of silence of an observer
RETRY_INTERVAL = 1.0  # s between attempts to make a head safe
POLL_INTERVAL = 0.02

CODES = {"interlock_open": -221, "not_locked": -221, "not_armed": -221, "armed": -221, "refused": -200,
         "out_of_range": -222, "no_pulse": -365, "underrun": -230, "lost_reading": -230, "no_gauge": -241,
         "broken": -240}

LEFT_OUT = "left out: the head was stopped after this was said"

# Each message that stops the head has one of these in it.
STOP_WORDS = re.compile(rb"SAFE|DIS", re.IGNORECASE)

# A request line, a status line or a header line of HTTP (RFC 9112).
HTTP = re.compile(rb"HTTP/[\d.]+\s|.*\sHTTP/[\d.]+$|[A-Za-z0-9-]+:(\s|$)", re.DOTALL)


class CallAborted(WireError):
    """Aborts the current call."""


class Client:
    def __init__(self, stream):
        self.stream, self.framer = stream, Framer()
        self.waiting, self.out = collections.deque(), bytearray()
        self.size = 0  # bytes of all that waits
        self.errors, self.outcome = collections.deque(), None
        self.heard = self.took = time.monotonic()
        self.gone = self.spoke = False
        # Messages are numbered as they arrive: here the current one, and the last `SAFE?` of another client.
        self.number = self.stopped = 0

    def put(self, number, data, stops):
        self.waiting.append((number, data, stops))
        self.size += size(data)

    def next(self):
        number, data, stops = self.waiting.popleft()
        self.size -= size(data)
        return number, data, stops

    def drop(self, out=b""):
        """Ends the connection once the client has taken this; nothing that waits is executed."""
        self.gone, self.out, self.size = True, bytearray(out), 0
        self.waiting.clear()

    def tell(self, error):
        if len(self.errors) < MAX_ERRORS:
            self.errors.append(error)
        else:
            self.errors[-1] = WireError(-350)


class Server:
    def __init__(self, head, pace, limit, port):
        self.head, self.pace, self.limit = head, pace, limit
        self.clients, self.controls = [], None
        self.moving = self.ending = self.safely = False
        self.tried = 0.0
        # The numbers of the last message, of the last `SAFE?`, and of the last message that stopped the head.
        self.number = self.stopped = self.disarmed = 0
        self.stops = {}  # of each client that stops the head: a place for results, and the calls to make
        head.go_on = self.look
        self.listener = socket.create_server(("127.0.0.1", port))
        self.listener.setblocking(False)
        self.selector = selectors.DefaultSelector()
        self.selector.register(self.listener, selectors.EVENT_READ)

    def end(self):
        """Ends the server; the current call is aborted."""
        self.ending = True

    # Control and its end.

    def look(self):
        """Reads from all clients; raises if the current call must be aborted."""
        self.hear(0)
        if not self.safely and self.stops:
            raise CallAborted(-221, "aborted: the head was stopped")
        if not self.safely and (self.ending or self.lost()):
            raise CallAborted(-203, "the call was aborted")

    def lost(self):
        """Why the controlling client loses control, or None."""
        if self.controls is None:
            return None
        if self.controls.gone:
            return "the controlling client disconnected"
        if self.moving and self.silent(self.controls):
            return f"the controlling client was silent for {self.limit:g} s"
        return None

    def silent(self, client):
        """Whether the head must be made safe: early enough that it is safe when the limit is over."""
        return time.monotonic() - client.heard >= self.limit - min(self.limit / 5, 0.5)

    def attend(self, patience):
        """Between calls: reads from all clients, and does what must not wait for other messages."""
        self.hear(patience)
        self.head.kick()
        self.stop()
        self.watch()

    def stop(self):
        """Does what stops ask for; nothing aborts this. Their clients are told in their turn."""
        stops, self.stops = self.stops, {}
        self.safely = True
        for client, (results, calls) in stops.items():
            for call, values in calls:
                try:
                    results[call, values] = call(self, client, Parameters(values))
                except Exception as error:
                    results[call, values] = error
        self.safely = False

    def watch(self):
        """Ends lost control, and makes the head safe."""
        if why := self.lost():
            if not self.controls.gone and self.still():
                # A head at rest with its laser off has no limit.
                self.moving = False
                return
            self.revoke(WireError(-203, f"control was lost and the head made safe: {why}"))
            if self.moving:
                self.make_safe(why)
        elif self.moving and self.controls is None and time.monotonic() - self.tried > RETRY_INTERVAL:
            self.make_safe("tried again")

    def still(self):
        try:
            status = self.head.status()
        except Exception:
            return False
        return status["rest"] and status["target"] is None and not status["laser"]

    def revoke(self, error):
        if self.controls is not None:
            self.controls.tell(error)
            self.controls = None

    def make_safe(self, why, keep=False):
        """Makes the head safe; nothing aborts this."""
        before, self.safely, self.tried = self.safely, True, time.monotonic()
        try:
            state = self.head.make_safe(keep)
        finally:
            self.safely = before
        # A coasting polygon, or one kept without a controller, needs no client.
        self.moving = not state["laser_off"] or (keep and self.controls is not None)
        if why:
            laser = "laser off" if state["laser_off"] else "THE LASER MAY BE ON"
            mirror = "mirror parked" if state["parked"] else "mirror NOT PARKED"
            troubles = "".join(f"; {trouble}" for trouble in state["troubles"])
            print(f"{why}: made safe: {laser}, {mirror}{troubles}", flush=True)
        return state

    # Sockets. Nothing here waits for a client.

    def run(self):
        try:
            while not self.ending:
                self.attend(POLL_INTERVAL)
                for client in list(self.clients):
                    # A client that does not take its replies gets no further ones.
                    if client.waiting and not client.out and not self.ending:
                        self.execute(client, *client.next())
        finally:
            self.make_safe("the server ends")
            for client in list(self.clients):
                self.leave(client)
        print("ended", flush=True)

    def hear(self, patience):
        if any(client.waiting and not client.out for client in self.clients):
            patience = 0
        for key, events in self.selector.select(patience):
            client = key.data
            if client is None:
                self.admit()
            else:
                if events & selectors.EVENT_WRITE:
                    self.send(client)
                if events & selectors.EVENT_READ:
                    self.read(client)
        now = time.monotonic()
        for client in list(self.clients):
            silent = now - client.heard
            if client.framer.in_block() and silent > BLOCK_TIMEOUT:
                self.put(client, client.framer.pause())
            slow = client.out and now - client.took > REPLY_TIMEOUT
            idle = silent > OBSERVER_TIMEOUT and client is not self.controls
            if slow or idle or (client.gone and not client.waiting and not client.out):
                self.leave(client)

    def admit(self):
        try:
            stream, _ = self.listener.accept()
            stream.setblocking(False)
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if len(self.clients) >= MAX_CLIENTS:
                stream.send(f'-310,"System error;{MAX_CLIENTS} clients are connected"\n'.encode())
                stream.close()
                return
        except OSError:
            return
        client = Client(stream)
        self.clients.append(client)
        self.listen(client)

    def listen(self, client):
        """Registers the events needed now. A client is read until it is gone, whatever waits."""
        events = 0 if client.gone else selectors.EVENT_READ
        events |= selectors.EVENT_WRITE if client.out else 0
        known = client.stream in self.selector.get_map()
        if events and known:
            self.selector.modify(client.stream, events, client)
        elif events:
            self.selector.register(client.stream, events, client)
        elif known:
            self.selector.unregister(client.stream)

    def read(self, client):
        """Reads what a client sent; of a flood, as much as can be read in a moment."""
        until, reads, alive = time.monotonic() + READ_TIME, 0, False
        try:
            while not client.gone and (reads < 2 or time.monotonic() < until):
                alive |= self.receive(client, client.stream.recv(CHUNK))
                reads += 1
        except BlockingIOError:
            # There is no more. Otherwise, what was read may be old, and counts for nothing.
            if alive:
                client.heard = time.monotonic()
        except OSError:
            client.gone = True
        self.listen(client)

    def receive(self, client, data):
        """Takes in what a client sent. Returns whether it is a sign of life, as a line is and the bytes of a block
        are, but not part of a line."""
        in_block = client.framer.in_block()
        messages = list(client.framer.feed(data))
        alive = bool(messages) or in_block or client.framer.in_block()
        # A blank line is only a heartbeat.
        messages = [message for message in messages if message != b""]
        if not data:
            client.gone = True
        elif self.is_foreign(client, data, messages):
            client.drop()
            print("closed a connection that speaks another protocol, as a web page does", flush=True)
        for message in [] if client.gone else messages:
            self.put(client, message)
        return alive

    def put(self, client, data):
        """Lets a message wait for its turn. Stops of a client that arrive together are carried out together."""
        self.number += 1
        calls, stops = stop_calls(data), {}
        if calls:
            stops, waiting = self.stops.setdefault(client, ({}, {}))
            waiting.update(dict.fromkeys(calls))
            self.disarmed = self.number
        if any(call is safe for call, _ in calls):
            self.stopped = self.number
            for other in self.clients:
                if other is not client:
                    other.stopped = self.number
        if client.gone:
            return
        if client.size + size(data) > MAX_WAITING:
            self.dismiss(client)
        else:
            client.put(self.number, data, stops)

    def dismiss(self, client):
        """Disconnects a client that sends too much, and tells it why."""
        error = WireError(-363, "more messages wait for the head than may")
        client.drop(client.out + f"{error.code},{text(error.words())}\n".encode())
        client.took = time.monotonic()
        self.send(client)
        print(f"disconnected a client: {error.words()}", flush=True)

    def is_foreign(self, client, data, messages):
        """Whether this is another protocol. A web page can make its browser send any data to any port, but
        only after the first words of HTTP or TLS. So the first message must be one of the table, and HTTP
        closes a connection later too."""
        if not client.spoke:
            first = bytes(client.framer.bytes) if not messages else messages[0]
            if not isinstance(first, bytes) or HTTP.match(first.strip()) or not re.match(rb"[ \t\r\n]*($|[A-Za-z*:])", first):
                return True
            if not messages:
                return False
            try:
                header, asks, _ = units(first)[0]
            except WireError:
                return True
            if (header.lstrip(":").upper(), asks) not in HEADERS:
                return True
            client.spoke = True
        return any(isinstance(m, bytes) and HTTP.match(m.strip()) for m in messages)

    def send(self, client):
        try:
            sent = client.stream.send(client.out)
            del client.out[:sent]
        except BlockingIOError:
            pass
        except OSError:
            client.drop()
        self.listen(client)

    def leave(self, client):
        client.gone = True
        self.clients.remove(client)
        if client.stream in self.selector.get_map():
            self.selector.unregister(client.stream)
        client.stream.close()

    # Messages.

    def execute(self, client, number, data, stops):
        """Executes a message, and sends the reply. `stops` has the results of what was done already."""
        replies, failed, client.number = [], False, number
        try:
            if isinstance(data, WireError):
                raise data
            said = units(data)
        except WireError as error:
            client.outcome = error
            client.tell(error)
            said = []
        for (header, asks, arguments), entry in zip(said, entries(said)):
            try:
                if entry is None:
                    raise WireError(-113, f"{header[:60]}{'?' if asks else ''}")
                needs_control, most, call = entry
                if needs_control:
                    self.admitted(client, call, failed)
                if len(arguments) > most:
                    raise WireError(-108, f"no more than {most} here")
                done = call, tuple(arguments)
                answer = stops[done] if done in stops else call(self, client, Parameters(arguments))
                if isinstance(answer, Exception):
                    raise answer
                if call not in (fault, next_error):
                    client.outcome = None
            except (WireError, Fault) as error:
                failed, client.outcome = True, error
                client.tell(error if isinstance(error, WireError) else as_error(error))
            except Exception as error:
                # A hardware error or a bug in the controller: the head is broken, the server continues.
                failed, client.outcome = True, Fault("broken", f"{type(error).__name__}: {error}")
                client.tell(as_error(client.outcome))
            else:
                if asks:
                    replies.append(answer if isinstance(answer, bytes) else answer.encode())
            self.attend(0)
        if replies and client in self.clients:
            client.out += b";".join(replies) + b"\n"
            client.took = time.monotonic()
            self.send(client)

    def admitted(self, client, call, failed):
        if client.number < (self.disarmed if call is arm else self.stopped):
            raise WireError(-221, LEFT_OUT)
        if failed:
            raise WireError(-221, "skipped after an error in the same message")
        if client.gone or self.ending:
            raise WireError(-203, "this client disconnected, or the server ends")
        if self.controls is not client:
            other = "another client controls the head" if self.controls else "send CONTrol:TAKE first"
            raise WireError(-203, other)


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


def size(data):
    """The bytes that a waiting message counts for."""
    return OVERHEAD + (len(data) if isinstance(data, bytes) else 0)


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
        if needs_control:
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
    return joined(*(part for period, pulses in seen for part in (number(period), str(pulses))))


def load(server, client, given):
    values = [given.number() for _ in given.values]
    if len(values) % 2:
        raise WireError(-109, "each facet has an in-scan and a cross-scan trim")
    server.head.load_trims(list(zip(values[::2], values[1::2])))


def expose(server, client, given):
    facet, dots, dot_period, delay = given.whole(), given.whole(), given.number(), given.number()
    words = None
    if given.at < len(given.values) and isinstance(given.values[given.at], bytes):
        data = given.next(bytes, "a block")
        if len(data) % 4:
            raise WireError(-161, "dot words have 4 bytes each")
        words = [word for (word,) in struct.iter_unpack(">I", data)]
    else:
        given.word(TESTMARKS=None, MARKS=None)  # MARKs before edition 1.2
    time, facet, count, underrun = server.head.expose(facet, dots, dot_period, delay, words)
    return joined(number(time), str(facet), str(count), flag(underrun))


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
    ("ROTor:TURNs?", CONTROL, 1, does(turns)),
    ("MIRRor:ANGLe", CONTROL, 1, does(lambda s, c, g: s.head.steer(g.number()))),
    ("MIRRor:ANGLe?", READ, 0, of_status("angle", number)),
    ("MIRRor:PARK", CONTROL, 0, does(lambda s, c, g: s.head.steer(None))),
    ("MIRRor:PARK?", READ, 0, of_status("parked", flag)),
    ("TRIM:LOAD", CONTROL, 4096, does(load)),
    ("TRIM:LOAD?", READ, 0, trims),
    ("TRIM:STORe", CONTROL, 0, does(lambda s, c, g: s.head.store_trims())),
    ("LASer:ARM", CONTROL, 1, arm),
    ("LASer:DISarm", READ, 0, disarm),
    ("LASer:ARM?", READ, 0, of_status("laser", flag)),
    ("LINE:EXPose?", CONTROL, 5, does(expose)),
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
