#!/usr/bin/env python3
"""Uncertainties, frequencies and edges of the bench's fixtures against independent programs.

    python3 tests/uncertainty.py path/to/crestbook

- GTC and uncertainties (PyPI): the power budget, written anew with their own numbers.
- scipy: the four-parameter sine fit by its general least squares; RMS and power by numpy.
- ruptures: phase edges by its change point search, speed and error side by side (shown, not
  asserted: time is no test).

Needs numpy, scipy, GTC, uncertainties, ruptures.
"""
import json
import math
import pathlib
import subprocess
import sys
import time

import numpy as np
from scipy.io import wavfile
from scipy.optimize import curve_fit

PROGRAM = pathlib.Path(sys.argv[1]).resolve()
BENCH = pathlib.Path(__file__).resolve().parent.parent / "fixtures" / "harrow-fell"
failed = []


def check(what, got, wanted, within):
    good = abs(got - wanted) <= within
    print(f"{'ok  ' if good else 'FAIL'} {what}: {got:.10g}, wanted {wanted:.10g} within {within:.2g}")
    if not good:
        failed.append(what)


def measure(name, *flags):
    done = subprocess.run([PROGRAM, "measure", BENCH / name, "--json", *flags], capture_output=True, check=True)
    return json.loads(done.stdout)


def budget(name, key, *flags):
    estimate = measure(name, "--budget", *flags)["whole"][key]
    return estimate, {line["input"]: line for line in estimate["budget"]}


def power_budget():
    """P = gv gi tv ti rv ri (P0 cos(w d) + Q sin(w d) + noise) with gv, gi correlated by 0.3, and few
    degrees of freedom of one scale, so that they show."""
    flags = ["--set", "voltage.accuracy.degrees_of_freedom=6"]
    estimate, lines = budget("cut-80.csv", "power_w", *flags)
    names = {
        "gv": "scale of the voltage", "gi": "scale of the current",
        "rv": "bandwidth of the voltage channel", "ri": "bandwidth of the current channel",
        "tv": "temperature of the voltage channel", "ti": "temperature of the current channel",
        "noise": "noise in the mean power",
    }
    p0 = estimate["value"]
    u = {short: lines[name]["standard_uncertainty"] for short, name in names.items()}
    freedom = {short: lines[name].get("degrees_of_freedom", math.inf) for short, name in names.items()}
    # What the program adds for the curvature of products: sum of u_a^2 u_b^2 over pairs of factors,
    # each counted once in both orders, correlation not counted.
    second = lines.get("curvature of the model (second order)", {"contribution": 0.0})["contribution"]

    import GTC
    gv, gi = GTC.ureal(1, u["gv"], freedom["gv"], independent=False), GTC.ureal(1, u["gi"], independent=False)
    # GTC wants finite degrees of freedom to stand alone: correlation goes with infinite ones.
    gv_inf = GTC.ureal(1, u["gv"], independent=False)
    GTC.set_correlation(0.3, gv_inf, gi)
    rest = 1
    for short in ("rv", "ri", "tv", "ti"):
        rest = rest * GTC.ureal(1, u[short], freedom[short])
    noise = GTC.ureal(0, u["noise"])
    power = gv_inf * gi * rest * (p0 + noise)
    first = math.sqrt(estimate["standard_uncertainty"] ** 2 - second ** 2)
    check("power, u by GTC", first, GTC.uncertainty(power), 2e-6 * first)
    del gv

    import uncertainties
    from uncertainties import ufloat, correlated_values_norm
    a, b = correlated_values_norm([(1, u["gv"]), (1, u["gi"])], np.array([[1, 0.3], [0.3, 1]]))
    product = a * b * (p0 + ufloat(0, u["noise"]))
    for short in ("rv", "ri", "tv", "ti"):
        product = product * ufloat(1, u[short])
    check("power, u by uncertainties", first, uncertainties.std_dev(product), 2e-6 * first)

    # Degrees of freedom, without correlation, as GTC has them.
    estimate, lines = budget("cut-80.csv", "power_w", "--set", "correlation.voltage_current=0", *flags)
    gv = GTC.ureal(1, u["gv"], 6)
    power = gv * GTC.ureal(1, u["gi"]) * rest * (p0 + noise)
    second = lines.get("curvature of the model (second order)", {"contribution": 0.0})["contribution"]
    # The curvature's part of the variance has no degrees of freedom of its own.
    first = math.sqrt(estimate["standard_uncertainty"] ** 2 - second ** 2)
    share = (estimate["standard_uncertainty"] / first) ** 4
    check("power, degrees of freedom by GTC", estimate["degrees_of_freedom"] / share, GTC.dof(power), 1e-3 * GTC.dof(power))
    k = GTC.reporting.k_factor(estimate["degrees_of_freedom"])
    check("power, k by GTC", estimate["coverage_factor"], k, 1e-4)


