"""Compares the statistical built-ins with NumPy, SciPy and statsmodels.

`statistics.py WORK SEED SPINTRUE` draws data, writes one script that records the result of each
built-in, runs it, and compares value by value.
"""

import json
import math
import re
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas
import statsmodels.api as sm
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.tsa.stattools import acf

TOPICS = ["Statistics", "Fits and spectra", "Uncertainty", "Capability and gauge studies"]


class Script:
    """Lines to run, and the expected value of each record."""

    def __init__(self):
        self.lines = []
        self.wanted = {}
        self.used = set()

    def ask(self, call, wanted, within=1e-9):
        """`wanted` is a number, or one per field; the tolerance is relative."""
        name = f"{len(self.wanted)} {call[:40]}".replace('"', "").replace("{", "")
        self.used.add(call.split("(")[0])
        self.wanted[name] = (wanted, within)
        self.lines.append(f'record "{name}": {call}')

    def let(self, name, values, unit=""):
        self.lines.append(f"let {name} = {listed(values, unit)}")


def number(value):
    return np.format_float_positional(value, trim="0") if value != 0 else "0"


def listed(values, unit=""):
    if hasattr(values[0], "__len__"):
        return "[" + ", ".join(listed(inner, unit) for inner in values) + "]"
    return "[" + ", ".join(f"{number(v)} {unit}".strip() for v in values) + "]"


def describe(script, random):
    for index, (count, centre, spread) in enumerate(
        [(2, 0, 1), (3, 5, 1), (10, -3, 20), (101, 1e6, 1), (1000, 0, 1e-3), (64, 1e9, 1)]
    ):
        values = random.normal(centre, spread, count)
        if index == 2:
            values = np.round(values)  # with repeated values
        name = f"xs_{index}"
        script.let(name, values, "V")
        loss = 1e-9 if abs(centre) < 1e9 else 1e-6
        script.ask(f"mean({name})", np.mean(values))
        script.ask(f"median({name})", np.median(values))
        script.ask(f"deviation({name})", np.std(values, ddof=1), loss)
        script.ask(f"standard_error({name})", stats.sem(values), loss)
        mad = stats.median_abs_deviation(values)
        script.ask(f"median_absolute_deviation({name})", mad, loss)
        script.ask(f"robust_deviation({name})", stats.median_abs_deviation(values, scale="normal"), loss)
        script.ask(f"rms({name})", math.sqrt(np.mean(np.square(values))))
        script.ask(f"peak_to_peak({name})", np.ptp(values))
        for share in [0, 0.05, 0.25, 1 / 3, 0.5, 0.9, 0.975, 1]:
            wanted = np.quantile(values, share, method="weibull")
            script.ask(f"percentile({name}, {share!r})", wanted)
        if count > 2:
            lags = [1, 2] if count < 10 else [1, 5]
            for lag in lags:
                wanted = acf(values, nlags=lag, fft=False, adjusted=False)[lag]
                within = 1e-7 if abs(centre) < 1e9 else 1e-5
                script.ask(f"autocorrelation({name}, lag: {lag})", wanted, within)
            xs = random.uniform(-5, 50, count)
            ys = 2.5 * xs + values
            script.let(f"at_{index}", xs, "s")
            script.let(f"ys_{index}", ys, "mm")
            fit = sm.OLS(ys, sm.add_constant(xs)).fit()
            wanted = {
                "intercept": 1e-3 * fit.params[0],
                "intercept_u": 1e-3 * fit.bse[0],
                "residual": 1e-3 * math.sqrt(fit.mse_resid),
                "slope": 1e-3 * fit.params[1],
                "slope_u": 1e-3 * fit.bse[1],
            }
            script.ask(f"linear_fit(at_{index}, ys_{index})", wanted, 1e-7 if centre < 1e6 else 1e-5)


