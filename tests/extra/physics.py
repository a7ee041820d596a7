"""Compares the motion of random simulated heads with SciPy: `physics.py WORK SPINTRUE SEED COUNT`.

A script observes the rotor through its index pulses: `turns` gives their times with every digit, and at
the index of turn n the rotor is at 2 pi n. It observes the galvanometer through `status()`. Nothing
jitters here, so each pulse is a point of the motion.

Tolerances. Each step of the head has errors of 1e-8 rad and 1e-11 of the speed, with a cubic between
steps; over some thousand steps this adds up to about 6e-7 rad. ANGLE allows 5e-6 rad, 1 ppm of a turn. A
corner of the equations (the torque limit, the freezing of the integral) may be stepped over by chance with an
error estimate near zero: of 240 rotors one was off by 1.5e-5 rad. So one rotor in 40 may be off by CORNER. For
comparison, an integral passed on slightly wrong from one command to the next showed as 2e-3 rad.
The galvanometer is a closed form, and only the times of `wait` are rounded: 1e-9 of a step.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
from scipy import signal
from scipy.integrate import solve_ivp

# The head counts each turn in ns: over thousands of turns half a count each adds up to some 20 ns, at 500 rad/s.
ANGLE = 2e-5
CORNER = 5e-5
STEP = 1e-9
TURN = 2 * math.pi
REST = 2.0  # angle of the rotor at power-on, in rad
RPM = math.pi / 30
RHO, NU = 1.2, 1.5e-5  # air: density in kg/m^3, kinematic viscosity in m^2/s


def description(r):
    return f"""
