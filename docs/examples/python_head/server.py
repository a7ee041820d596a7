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
import re
import selectors
import socket
import time

from commands import (HEADERS, LEFT_OUT, Parameters, arm, as_error, entries, fault, next_error, safe,
                      stop_calls)
from controller import Fault
from message import Framer, WireError, number, text, units

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

# A request line, a status line or a header line of HTTP (RFC 9112).
HTTP = re.compile(rb"HTTP/[\d.]+\s|.*\sHTTP/[\d.]+$|[A-Za-z0-9-]+:(\s|$)", re.DOTALL)


class CallAborted(Fault):
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
            raise CallAborted("refused", "aborted: the head was stopped")
        if not self.safely and (self.ending or self.lost()):
            raise CallAborted("refused", "aborted: control was lost, or the server ends")

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


def size(data):
    """The bytes that a waiting message counts for."""
    return OVERHEAD + (len(data) if isinstance(data, bytes) else 0)
