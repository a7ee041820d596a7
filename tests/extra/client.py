"""A plain client of the wire, and a server that is asked by it, for tests of servers."""

import socket
import subprocess
import time

PATIENCE = 6.0


class Line:
    """A plain client."""

    def __init__(self, port):
        self.stream = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
        self.stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.reader = self.stream.makefile("rb")

    def say(self, said):
        self.stream.sendall(said if isinstance(said, bytes) else said.encode() + b"\n")

    def ask(self, said):
        self.say(said)
        return self.hear(said)

    def hear(self, said=""):
        """The next reply."""
        try:
            reply = self.reader.readline()
        except TimeoutError:
            raise AssertionError(f"{said!r}: no answer") from None
        assert reply.endswith(b"\n"), f"{said!r}: {reply!r}"
        return reply.decode().rstrip("\n")

    def hear_all(self):
        """What comes until the server closes the connection."""
        try:
            return self.reader.read().decode()
        except TimeoutError:
            raise AssertionError("the connection stays open") from None

    def errors(self):
        """Empties the error queue."""
        errors = []
        while not (error := self.ask("SYST:ERR?")).startswith("0,"):
            errors.append(error)
        return errors

    def told(self, said):
        answer = self.ask(f"{said};:FAUL?")
        assert answer == '"none"', f"{said}: {answer}"

    def is_safe(self):
        values = self.ask("HEAD:STAT?").split(",")
        return float(values[2]) == 9.91e37 and values[6] == "0"

    def until_safe(self):
        began = time.monotonic()
        while not self.is_safe():
            assert time.monotonic() - began < PATIENCE, "the head stays unsafe"
            time.sleep(0.005)
        return time.monotonic() - began

    def close(self):
        self.reader.close()
        self.stream.close()


class Server:
    """A server in a process of its own, which tells its port."""

    def __init__(self, command, stderr=None):
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=stderr, text=True)
        said = self.process.stdout.readline()
        assert "tcp://127.0.0.1:" in said, said
        self.port = int(said.rsplit(":", 1)[1])
        self.address = f"tcp://127.0.0.1:{self.port}"

    def line(self):
        return Line(self.port)