def budgets(script, random):
    for count in [1, 2, 5, 12]:
        parts = random.uniform(0.1, 10, count)
        degrees = random.uniform(1, 60, count)
        script.ask(f"combined_uncertainty({listed(parts, 'V')})", np.linalg.norm(parts))
        # Matches the variance of the sum. SciPy has this only for two samples, so it is written out.
        wanted = np.sum(parts**2) ** 2 / np.sum(parts**4 / degrees)
        call = f"effective_degrees_of_freedom({listed(parts, 'V')}, {listed(degrees)})"
        script.ask(call, wanted)
    # Two samples: SciPy's own Welch-Satterthwaite.
    a, b = random.normal(0, 1, 7), random.normal(0, 4, 12)
    wanted = stats.ttest_ind(a, b, equal_var=False).df
    script.ask(
        f"effective_degrees_of_freedom([standard_error({listed(a, 'V')}), "
        f"standard_error({listed(b, 'V')})], [6, 11])",
        wanted,
    )
    for probability in [0.1, 0.5, 0.6827, 0.9, 0.95, 0.9545, 0.99, 0.9973, 0.999999]:
        wanted = stats.norm.ppf(0.5 + probability / 2)
        script.ask(f"coverage_factor({probability!r})", wanted)
        for degrees in [1, 1.5, 2, 4.7, 16, 30, 1e3, 99999, 1e5, 1e7, 1e12]:
            wanted = stats.t.isf((1 - probability) / 2, degrees)
            script.ask(f"coverage_factor({probability!r}, {number(degrees)})", wanted)
    wanted = 0.032 * stats.t.isf(0.005, 16.5)
    script.ask("expanded_uncertainty(32 mV, 99 %, degrees_of_freedom: 16.5)", wanted)
    script.ask("expanded_uncertainty(32 mV)", 0.032 * stats.norm.isf(0.025))


    script.ask('type_a("readings", 3 ppm, degrees_of_freedom: 9).u', 3e-6)
    script.ask('type_b("clock", 4 ppm, source: "certificate").degrees', 1e9)


