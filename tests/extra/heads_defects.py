"""Serves the head of docs/examples/python_head with a planted defect, and logs all register writes to a file:
heads_defects.py DEFECT FILE [OPTION...]. `none` plants no defect; `without:spin,halt` leaves some methods
unwritten."""

import pathlib
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parents[2] / "docs/examples/python_head"))

import controller
import main
import server
import twin


def ignores_silence():
    """Ignores the silence of the controller."""
    whole = server.Server.lost
    server.Server.lost = lambda self: whole(self) if self.controls and self.controls.gone else None


def ignores_disconnect():
    """Ignores a controller that disconnects."""
    whole = server.Server.lost

    def lost(self):
        why = whole(self)
        return why if why and "silent" in why else None

    server.Server.lost = lost


def never_aborts_calls():
    """A waiting call is never aborted."""
    server.Server.look = lambda self: None


def gives_control_to_all():
    """Gives control to every client that asks."""

    def take(own, client, given):
        own.controls = client

    server.HEADERS["CONT:TAKE", False] = (False, 0, take)


def arms_without_lock():
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


def claims_laser_off():
    """Claims that the laser is off."""
    whole = controller.Controller.make_safe

    def make_safe(self, keep):
        disarm, self.disarm = self.disarm, lambda: None
        state = whole(self, True)
        self.disarm = disarm
        return {**state, "laser_off": True, "kept": False}

    controller.Controller.make_safe = make_safe


def keeps_outputs():
    """Leaves outputs unchanged when it makes itself safe."""
    whole = controller.Controller.make_safe

    def make_safe(self, keep):
        self.switch = lambda *_: None
        state = whole(self, keep)
        del self.switch
        return state

    controller.Controller.make_safe = make_safe


def keeps_an_old_proof():
    """Keeps what proved the former trims when others are stored without a proof."""
    whole = controller.Controller.store_trims
    controller.Controller.store_trims = lambda self, proof=None: whole(self, proof or self.stored_proof())


def counts_pulse_times_wrong():
    """Gives the times of pulses since the former turn began."""
    whole = controller.Controller.turns

    def turns(self, count):
        return [(time, [time + pulse for pulse in pulses]) for time, pulses in whole(self, count)]

    controller.Controller.turns = turns


def ends_unsafe():
    """Ends without making the head safe."""
    whole = server.Server.make_safe
    server.Server.make_safe = lambda self, why, keep=False: (
        None if self.ending else whole(self, why, keep)
    )


def no_watchdog():
    """Never writes the watchdog of the hardware."""
    controller.Controller.kick = lambda self: None


def accepts_http():
    """Treats the data of a web page as messages with errors."""
    server.Server.is_foreign = lambda self, client, data, messages: False


def counts_late_reads():
    """Reads little at a time, and counts it as sent then."""
    whole = server.Server.read

    def read(self, client):
        whole(self, client)
        client.heard = server.time.monotonic()

    server.Server.read = read
    server.READ_TIME = 0.0


def counts_execution():
    """Counts a message as sent when it is executed."""
    whole = server.Server.execute

    def execute(self, client, *message):
        client.heard = server.time.monotonic()
        whole(self, client, *message)

    server.Server.execute = execute


def unbounded_lines():
    """Accepts lines of any length."""
    server.Framer.next.__globals__["MAX_LINE"] = 1 << 40


def stops_wait():
    """Stops wait like all other messages."""
    server.stop_calls = lambda message: []


def stops_once_aborted():
    """Executes what was said before a stop."""
    whole = server.Server.admitted

    def admitted(self, client, call, failed):
        self.stopped = self.disarmed = 0
        whole(self, client, call, failed)

    server.Server.admitted = admitted


def stops_after_a_message():
    """A stop waits for the end of the current message."""
    whole = server.Server.attend
    server.Server.attend = lambda self, patience: whole(self, patience) if patience else self.hear(0)


def arms_after_disarming():
    """Arms though it was disarmed after that was said."""
    whole = server.Server.admitted

    def admitted(self, client, call, failed):
        self.disarmed = self.stopped
        whole(self, client, call, failed)

    server.Server.admitted = admitted


def gives_control_late():
    """Gives control for what was said before another client stopped the head."""
    server.Client.stopped = property(lambda self: 0, lambda self, value: None)


def unbounded_waiting():
    """Any number of messages may wait."""
    server.MAX_WAITING = 1 << 40


def reads_little():
    """Does not read a client while 64 of its messages wait."""
    whole = server.Server.listen

    def listen(self, client):
        whole(self, client)
        if len(client.waiting) >= 64 and client.stream in self.selector.get_map():
            self.selector.unregister(client.stream)

    server.Server.listen = listen


def without(methods):
    """Some methods are not written yet, as in the steps of docs/heads.md."""
    for name in methods.split(","):
        assert hasattr(controller.Controller, name), name

        def unwritten(self, *_):
            raise controller.Fault("refused", "not written yet")

        setattr(controller.Controller, name, unwritten)


DEFECTS = {defect.__name__: defect for defect in (
    ignores_silence, ignores_disconnect, never_aborts_calls, gives_control_to_all, arms_without_lock,
    claims_laser_off, keeps_outputs, keeps_an_old_proof, counts_pulse_times_wrong, ends_unsafe,
    no_watchdog, accepts_http, counts_late_reads, counts_execution, unbounded_lines, stops_wait,
    stops_once_aborted, stops_after_a_message, arms_after_disarming, gives_control_late,
    unbounded_waiting, reads_little)}

if __name__ == "__main__":
    defect, log = sys.argv[1:3]
    del sys.argv[1:3]
    written = open(log, "w", buffering=1)
    whole = twin.Twin.write

    def write(self, word, value):
        if word != controller.WATCHDOG:
            print(word, value & 0xFFFFFFFF, file=written)
        whole(self, word, value)

    twin.Twin.write = write
    if defect.startswith("without:"):
        without(defect.removeprefix("without:"))
    elif defect != "none":
        DEFECTS[defect]()
    main.main()
