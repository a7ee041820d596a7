"""Serves the head of docs/examples/python_head, bent on purpose, with all that is written to its registers in
a file: heads_bent.py BEND FILE [OPTION...]. The bend `none` leaves it as it is, `without:spin,halt` has
some methods not written yet."""

import pathlib
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parents[2] / "docs/examples/python_head"))

import controller
import main
import server
import twin


def deaf():
    """Silence ends nothing."""
    whole = server.Server.lost
    server.Server.lost = lambda self: whole(self) if self.controls and self.controls.gone else None


def blind():
    """A client that hangs up is not missed."""
    whole = server.Server.lost

    def lost(self):
        why = whole(self)
        return why if why and "silent" in why else None

    server.Server.lost = lost


def uncut():
    """A call that waits looks at nothing."""
    server.Server.look = lambda self: None


def generous():
    """Whoever asks for control gets it."""

    def take(own, client, given):
        own.controls = client

    server.HEADERS["CONT:TAKE", False] = (False, 0, take)


def eager():
    """Arms without lock."""
    whole = controller.Controller.arm

    def arm(self, power):
        read = self.bus.read
        self.bus.read = lambda word: read(word) | (controller.LOCKED if word == controller.STATUS else 0)
        try:
            whole(self, power)
        finally:
            self.bus.read = read

    controller.Controller.arm = arm


def lying():
    """Says that the laser is off."""
    whole = controller.Controller.make_safe

    def make_safe(self, keep):
        disarm, self.disarm = self.disarm, lambda: None
        state = whole(self, True)
        self.disarm = disarm
        return {**state, "laser_off": True, "kept": False}

    controller.Controller.make_safe = make_safe


def clinging():
    """Leaves outputs as they are when it makes itself safe."""
    whole = controller.Controller.make_safe

    def make_safe(self, keep):
        self.switch = lambda *_: None
        state = whole(self, keep)
        del self.switch
        return state

    controller.Controller.make_safe = make_safe


def careless():
    """Ends without making anything safe."""
    whole = server.Server.make_safe
    server.Server.make_safe = lambda self, why, keep=False: (
        None if self.ending else whole(self, why, keep)
    )


def asleep():
    """Leaves the watchdog of the hardware alone."""
    controller.Controller.kick = lambda self: None


def hospitable():
    """Takes what a web page sends for messages with mistakes."""
    server.Server.is_foreign = lambda self, client, data, messages: False


def credulous():
    """What waited unread counts as said when it is read."""
    server.Client.behind = property(lambda self: False, lambda self, value: None)


def unbounded():
    """Takes lines of any length."""
    server.Framer.next.__globals__["LINE_MOST"] = 1 << 40


def without(methods):
    """Some methods are not written yet, as in the steps of docs/heads.md."""
    for name in methods.split(","):
        assert hasattr(controller.Controller, name), name

        def unwritten(self, *_):
            raise controller.Fault("refused", "not written yet")

        setattr(controller.Controller, name, unwritten)


BENDS = {bend.__name__: bend for bend in (
    deaf, blind, uncut, generous, eager, lying, clinging, careless, asleep, hospitable, credulous, unbounded)}

if __name__ == "__main__":
    bend, log = sys.argv[1:3]
    del sys.argv[1:3]
    written = open(log, "w", buffering=1)
    whole = twin.Twin.write

    def write(self, word, value):
        if word != controller.WATCHDOG:
            print(word, value & 0xFFFFFFFF, file=written)
        whole(self, word, value)

    twin.Twin.write = write
    if bend.startswith("without:"):
        without(bend.removeprefix("without:"))
    elif bend != "none":
        BENDS[bend]()
    main.main()