def series(script, random):
    """Mean and spread of readings that depend on each other, by NumPy."""
    noise = random.normal(0, 1, 401)
    slow = np.zeros(400)
    for k in range(1, 400):
        slow[k] = 0.8 * slow[k - 1] + noise[k]
    for at, values in enumerate([noise[:400], np.diff(noise), slow, random.normal(0, 1, 4)]):
        n = len(values)
        rho = acf(values, nlags=n // 4, fft=False)[1:]
        told = abs(rho[0]) > 1.96 / math.sqrt(n)
        lags = int(np.argmax(np.append(rho * rho[0], -1) <= 0)) if told else 0
        ks = np.arange(1, lags + 1)
        bracket = max(1 + 2 * np.sum((1 - ks / n) * rho[:lags]), 2 * math.sqrt(lags / n))
        degrees = max(1, n / (1 + 2 * np.sum(rho[:lags] ** 2)) - 1)
        s = np.std(values, ddof=1)
        wanted = {
            "correlation": rho[0],
            "degrees": degrees,
            "deviation": s,
            "deviation_u": s / math.sqrt(2 * degrees),
            "mean": np.mean(values),
            "u": s * math.sqrt(bracket / n),
        }
        script.let(f"read_{at}", values, "V")
        script.ask(f"series(read_{at})", wanted, 1e-7)


def limits(random, squares, degrees, sizes):
    """Ends of generalized confidence intervals, of 200,000 draws: mean squares of trials, both, operators, parts."""
    parts, trials, operators = sizes
    drawn = [m * d / random.chisquare(d, 200_000) for m, d in zip(squares, degrees)]
    if degrees[0] == degrees[1]:
        drawn[1] = drawn[0]
    interaction = np.maximum(0, (drawn[1] - drawn[0]) / trials)
    between = np.maximum(0, (drawn[2] - drawn[1]) / parts / trials)
    gauge = drawn[0] + interaction + between
    found = {"repeatability": np.sqrt(drawn[0]), "gauge": np.sqrt(gauge)}
    return {
        f"{name}_{end}": np.quantile(values, share)
        for name, values in found.items()
        for end, share in (("low", 0.025), ("high", 0.975))
    }


def indices(script, random):
    for index in range(5):
        values = random.normal(10, 2, 30)
        s, mean = np.std(values, ddof=1), np.mean(values)
        name = f"process_{index}"
        script.let(name, values, "V")
        low, high = 10 - random.uniform(1, 9), 10 + random.uniform(1, 9)
        both = f"low: {low!r} V, high: {high!r} V"
        script.ask(f"cp({name}, {both})", (high - low) / 6 / s)
        script.ask(f"cpk({name}, {both})", min(mean - low, high - mean) / 3 / s)
        script.ask(f"cpk({name}, high: {high!r} V)", (high - mean) / 3 / s)


def studies(script, random):
    """Two-way analysis of variance with interaction, by statsmodels."""
    pooled = 0
    for operators, parts, trials, joint in [
        (2, 2, 2, 0.0),
        (3, 10, 3, 0.0),
        (3, 10, 2, 0.8),
        (4, 5, 6, 0.3),
        (2, 12, 3, 0.0),
        (5, 3, 2, 2.0),
    ]:
        of_operator = random.normal(0, 0.5, (operators, 1, 1))
        of_part = random.normal(0, 3, (1, parts, 1))
        of_both = random.normal(0, joint, (operators, parts, 1))
        noise = random.normal(0, 0.4, (operators, parts, trials))
        readings = 50 + of_operator + of_part + of_both + noise
        operator, part, _ = np.indices(readings.shape)
        frame = pandas.DataFrame(
            {"y": readings.ravel(), "o": operator.ravel(), "p": part.ravel()}
        )
        table = sm.stats.anova_lm(ols("y ~ C(o) * C(p)", frame).fit())
        square = table["mean_sq"]
        error, base = square["Residual"], square["C(o):C(p)"]
        chance = table["PR(>F)"]["C(o):C(p)"]
        if chance > 0.25:
            table = sm.stats.anova_lm(ols("y ~ C(o) + C(p)", frame).fit())
            square = table["mean_sq"]
            error = base = square["Residual"]
            pooled += 1
        interaction = max(0, (base - error) / trials)
        between = max(0, (square["C(o)"] - base) / parts / trials)
        of_parts = max(0, (square["C(p)"] - base) / operators / trials)
        gauge = error + interaction + between
        total = gauge + of_parts
        variances = {
            "repeatability": error,
            "interaction": interaction,
            "operators": between,
            "reproducibility": between + interaction,
            "gauge": gauge,
            "parts": of_parts,
        }
        wanted = {name: math.sqrt(v) for name, v in variances.items()}
        wanted |= {f"{name}_share": math.sqrt(v / total) for name, v in variances.items()}
        wanted["total"] = math.sqrt(total)
        wanted["interaction_p"] = chance
        wanted["distinct_categories"] = math.floor(1.41 * math.sqrt(of_parts / gauge))
        script.ask(f"gauge_study({listed(readings, 'V')})", wanted, 1e-7)
        names = ["Residual", "C(o):C(p)" if chance <= 0.25 else "Residual", "C(o)", "C(p)"]
        ends = limits(
            random, [square[n] for n in names], [table["df"][n] for n in names], (parts, trials, operators)
        )
        for end, value in ends.items():
            # The program takes 251 cases: a twentieth where the ends are told by enough readings.
            if operators > 2:
                script.ask(f"gauge_limits({listed(readings, 'V')}).{end}", value, 0.08)
    assert 0 < pooled < 6, "both models must be tested"


def curves(script, random):
    """Polynomials by NumPy, on the same scaled abscissa, plain and weighted."""
    for degree, count in [(0, 4), (1, 3), (1, 40), (2, 5), (3, 30), (5, 60), (9, 200)]:
        xs = random.uniform(-3, 40, count)
        ys = 0.2 * xs**2 - 3 * xs + random.normal(0, 5, count)
        u = random.uniform(0.5, 6, count)
        name = f"{degree}_{count}"
        script.let(f"px_{name}", xs, "s")
        script.let(f"py_{name}", ys, "mm")
        script.let(f"pu_{name}", u, "mm")
        middle, half = (xs.min() + xs.max()) / 2, (xs.max() - xs.min()) / 2
        t = (xs - middle) / half
        design = np.polynomial.polynomial.polyvander(t, degree)
        free = count - degree - 1
        for weighted in [False, True]:
            weights = 1 / u if weighted else np.ones(count)
            fit = np.polynomial.Polynomial.fit(xs, ys, degree, w=weights)
            left = ys - fit(xs)
            spread = 1 if weighted else np.sum(left**2) / free
            covariance = np.linalg.inv(design.T @ np.diag(weights**2) @ design) * spread
            call = f"polynomial_fit(px_{name}, py_{name}, {degree}{f', pu_{name}' if weighted else ''})"
            wanted = {
                "coefficients": list(1e-3 * fit.coef),
                "covariance": [list(row) for row in 1e-6 * covariance],
                "degrees_of_freedom": free,
                "half": half,
                "middle": middle,
                "misfit": np.sum((left / u) ** 2) / free if weighted else 1,
                "residual": 1e-3 * math.sqrt(np.sum(left**2) / free),
            }
            script.ask(call, wanted, 1e-6)
            for x in [middle, xs.min(), xs.max() + 0.3]:
                powers = ((x - middle) / half) ** np.arange(degree + 1)
                wanted = {
                    "slope": 1e-3 * fit.deriv()(x),
                    "u": 1e-3 * math.sqrt(powers @ covariance @ powers),
                    "value": 1e-3 * fit(x),
                }
                script.ask(f"fitted({call}, {number(x)} s)", wanted, 1e-6)
    for count in [2, 7, 64, 101, 1000]:
        values = random.normal(3, 1, count)
        script.let(f"wave_{count}", values, "V")
        waves = np.fft.rfft(values)
        both = np.full(len(waves), 2.0)
        both[0] = 1
        if count % 2 == 0:
            both[-1] = 1
        wanted = [
            {"amplitude": a, "frequency": f, "phase": p}
            for a, f, p in zip(both * abs(waves) / count, np.fft.rfftfreq(count, 0.25), np.angle(waves))
        ]
        script.ask(f"spectrum(wave_{count}, step: 250 ms)", wanted, 1e-7)


def people(script, random):
    """Temperatures, and the library of numbers."""
    values = random.normal(21, 3, 40)
    script.let("felt", values, "degC")
    kelvin = values + 273.15
    for call, wanted in [
        ("mean", np.mean(kelvin)), ("median", np.median(kelvin)), ("largest", kelvin.max()),
        ("deviation", np.std(values, ddof=1)), ("standard_error", stats.sem(values)),
        ("peak_to_peak", np.ptp(values)), ("robust_deviation", stats.median_abs_deviation(values, scale="normal")),
    ]:
        script.ask(f"{call}(felt)", wanted, 1e-9)
    script.lines.insert(0, f'use "{Path("scripts/lib/numbers.spt").resolve()}"')
    xs, ys = np.sort(random.uniform(0, 10, 30)), random.normal(0, 1, 30)
    u = random.uniform(0.1, 2, 30)
    script.let("ix", xs, "s")
    script.let("iy", ys, "mm")
    script.let("iu", u, "mm")
    for x in [xs[0], xs[-1], *random.uniform(xs[0], xs[-1], 20)]:
        script.ask(f"interpolated(ix, iy, {number(x)} s)", 1e-3 * np.interp(x, xs, ys))
    counts, edges = np.histogram(ys, bins=7)
    wanted = [
        {"count": c, "high": 1e-3 * high, "low": 1e-3 * low}
        for c, low, high in zip(counts.tolist(), edges[:-1], edges[1:])
    ]
    script.ask("histogram(iy, bins: 7)", wanted, 1e-8)
    wanted = {"u": 1e-3 / math.sqrt(np.sum(1 / u**2)), "value": 1e-3 * np.average(ys, weights=1 / u**2)}
    script.ask("weighted_mean(iy, iu)", wanted)


def compare(name, seen, wanted, within, scale=0):
    if isinstance(wanted, list):
        assert len(seen) == len(wanted), (name, len(seen))
        if not isinstance(wanted[0], dict):
            # Of a vector or a matrix, parts near zero count by the largest one.
            scale = max(scale, np.max(np.abs(wanted)))
        pairs = enumerate(zip(seen, wanted))
        return max(compare(f"{name} {at}", one, other, within, scale) for at, (one, other) in pairs)
    if isinstance(wanted, dict):
        assert seen.keys() == wanted.keys(), (name, seen.keys())
        return max(compare(f"{name} {f}", seen[f], wanted[f], within) for f in wanted)
    off = abs(seen["value"] - wanted)
    if name.endswith(" phase"):
        off = abs(np.exp(1j * seen["value"]) - np.exp(1j * wanted))
    size = max(abs(wanted), scale)
    relative = off / size if size else off
    assert relative <= within, (name, seen["value"], wanted, relative)
    return relative / within


def plotted(spintrue, random):
    """Histograms, spectra and points as `plot` draws them in the shell, read back from its characters."""
    def rows(entry):
        done = subprocess.run([spintrue, "shell"], input=entry + "\n", capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout.splitlines()[:-1]

    count = 0
    for n in [9, 57, 250]:
        values = random.normal(5, 2, n)
        counts, edges = np.histogram(values, bins=math.ceil(math.sqrt(n)))
        title, *bars = rows(f"plot histogram: {listed(values, 'mm')}")
        assert title.startswith("  values over"), title
        seen = [re.fullmatch(r" +(\S+) \.\. (\S+) #* +(\d+)", bar).groups() for bar in bars[-len(counts):]]
        assert [int(bar[2]) for bar in seen] == counts.tolist(), (seen, counts)
        for (low, high, _), *wanted in zip(seen, edges[:-1], edges[1:]):
            assert np.allclose([float(low), float(high)], wanted, atol=0.02 * (edges[1] - edges[0])), (seen, edges)
        count += len(counts)
    for n, step in [(24, 0.25), (33, 0.004), (400, 0.1)]:
        values = random.normal(300, 1, n) + 3 * np.sin(np.arange(n) * 2 * np.pi * 5 / n)
        tones = 2 * abs(np.fft.rfft(values))[1:] / n / np.where(np.arange(1, n // 2 + 1) * 2 == n, 2, 1)
        at = np.fft.rfftfreq(n, step)[1:]
        lines = rows(f"plot spectrum, step {number(step)} s: {listed(values, 'V')}")
        unit = {"V": 1, "mV": 1e-3}[re.search(r"amplitude in (\w+) over frequency in Hz", lines[0])[1]]
        said = " ".join(" ".join(lines).split()).split("the largest: ")[1]
        largest = [pair.split(" Hz")[0].split() for pair in said.split(", ")]
        order = np.argsort(-tones)[:3]
        assert np.allclose([unit * float(one[0]) for one in largest], tones[order], rtol=1e-4), (said, tones[order])
        assert np.allclose([float(one[3]) for one in largest], at[order], rtol=1e-4), (said, at[order])
        bars = [re.fullmatch(r" +(\S+) #* +(\S+)", line) for line in lines]
        bars = [(float(bar[1]), unit * float(bar[2])) for bar in bars if bar]
        # Too many to lie below each other are a line.
        assert n == 400 or np.allclose(bars, np.column_stack([at, tones]), rtol=1e-4, atol=1e-5), bars
        count += len(tones)
    for n in [2, 12, 30]:
        values = random.normal(0, 1, n)
        lines = [line for line in rows(f"plot points: {listed(values, 'V')}") if "|" in line]
        frame = [line.split("|", 1)[1] for line in lines]
        # One column of 80 is left free.
        height, width = len(frame), 79 - lines[0].index("|") - 1
        seen = {(x, y) for y, line in enumerate(frame) for x, c in enumerate(line) if c == "*"}
        share = (values.max() - values) / np.ptp(values)
        xs = np.floor(np.arange(n) / (n - 1) * (width - 1) + 0.5).astype(int)
        ys = np.floor(share * (height - 1) + 0.5).astype(int)
        assert seen == set(zip(xs.tolist(), ys.tolist())), (sorted(seen), xs, ys)
        count += n
    return count


def names(spintrue):
    """The built-ins listed under the headings of statistics."""
    text = subprocess.run([spintrue, "builtins"], capture_output=True, text=True, check=True).stdout
    found = set()
    for block in text.split("\n\n"):
        heading, *lines = block.splitlines()
        if heading in TOPICS:
            found |= {re.match(r"  (\w+)\(", line)[1] for line in lines}
    assert len(found) > 15, found
    return found


def main(work, seed, spintrue):
    random = np.random.default_rng(seed)
    script = Script()
    warnings.simplefilter("error")
    for part in [describe, series, curves, people, budgets, indices, studies]:
        part(script, random)
    missing = names(spintrue) - script.used
    assert not missing, f"not compared: {missing}"
    path = work / "statistics.spt"
    path.write_text("\n".join(script.lines) + "\n")
    done = subprocess.run([spintrue, "run", str(path), "--json"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr + done.stdout[-2000:]
    events = map(json.loads, done.stdout.splitlines())
    seen = {e["name"]: e["value"] for e in events if e["event"] == "recorded"}
    assert seen.keys() == script.wanted.keys()
    worst = max(compare(name, seen[name], *script.wanted[name]) for name in seen)
    print(f"{plotted(spintrue, random)} bars, tones and points of plots agree")
    print(f"{len(seen)} records of {len(script.used)} built-ins agree; at most {worst:.2f} of the tolerance used")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
