"""Connects hardware, controller and server, and serves until terminated.

  python3 docs/examples/python_head/main.py --port 5025
  spintrue head test tcp://127.0.0.1:5025 --trims --spin --allow-light

Lasers and rotors hurt people. No software is a safety function: the interlock chain of the hardware stands
on its own. IEC 60825-1, local codes and the laser safety officer decide.
"""

import argparse
import signal

import controller
import server
import twin


def opened(options):
    """The head, and its pace for CLOC:PACE?. Insert your hardware here:

        clock = controller.Real()
        return controller.Controller(controller.Mapped("/dev/uio0"), clock, YourGauge()), "REAL"
    """
    clock = controller.Real() if options.real else twin.Virtual()
    bus = twin.Twin(clock, interlock_closed=not options.interlock_open)
    gauge = None if options.no_gauge else twin.Gauge(bus)
    return controller.Controller(bus, clock, gauge), "REAL" if options.real else "VIRT"


def main():
    parser = argparse.ArgumentParser(description="Serves the invented controller by the protocol of docs/wire.md.")
    parser.add_argument("--port", type=int, default=5025, help="port on this machine; 0 takes a free one")
    parser.add_argument("--real", action="store_true", help="time passes in real time")
    parser.add_argument("--dead-man", type=float, default=3.0, metavar="S", help="dead-man limit in s [0.2 to 60]")
    parser.add_argument("--no-gauge", action="store_true", help="serve without a gauge")
    parser.add_argument("--interlock-open", action="store_true", help="simulate an open interlock chain")
    options = parser.parse_args()
    if not 0.2 <= options.dead_man <= 60:
        parser.error("the dead-man limit must be 0.2 s to 60 s")
    head, pace = opened(options)
    serving = server.Server(head, pace, options.dead_man, options.port)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: serving.end())
    host, port = serving.listener.getsockname()
    print(f"serving {head.describe()['model']} on tcp://{host}:{port}", flush=True)
    serving.run()


if __name__ == "__main__":
    main()