def samples(name):
    result = measure(name)
    plan = result["settings"]
    if name.endswith(".csv"):
        data = np.loadtxt(BENCH / name, delimiter=",", skiprows=1)[:, 1:]
    else:
        codes = wavfile.read(BENCH / name)[1]
        data = codes / 2.0 ** 15 * [plan["voltage"]["scale"], plan["current"]["scale"]]
    return result, data, result["capture"]["sample_rate_hz"]


def sine_fit():
    result, data, rate = samples("cut-80.csv")
    t = np.arange(len(data)) / rate
    model = lambda t, a, b, c, f: a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t) + c
    found, covariance = curve_fit(model, t, data[:, 0], p0=[0, 280, 0, 400e3 * (1 + 1e-5)])
    whole = result["whole"]
    u = math.sqrt(covariance[3, 3])
    # The same fit over the same samples: far inside what noise leaves either.
    check("fundamental by scipy's four-parameter fit", whole["fundamental_hz"]["value"], found[3], 0.05 * u)
    own = next(line for line in budget("cut-80.csv", "fundamental_hz")[0]["budget"] if line["input"] == "noise at the fit of the carrier")
    # Steps count as noise of a twelfth here, scipy has the residuals as they are.
    check("its standard uncertainty (Hz)", own["standard_uncertainty"], u, 0.1 * u)
    check("RMS by numpy", whole["voltage_rms_v"]["value"], math.sqrt(np.mean((data[:, 0]) ** 2)), 1e-9 * 300)
    check("power by numpy", whole["power_w"]["value"], np.mean(data[:, 0] * data[:, 1]), 1e-9 * 100)
    amplitude = math.hypot(found[0], found[1])
    check("peak against the fitted amplitude", whole["voltage_peak_v"]["value"], amplitude, 2e-3 * amplitude)