[rotor]
inertia = '{r["J"]!r} kg*m^2'
torque_most = '{r["T"]!r} N*m'
bearing = '{r["b"]!r} N*m'
viscous = '{r["c"]!r} N*m*s/rad'
polygon_radius = '{r["R"]!r} m'
proportional = '{r["P"]!r} N*m*s/rad'
integral = '{r["I"]!r} N*m/rad'
speed_least = '1 rpm'
speed_most = '{r["most"]!r} rad/s'
ripple = {r.get("ripple", "[]")}
hunting = {r.get("hunting", "[]")}
jitter = '0 ppm'
[start_of_scan]
jitter = '0 ns'
rest_after = '60 s'
[galvanometer]
natural_frequency = '{r["f"]!r} Hz'
damping = {r["z"]!r}
step = '1e-12 rad'
slew = '{r.get("slew", 0.0)!r} rad/s'
"""


def draw(random):
    log = lambda low, high: float(math.exp(random.uniform(math.log(low), math.log(high))))
    r = {"J": log(1e-5, 1e-3), "most": log(150, 900)}
    # Spin-up in 1 s to 8 s; drag is a twentieth to a half of the torque.
    r["T"] = r["J"] * r["most"] / log(1, 8)
    drag = r["T"] * log(0.05, 0.5)
    parts = random.dirichlet([1, 1, 1]) * drag
    r["b"] = float(max(parts[0], 0.05 * drag))
    r["c"] = float(parts[1] / r["most"])
    # Half of the polygons reach the turbulent regime.
    r["R"] = math.sqrt(log(1e4, 3e5) * NU / r["most"])
    while windage(r, r["most"]) > 0.4 * r["T"]:
        r["R"] *= 0.8
    quick = log(1, 8)
    r["P"] = r["J"] * 2 * log(0.3, 1.5) * quick
    r["I"] = r["J"] * quick**2
    r["f"], r["z"] = log(20, 3000), log(0.1, 3)
    return r


def run(work, spintrue, r, lines):
    """Recorded values of a script on a head, in order."""
    head, script = work / "head.toml", work / "physics.spt"
    head.write_text(description(r))
    script.write_text("\n".join(lines) + "\n")
    command = [spintrue, "run", str(script), "--json", "--head", f"sim:{head}"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, (done.stdout[-2000:], done.stderr, r)
    events = map(json.loads, done.stdout.splitlines())
    return [e["value"] for e in events if e["event"] == "recorded"]


def passages(turns, end):
    """Times of the index pulses that bound the turns; at the last one, `turns` returned."""
    periods = [t["period"]["value"] for t in turns]
    return end["value"] - np.concatenate([np.cumsum(periods[::-1])[::-1], [0.0]])


def watch(name, count):
    # Wait for the end of the pulse at which the last watch ended.
    return ["wait 10 us", f'record "{name}": turns({count})', f'record "{name} end": now()']


# The equations of docs/simulated-head.md.

def windage(r, w):
    """The larger of the laminar and the turbulent torque on a disc in open air."""
    w, R = np.maximum(w, 0.0), r["R"]
    laminar = 0.616 * math.pi * RHO * R**4 * np.sqrt(NU * w**3)
    turbulent = 0.073 * RHO * R**5 * (NU / R**2) ** 0.2 * w**1.8
    return np.maximum(laminar, turbulent)


def drag(r, w):
    return r["b"] + r["c"] * w + windage(r, w)


def held(r, target):
    """Derivatives of angle, speed and integral torque while a speed is held."""
    def rate(_, s):
        _, w, integral = s
        error = target - w
        asked = r["P"] * error + integral
        torque = min(max(asked, -r["T"]), r["T"])
        pull = r["I"] * error
        beyond = (asked if error > 0 else -asked) - r["T"]
        share = min(max(beyond / (0.05 * r["T"] + 0.02 * abs(pull)), 0.0), 1.0)
        return [w, (torque - drag(r, w)) / r["J"], pull * (1 - share)]
    return rate


def free(r, torque):
    return lambda _, s: [s[1], (torque - drag(r, s[1])) / r["J"], 0.0]


def solved(rate, state, start, times):
    """States at times; the next motion starts from the last one."""
    scale = max(state[1], 100.0)
    done = solve_ivp(rate, (start, times[-1]), state, method="DOP853", t_eval=times, rtol=1e-11,
                     atol=[1e-9, 1e-12 * scale, 1e-14], max_step=1e-3)
    assert done.success, done.message
    return done.y


def on_index(angles, first):
    """Largest deviation of the angles from the index of consecutive turns, starting at `first`."""
    return float(np.abs(angles - TURN * (first + np.arange(len(angles)))).max())


def rotors(random, work, spintrue, count):
    """Spin-up, a change of speed during it, another at a held speed, braking or coasting."""
    all_off = []
    for i in range(count):
        r = draw(random)
        high, other = (r["most"] * random.uniform(0.5, 1.0) for _ in range(2))
        first, second, third = (int(n) for n in random.integers(5, 200, 3))
        down = "coast" if i % 2 else "brake"
        # Fewer turns than remain until rest: part of J w^2 / 2 over the largest drag.
        low = min(high, other)
        most = drag(r, r["most"]) + (0 if i % 2 else r["T"])
        last = int(0.35 * r["J"] * low**2 / most / TURN)
        assert last > 2, r
        lines = [f"spin({high!r} rad/s)", *watch("up", first), f"spin({other!r} rad/s)",
                 *watch("change", second), f"spin({high!r} rad/s)", *watch("back", third),
                 f"{down}()", *watch("down", min(last, 3000))]
        seen = run(work, spintrue, r, lines)
        state, start, turn = [REST, 0.0, 0.0], 0.0, 1
        rates = [held(r, high), held(r, other), held(r, high),
                 free(r, 0.0 if i % 2 else -r["T"])]
        all_off.append(0.0)
        for k, rate in enumerate(rates):
            times = passages(seen[2 * k], seen[2 * k + 1])
            if k == 3:
                state[2] = 0.0
            states = solved(rate, state, start, times)
            # Each watch begins one index after the end of the last one.
            off = on_index(states[0], turn)
            assert off < CORNER, (i, k, off, r)
            all_off[-1] = max(all_off[-1], off)
            start, state, turn = times[-1], list(states[:, -1]), turn + len(times)
    beyond = sum(off > ANGLE for off in all_off)
    assert beyond <= count / 40, all_off
    return f"{count} rotors agree with solve_ivp within {max(all_off):.1e} rad, {beyond} of them beyond {ANGLE:.0e}"


def linear_rotors(random, work, spintrue, count):
    """With next to no air drag a small change of speed is linear: (P s + I) / (J s^2 + (c + P) s + I)."""
    worst = 0.0
    for i in range(count):
        r = draw(random) | {"R": 1e-3}
        before = 0.8 * r["most"]
        # Small enough that the drive never reaches its limit.
        room = r["T"] - drag(r, r["most"])
        change = float(random.choice([-1, 1]) * 0.2 * min(room / (r["P"] + r["I"] / 2), before))
        # Wait until the spin-up has decayed.
        lines = [f"spin({before!r} rad/s)", "wait 200 s", *watch("steady", 1),
                 f"spin({before + change!r} rad/s)", *watch("step", 150)]
        seen = run(work, spintrue, r, lines)
        start = seen[1]["value"]
        times = passages(seen[2], seen[3]) - start
        # Angle in addition to that of the old speed: the step response of G(s)/s.
        residues, poles, _ = signal.residue(
            [change * r["P"], change * r["I"]],
            np.polymul([r["J"], r["c"] + r["P"], r["I"]], [1.0, 0.0, 0.0]), tol=1e-6)
        beyond, before_pole, power = np.zeros(len(times), complex), None, 1
        for residue, pole in zip(residues, poles):
            power = power + 1 if before_pole is not None and abs(pole - before_pole) < 1e-6 else 1
            before_pole = pole
            beyond += residue * times ** (power - 1) / math.factorial(power - 1) * np.exp(pole * times)
        angles = before * times + beyond.real
        off = on_index(angles, 1)
        assert off < ANGLE, (i, off, r)
        worst = max(worst, off)
    return f"{count} agree with transfer functions within {worst:.1e} rad"


def closed_rotors(random, work, spintrue, count):
    """Bearing drag at the torque limit and coasting: a constant acceleration, and the little that the air
    takes from a tiny polygon to first order. With laminar drag l w^1.5 it takes l/J times the
    integral of w^1.5 from the speed: derived."""
    worst = 0.0
    for i in range(count):
        # A loop gain that keeps the drive at its limit.
        r = draw(random) | {"c": 0.0, "R": 1e-3}
        r["P"] = r["J"] * 50.0
        air = float(windage(r, 1.0)) / r["J"]
        reach = int(0.25 * r["J"] * r["most"] ** 2 / 2 / r["T"] / TURN)
        back = max(2, int(0.1 * reach))
        lines = [f"spin({r['most']!r} rad/s)", *watch("up", reach), "coast()", *watch("down", back)]
        seen = run(work, spintrue, r, lines)
        times, up = passages(seen[0], seen[1]), (r["T"] - r["b"]) / r["J"]
        angles = up * times**2 / 2 - air * up**1.5 * times**3.5 / 8.75
        off = on_index(REST + angles, 1)
        start, turn = times[-1], 1 + len(times)
        times = passages(seen[2], seen[3]) - start
        speed, down = up * start - air * up**1.5 * start**2.5 / 2.5, r["b"] / r["J"]
        taken = air / (2.5 * down) * (
            speed**2.5 * times - (speed**3.5 - (speed - down * times) ** 3.5) / (3.5 * down))
        angles = speed * times - down * times**2 / 2 - taken
        off = max(off, on_index((turn - 1) * TURN + angles, turn))
        assert off < ANGLE, (i, off, r)
        worst = max(worst, off)
    return f"{count} agree with closed forms within {worst:.1e} rad"


def disturbed(random, work, spintrue, count):
    """Turns of a hunting rotor at two speeds, fitted with the sines that were asked for: amplitudes come out,
    and each has one phase of head time, whatever the speed. Ripple does not show in whole turns."""
    worst = 0.0
    for i in range(count):
        r = draw(random) | {"R": 1e-3}
        # The swings are slow against a turn, fast against the time watched, and differ.
        slow, fast = float(random.uniform(0.8, 1.2)), float(random.uniform(2.5, 4.0))
        shares = [float(share) for share in random.uniform(20e-6, 60e-6, 2)]
        r["hunting"] = "[" + ", ".join(
            f"{{ frequency = '{f!r} Hz', amplitude = {a!r} }}"
            for f, a in zip((slow, fast), shares)) + "]"
        r["ripple"] = "[{ order = 2, amplitude = '100 ppm' }]"
        phases = []
        for speed in (0.6 * r["most"], r["most"]):
            count_of_turns = int(8.0 * speed / TURN)
            lines = [f"spin({speed!r} rad/s)", "wait 200 s", *watch("turns", count_of_turns)]
            seen = run(work, spintrue, r, lines)
            times = passages(seen[0], seen[1])
            # Late by a/r cos(r t + p) against a steady rotor: fitted with angle and speed.
            columns = [np.ones(len(times)), np.arange(len(times))]
            for f in (slow, fast):
                columns += [np.cos(TURN * f * times), np.sin(TURN * f * times)]
            basis = np.stack(columns, axis=1)
            fit, *_ = np.linalg.lstsq(basis, times, rcond=None)
            for k, (f, a) in enumerate(zip((slow, fast), shares)):
                c, s = fit[2 + 2 * k], fit[3 + 2 * k]
                off = abs(math.hypot(c, s) * TURN * f / a - 1)
                assert off < 1e-3, (i, f, a, off, r)
                worst = max(worst, off)
                phases.append(math.atan2(-s, c))
        for k in (0, 1):
            off = abs((phases[k] - phases[k + 2] + math.pi) % TURN - math.pi)
            assert off < 2e-3, (i, k, phases, r)
    return f"{count} disturbed rotors agree with their sines within {worst:.1e}"


def slewed(random, work, spintrue, count):
    """Steps of a galvanometer whose command moves at its slew, as SciPy simulates them with lsim."""
    worst = 0.0
    for i in range(count):
        r = draw(random)
        w, z = TURN * r["f"], r["z"]
        step = float(f"{random.uniform(0.01, 0.05):.9f}")
        takes = float(random.uniform(0.3, 4.0)) / w
        r["slew"] = step / takes
        each = max(1, round((takes + 6 / (w * min(z, 1 / z))) * 1e9 / 40))
        lines = [f"steer({step!r} rad)"] + [f"wait {each} ns", 'record "g": status()'] * 40
        seen = [s["galvanometer"]["value"] for s in run(work, spintrue, r, lines)]
        # The command is one endless ramp less a later one.
        times = np.arange(41) * each * 1e-9
        fine = np.linspace(0, times[-1], 20001)
        _, answer, _ = signal.lsim(([w * w], [1, 2 * z * w, w * w]), fine, fine)
        ramp = lambda t: np.interp(np.maximum(t, 0.0), fine, answer)
        should = r["slew"] * (ramp(times) - ramp(times - takes))
        off = float(np.abs(seen - should[1:]).max() / step)
        assert off < 1e-5, (i, off, r)
        worst = max(worst, off)
    return f"{count} slewing galvanometers agree within {worst:.1e} of a step"


def galvanometers(random, work, spintrue, count):
    """Compares steps with scipy.signal's step response of w^2/(s^2 + 2 z w s + w^2). The second step
    starts while the first still rings, so the responses add up."""
    worst = 0.0
    for i in range(count):
        r = draw(random)
        w, z = TURN * r["f"], r["z"]
        steps = [float(f"{a:.9f}") for a in random.uniform(-0.05, 0.05, 2)]
        slowest = w * (z if z < 1 else z - math.sqrt(z * z - 1))
        # Whole nanoseconds, so that the script's text holds them exactly.
        each = max(1, round(6e9 / slowest / 60))
        wait = f"wait {each} ns"
        look = 'record "g": status()'
        lines = [f"steer({steps[0]!r} rad)"] + [wait, look] * 20
        lines += [f"steer({steps[1]!r} rad)"] + [wait, look] * 40
        seen = [s["galvanometer"]["value"] for s in run(work, spintrue, r, lines)]
        times = np.arange(61) * each * 1e-9
        _, answer = signal.step(([w * w], [1, 2 * z * w, w * w]), T=times)
        should = steps[0] * answer
        should[20:] += (steps[1] - steps[0]) * answer[:41]
        off = float(np.abs(seen - should[1:]).max() / max(map(abs, steps)))
        assert off < STEP, (i, off, r)
        worst = max(worst, off)
    return f"{count} galvanometers agree within {worst:.1e} of a step"


if __name__ == "__main__":
    work, spintrue, seed, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    random = np.random.default_rng(seed)
    for check in [rotors, linear_rotors, closed_rotors, disturbed, galvanometers, slewed]:
        print(check(random, work, spintrue, count))
