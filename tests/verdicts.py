"""Random jobs judged by an oracle: expected values, uncertainties and verdicts from docs/job.md and
docs/uncertainty.md alone, sharing no code with the program. Every kind of entry, with truths inside
the limits, in the guard band, and outside.

    python3 tests/verdicts.py target/debug/crestbook [jobs]

Values are held to 1e-4, U to 3 %, verdicts wherever the truth is not within 5 % of U of a border.
"""

import json
import math
import pathlib
import random
import subprocess
import sys
import tempfile

import numpy

RATE, CARRIER, SAMPLES = 8e6, 400e3, 8000
K = 1.959964


def capture(path, volt, ohm):
    """Whole cycles of a sine of `volt` RMS across `ohm`."""
    t = numpy.arange(SAMPLES) / RATE
    v = math.sqrt(2) * volt * numpy.sin(2 * math.pi * CARRIER * t)
    numpy.save(path, numpy.stack([v, v / ohm], axis=1))


def verdict(value, lower, upper, u):
    """ILAC-G8:09/2019 with a guard band of U; None near a border."""
    room = min(math.inf if upper is None else upper - value, math.inf if lower is None else value - lower)
    near = [abs(room - edge) < 0.05 * u + 1e-9 * abs(value) for edge in (-u, 0.0, u)]
    if any(near):
        return None
    if room >= u:
        return "pass"
    if room >= 0:
        return "conditional pass"
    return "conditional fail" if room >= -u else "fail"


class Job:
    """A random plan, its captures, and what must be found."""

    def __init__(self, rng):
        self.rng = rng
        self.uv, self.ui = rng.uniform(0.002, 0.02), rng.uniform(0.002, 0.02)
        self.plan = ['format = 1\n[[setting]]\nid = "s"\ndial = 80.0\nload_ohm = 500.0\nsequence = ["cut"]']
        self.takes, self.want, self.readings = {}, {}, []
        self.u_power = K * math.hypot(self.uv, self.ui)

    def near(self, limit, u):
        """A truth inside, in the guard band, or outside of a limit that must not be passed upwards."""
        return limit + self.rng.choice([-3.0, -0.5, 0.5, 3.0]) * self.rng.uniform(0.8, 1.2) * u

    def take(self, step, watt, ohm):
        self.takes[step] = (math.sqrt(watt * ohm), ohm)

    def line(self, group, what, value, lower, upper, u):
        self.want[(group, what)] = (value, u, verdict(value, lower, upper, u))

    def setting(self):
        limit = self.rng.uniform(60, 200)
        watt = self.near(limit, self.u_power * limit)
        self.plan.append(f'[[setting.limit]]\nmeasure = "power_w"\nin = "cut"\nmax = {limit}')
        self.take("s", watt, 500.0)
        self.line("s", "power_w", watt, None, limit, self.u_power * watt)

    def curve(self):
        loads, level = [250.0, 500.0, 1000.0], self.rng.uniform(60, 120)
        self.plan.append(
            f'[[curve]]\nown_capture = true\nid = "c"\nsetting = "s"\nloads_ohm = {loads}\nexpected_w = {[level] * 3}\n'
            'tolerance = "20 %"\nflatness = 0.1'
        )
        watts = [level * self.rng.choice([1.0, 1.15, 1.19, 1.21, 1.3]) * self.rng.uniform(0.999, 1.001) for _ in loads]
        for ohm, watt in zip(loads, watts):
            self.take(f"c-{ohm:g}ohm", watt, ohm)
            # A held power has no slope: both scales count once.
            self.line("c", f"c-{ohm:g}ohm", watt, 0.8 * level, 1.2 * level, self.u_power * watt)
        # By the same instruments only the loads' own uncertainty is left, and there is none.
        flat = max(watts) / min(watts) - 1
        self.want[("c", "flatness")] = (flat, None, None if abs(flat - 0.1) < 2e-3 else "pass" if flat < 0.1 else "fail")

    def ladder(self):
        self.plan.append('[[ladder]]\nown_capture = true\nid = "l"\nsetting = "s"\ndials = [40.0, 80.0]\nexpected_w = [80.0, 160.0]\ntolerance = "20 %"')
        low, high = 80 * self.rng.uniform(0.75, 1.25), 160 * self.rng.uniform(0.4, 1.25)
        for dial, watt, nominal in ((40, low, 80.0), (80, high, 160.0)):
            self.take(f"l-{dial}", watt, 500.0)
            self.line("l", f"l-{dial}", watt, 0.8 * nominal, 1.2 * nominal, self.u_power * watt)
        # What is shared goes with the difference.
        rise = high - low
        self.line("l", "rise to 80", rise, 0.0, None, self.u_power * abs(rise))

    def repeat(self):
        n, limit = self.rng.choice([3, 5, 8]), self.rng.uniform(0.02, 0.2)
        self.plan.append(f'[[repeat]]\nown_capture = true\nid = "r"\nsetting = "s"\ncount = {n}\nspread = {limit}')
        share = self.rng.choice([0.001, 0.01, 0.05])
        watts = [100 * (1 + share * self.rng.gauss(0, 1)) for _ in range(n)]
        for k, watt in enumerate(watts):
            self.take(f"r-{k + 1}", watt, 500.0)
        mean = sum(watts) / n
        s = math.sqrt(sum((w - mean) ** 2 for w in watts) / (n - 1)) / mean
        # Chi-square at 2.5 % (tables).
        chi = {3: 0.050636, 5: 0.484419, 8: 1.689869}[n]
        self.line("r", "spread", s, None, limit, s * (math.sqrt((n - 1) / chi) - 1))

    def leakage(self):
        self.plan.append('[[hf_leakage]]\nid = "h"\nsetting = "s"\npath = "pole to earth"\nload_ohm = 200.0\nmax_a = 1.2')
        amp = self.near(1.2, K * self.ui * 1.2)
        self.take("h", amp * amp * 200.0, 200.0)
        self.line("h", "current_rms_a", amp, None, 1.2, K * self.ui * amp)

    def manual(self):
        self.plan.append('[[manual]]\nid = "m"\nwhat = "resistance"\nunit = "mohm"\nmax = 300.0\nuncertainty = "2 %"')
        value = round(self.near(300.0, 6.0), 2)
        self.readings.append(("m", f"{value}", "mohm"))
        self.line("m", "reading", value, None, 300.0, 0.02 * value)