def edges():
    import ruptures
    from scipy.signal import hilbert
    truth = json.loads((BENCH / "cycle-2.truth.json").read_text())["phases"]
    wanted = np.array([phase["end_s"] for phase in truth[:-1]])
    began = time.perf_counter()
    result, data, rate = samples("cycle-2.wav")
    ours_s = time.perf_counter() - began
    ours = np.array([phase["end_s"] for phase in result["phases"][:-1]])
    began = time.perf_counter()
    block = 400
    envelope = np.abs(hilbert(data[:, 0]))
    levels = np.sqrt(np.mean(envelope[: len(envelope) // block * block].reshape(-1, block) ** 2, axis=1))
    points = ruptures.Pelt(model="l2", min_size=20, jump=1).fit(np.log(levels + 1)).predict(pen=5)
    theirs_s = time.perf_counter() - began
    theirs = np.array(points[:-1]) * block / rate
    off = lambda found: max(np.min(np.abs(found - edge)) for edge in wanted) if len(found) else math.inf
    print(f"     edges of cycle-2: worst error {off(ours) * 1e6:.1f} us in {ours_s:.2f} s (whole measurement, process start and all); "
          f"ruptures {off(theirs) * 1e6:.1f} us in {theirs_s:.2f} s on {len(levels)} blocks, {len(theirs)} points")
    check("edges found", len(ours), len(wanted), 0)
    # A burst period of 50 us, and ruptures' own blocks of as much.
    check("worst edge (us)", off(ours) * 1e6, 0, 50)
    check("edges against ruptures (us)", max(np.min(np.abs(theirs - edge)) for edge in ours) * 1e6, 0, 150)


def comparisons():
    """U of differences of cards: what instruments share is one factor of both values."""
    import tempfile

    import GTC

    def run(*arguments):
        done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True)
        return done.stdout

    with tempfile.TemporaryDirectory() as keep:
        bench = pathlib.Path(keep) / "bench"
        run("demo", bench, "--quiet")
        run("job", bench, "--quiet")
        # One unit at two times by the same instruments; two units, of which one bench is said to be another.
        other = bench / "others" / "skelbeck"
        kept = pathlib.Path(keep) / "other.json"
        card = json.loads(run("card", other, "--json"))
        for setting in card["settings"]:
            for point in setting["points"]:
                point["instruments_key"] = "0" * 64
        kept.write_text(json.dumps(card))
        cases = [
            (bench / "as-found", bench, []),
            (bench, other, ["--setting", "blend-60=weave"]),
            (bench, kept, ["--setting", "blend-60=weave"]),
        ]
        held = 0
        for a, b, more in cases:
            cards = [json.loads(run("card", one, "--json")) for one in (a, b)]
            found = json.loads(run("compare", a, b, *more, "--json"))
            for row in found["rows"]:
                kept_numbers = []
                for card, setting, dial in zip(cards, row["settings"], row["dials"]):
                    of = next(one for one in card["settings"] if one["id"] == setting)
                    ohm = row["load"]["ohm"] if row["load"] != "open" else None
                    near = lambda p: p.get("dial") == dial and (
                        p["load"] == "open" if ohm is None else p["load"] != "open" and abs(p["load"]["ohm"] / ohm - 1) < 0.03)
                    point = next(p for p in of["points"] if near(p))
                    number = next(n for n in point["numbers"] if (n["measure"], n["in"]) == (row["measure"], row["in"]))
                    kept_numbers.append((number, point))
                (x, p), (y, q) = kept_numbers
                if "expanded_uncertainty" not in row or "own_uncertainty" not in x:
                    continue
                same = p["instruments_key"] == q["instruments_key"]
                assert same == row["same_instruments"]
                one_load = same and p.get("load_key") == q.get("load_key")
                # A factor that both share, and what each has of its own.
                def own(n):
                    if not same:
                        return n["standard_uncertainty"]
                    return math.hypot(n["own_uncertainty"], 0 if one_load else n["load_uncertainty"])
                shared = GTC.ureal(1, math.sqrt(max(0, x["standard_uncertainty"] ** 2 - own(x) ** 2)) / abs(x["value"])) if same else 1
                difference = shared * GTC.ureal(y["value"], own(y)) - shared * GTC.ureal(x["value"], own(x))
                u = GTC.uncertainty(difference)
                # k is at least that of a normal distribution, and more with few degrees of freedom.
                k = row["expanded_uncertainty"] / u
                if not (1.959 <= k <= 13):
                    check(f"{row['settings']} {row['measure']}", k, 1.96, 0.01)
                if x.get("own_freedom") is None and y.get("own_freedom") is None and same:
                    check(f"difference of {row['measure']}, {row['settings'][0]}, U by GTC", row["expanded_uncertainty"], 1.959964 * u, 1e-3 * u)
                    held += 1
        check("differences held against GTC", held, max(held, 8), 0)


power_budget()
sine_fit()
edges()
comparisons()
sys.exit(f"{len(failed)} failed: {', '.join(failed)}" if failed else 0)