def run(program, *arguments):
    return subprocess.run([program, *map(str, arguments)], capture_output=True, text=True)


def check(program, seed):
    job = Job(random.Random(seed))
    for entry in (job.setting, job.curve, job.ladder, job.repeat, job.leakage, job.manual):
        entry()
    with tempfile.TemporaryDirectory() as keep:
        keep = pathlib.Path(keep)
        (keep / "plan.toml").write_text("\n".join(job.plan) + "\n")
        (keep / "bench.toml").write_text(
            "format = 1\n"
            f"[voltage]\nchannel = 0\nscale = 1.0\nrelative_standard_uncertainty = {job.uv}\n"
            f"[current]\nchannel = 1\nscale = 1.0\nrelative_standard_uncertainty = {job.ui}\n"
            '[load]\nrelative_standard_uncertainty = 0.0\n[bench]\ntaken_at = "2026-03-02"\n'
        )
        folder = keep / "job"
        done = run(program, "job", "init", folder, "--profile", keep / "plan.toml", "--bench", keep / "bench.toml",
                   "--state", "as left")
        assert done.returncode == 0, done.stderr
        for step, (volt, ohm) in job.takes.items():
            sheet = folder / "captures" / f"{step}.capture.toml"
            text = sheet.read_text().replace("format = 1", f"format = 1\nsample_rate_hz = {RATE}", 1)
            sheet.write_text(text)
            capture(folder / "captures" / f"{step}.npy", volt, ohm)
        for step, value, unit in job.readings:
            done = run(program, "job", "note", folder, step, value, unit)
            assert done.returncode == 0, done.stderr
        done = run(program, "job", folder, "--json")
        result = json.loads(done.stdout)
    found = {}
    for group in result["groups"]:
        for line in group["lines"]:
            found[(group["id"], line.get("step") if group["id"] in "cl" and line.get("step") else line["measure"])] = line
    wrong = []
    for key, (value, u, wanted) in job.want.items():
        line = found.get(key)
        if line is None:
            wrong.append(f"{seed} {key}: not told, there are {sorted(found)}")
            continue
        if abs(line["value"] - value) > 1e-4 * abs(value) + 1e-6:
            wrong.append(f"{seed} {key}: {line['value']}, true {value}")
        # Edges and interpolation add some 1e-4 of a power, which a small rise sees.
        own = 0.05 if key[0] == "l" else 0.0
        if u and abs(line["expanded_uncertainty"] - u) > 0.03 * u + own and u > 1e-3 * abs(value):
            wrong.append(f"{seed} {key}: U {line['expanded_uncertainty']}, true {u}")
        if wanted and line["verdict"] != wanted:
            wrong.append(f"{seed} {key}: {line['verdict']}, true {wanted}: {line}")
    return len(job.want), wrong


def main():
    program, jobs = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 20
    lines, wrong = 0, []
    for seed in range(jobs):
        count, faults = check(program, seed)
        lines += count
        wrong += faults
    print(f"verdicts: {lines} lines of {jobs} random jobs, {len(wrong)} not as reckoned apart")
    for fault in wrong[:20]:
        print(" ", fault[:400])
    sys.exit(bool(wrong))


main()
