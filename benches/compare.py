#!/usr/bin/env python3
"""Times crestbook against equivalent pandas+scipy and polars+scipy scripts, side by side.

    python3 benches/compare.py [--megabytes 640] [--runs 3]

Makes its own virtual environment in benches/.venv and its data in benches/data, builds crestbook
in release mode, and prints times, ratios and peak memory. Nothing here is run by the tests.
"""
import argparse
import os
import pathlib
import subprocess
import sys
import time
import venv

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent
DATA = HERE / "data"
VENV = HERE / ".venv"
PYTHON = VENV / "bin" / "python"
NEEDS = ["numpy", "scipy", "pandas", "polars"]

# What the two scripts have in common: offset, analytic-signal envelope, phases from it, per phase
# RMS, power, peak, crest factor, carrier by a sine fit, and bursts with rate, on-time and energy.
# Written as one writes it with numpy and scipy: whole arrays, no loops over samples. crestbook
# does more (peaks between samples, noise, edges by likelihood, flags), so the ratios are fair to
# the scripts.
ANALYSIS = r'''
import numpy as np
from scipy import fft, ndimage, optimize, signal
def analyse(t, v, i):
    fs = (len(t) - 1) / (t[-1] - t[0])
    size = fft.next_fast_len(len(v))
    envelope = np.abs(signal.hilbert(v, size)[:len(v)])
    n = int(fs * 250e-6)
    level = ndimage.uniform_filter1d(v * v, n)
    crest = ndimage.maximum_filter1d(envelope, n) / np.sqrt(np.maximum(level, 1e-12))
    on = level > (0.02 ** 2) * level.max()
    state = np.where(on, np.where(crest > 4, 2, 1), 0).astype(np.int8)
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(state)) + 1, [len(v)]])
    keep = np.concatenate([[True], np.diff(bounds)[1:] > 2 * n, [True]])
    bounds = bounds[keep]
    rest = ~on
    v = v - (v[rest].mean() if rest.any() else 0)
    i = i - (i[rest].mean() if rest.any() else 0)
    out = []
    for a, b in zip(bounds[:-1], bounds[1:]):
        pv, pi, pe = v[a:b], i[a:b], envelope[a:b]
        p = pv * pi
        rms, peak = np.sqrt(np.mean(pv * pv)), np.abs(pv).max()
        f, s = signal.periodogram(pv[:1 << 16], fs, window="hann")
        x, k = pv[:1 << 14], np.arange(min(len(pv), 1 << 14)) / fs
        def rest_of(q):
            return q[0] * np.cos(q[2] * k) + q[1] * np.sin(q[2] * k) + q[3] - x
        w = 2 * np.pi * f[np.argmax(s)]
        fit = optimize.least_squares(rest_of, [peak, peak, w, 0], x_scale=[peak, peak, w, peak])
        above = pe > 0.1 * peak
        starts = np.flatnonzero(above[1:] & ~above[:-1]) + 1
        ends = np.flatnonzero(~above[1:] & above[:-1]) + 1
        bursts = None
        if len(starts) > 2:
            m = min(len(starts), len(ends)) - 1
            energy = np.add.reduceat(p, starts) / fs
            bursts = (fs / np.diff(starts).mean(), (ends[:m] - starts[:m]).mean() / fs, energy.mean())
        out.append((a / fs, b / fs, rms, np.sqrt(np.mean(pi * pi)), p.mean(), peak, peak / rms,
                    fit.x[2] / 2 / np.pi, bursts))
    return out
'''
SCRIPTS = {
    "pandas+scipy": ANALYSIS + r'''
import sys, pandas as pd
d = pd.read_csv(sys.argv[1])
print(len(analyse(*(d.iloc[:, k].to_numpy() for k in range(3)))))
''',
    "polars+scipy": ANALYSIS + r'''
import sys, polars as pl
d = pl.read_csv(sys.argv[1])
print(len(analyse(*(d[:, k].to_numpy() for k in range(3)))))
''',
}
MAKE = r'''
import sys, json, numpy as np
megabytes, csv, wav, npy = float(sys.argv[1]), sys.argv[2], sys.argv[3], sys.argv[4]
comma, mixed, sigmf, comtrade = sys.argv[5:9]
fs, f = 10e6, 500e3
rng = np.random.default_rng(1)
def stretch(start, count):
    n = np.arange(start, start + count)
    t = n / fs
    c = t % 0.9
    burst = t % 40e-6
    cut = 700 * np.sin(2 * np.pi * f * t)
    coag = 2500 * np.exp(-0.4 * f * burst) * np.sin(2 * np.pi * f * burst)
    v = np.where(c < 0.05, cut, np.where(c < 0.8, coag, 0)) + rng.normal(0, 3, count)
    return t, v, v / 500 + rng.normal(0, 0.006, count)
with open(csv, "w") as out, open(comma, "w") as decimal, open(mixed, "w") as widths:
    out.write("time (s),voltage (V),current (A)\n")
    decimal.write("Zeit [s];U1 [V];I1 [A]\n")
    widths.write("time (s), voltage (V), current (A)\n")
    rows = 0
    while out.tell() < megabytes * 1e6:
        t, v, i = stretch(rows, 250_000)
        text = "\n".join(map("%.7f,%.5f,%.7f".__mod__, zip(t, v, i))) + "\n"
        out.write(text)
        decimal.write(text.replace(",", ";").replace(".", ","))
        widths.write("\n".join(map("%.7f, %+12.5E, %g".__mod__, zip(t, v, i))) + "\n")
        rows += 250_000
count = 60_000_000
array = np.lib.format.open_memmap(npy, mode="w+", dtype="<f4", shape=(count, 2))
import struct
with open(wav, "wb") as out:
    out.write(b"RIFF" + struct.pack("<I", 36 + count * 4) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 2, int(fs), int(fs) * 4, 4, 16) + b"data" + struct.pack("<I", count * 4))
    for at in range(0, count, 1_000_000):
        t, v, i = stretch(at, 1_000_000)
        array[at:at + 1_000_000, 0] = v
        array[at:at + 1_000_000, 1] = i
        both = np.stack([v / 4000, i / 8], axis=1)
        out.write(np.round(np.clip(both, -1, 1) * 32767).astype("<i2").tobytes())
array.flush()
# SigMF and COMTRADE hold the same 16-bit codes as the WAV.
codes = np.memmap(wav, "<i2", mode="r", offset=44).reshape(-1, 2)
codes.tofile(sigmf.replace("-meta", "-data"))
with open(sigmf, "w") as out:
    json.dump({"global": {"core:version": "1.2.5", "core:datatype": "ri16_le", "core:sample_rate": fs, "core:num_channels": 2},
               "captures": [{"core:sample_start": 0}], "annotations": []}, out)
with open(comtrade, "w", newline="") as out:
    out.write("bench,1,2013\r\n2,2A,0D\r\n1,U,,,V,%.9g,0,0,-32767,32767,1,1,P\r\n2,I,,,A,%.9g,0,0,-32767,32767,1,1,P\r\n"
              "0\r\n1\r\n%d,%d\r\n01/01/2031,00:00:00.000000\r\n01/01/2031,00:00:00.000000\r\nBINARY\r\n1\r\n" % (4000 / 32768, 8 / 32768, fs, count))
with open(comtrade.replace(".cfg", ".dat"), "wb") as out:
    for at in range(0, count, 1_000_000):
        part = np.zeros(1_000_000, dtype=[("n", "<u4"), ("t", "<u4"), ("v", "<i2"), ("i", "<i2")])
        part["n"] = np.arange(at + 1, at + 1_000_001)
        part["t"] = (np.arange(at, at + 1_000_000) // 10)
        part["v"], part["i"] = codes[at:at + 1_000_000, 0], codes[at:at + 1_000_000, 1]
        out.write(part.tobytes())
'''


def run(command):
    """Wall time in seconds and peak anonymous memory in MiB of one run."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    anonymous = 0
    while process.poll() is None:
        try:
            with open(f"/proc/{process.pid}/status") as status:
                for line in status:
                    if line.startswith("RssAnon"):
                        anonymous = max(anonymous, int(line.split()[1]) / 1024)
        except OSError:
            pass
        time.sleep(0.005)
    took = time.perf_counter() - start
    _, err = process.communicate()
    if process.returncode != 0:
        sys.exit(f"{command[0]} failed: {err.decode()[-500:]}")
    return took, anonymous


def best(command, runs):
    results = [run(command) for _ in range(runs)]
    return min(t for t, _ in results), max(m for _, m in results)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=float, default=640)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--own", action="store_true", help="crestbook alone, without the scripts")
    args = parser.parse_args()
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True)
        subprocess.run([PYTHON, "-m", "pip", "install", "-q", *NEEDS], check=True)
    DATA.mkdir(exist_ok=True)
    csv = DATA / f"capture-{args.megabytes:.0f}.csv"
    wav, npy = DATA / "capture.wav", DATA / "capture.npy"
    comma, mixed = (DATA / f"{kind}-{args.megabytes:.0f}.csv" for kind in ("comma", "mixed"))
    sigmf, comtrade = DATA / "capture-ri16.sigmf-meta", DATA / "capture-binary.cfg"
    files = [csv, wav, npy, comma, mixed, sigmf, comtrade]
    if not all(file.exists() for file in files):
        print("making the captures ...", flush=True)
        subprocess.run([PYTHON, "-c", MAKE, str(args.megabytes), *files], check=True)
    subprocess.run(["cargo", "build", "--release", "--quiet"], cwd=ROOT, check=True)
    binary = ROOT / "target" / "release" / "crestbook"

    print(f"text, {csv.stat().st_size / 1e6:.0f} MB, {os.cpu_count()} cores; best of {args.runs}")
    commands = {"crestbook": [binary, "measure", csv, "--set", "load.nominal_ohm=500"]}
    commands["crestbook --json (with SHA-256)"] = [*commands["crestbook"], "--json"]
    for name, file in {"semicolon, decimal comma": comma, "blanks, signs, mixed widths": mixed}.items():
        commands[f"crestbook, {name}"] = [binary, "measure", file, "--set", "load.nominal_ohm=500"]
    scripts = {} if args.own else SCRIPTS
    for name, script in scripts.items():
        path = DATA / f"{name}.py"
        path.write_text(script)
        commands[name] = [PYTHON, path, csv]
    times = {}
    for name, command in commands.items():
        seconds, memory = best(command, args.runs)
        times[name] = seconds
        print(f"  {name:38} {seconds:7.2f} s   {memory:8.0f} MiB anonymous", flush=True)
    for name in [name for name in times if name.startswith("crestbook, ")]:
        print(f"  {name[11:]}: {times['crestbook'] / times[name]:.2f} of the speed of the plain one")
    for name in scripts:
        print(f"  crestbook is {times[name] / times['crestbook']:.1f} times as fast as {name}")

    count = 60_000_000
    print(f"binary, {count / 1e6:.0f} million two-channel samples")
    scale = ["--set", "voltage.scale=4000", "--set", "current.scale=8"]
    for name, command in {
        "WAV, 16 bit": [binary, "measure", wav, *scale],
        "npy, float32, N x 2": [binary, "measure", npy, "--set", "sample_rate_hz=1e7"],
        "SigMF, ri16_le": [binary, "measure", sigmf, *scale],
        "COMTRADE, BINARY": [binary, "measure", comtrade],
    }.items():
        seconds, memory = best(command, args.runs)
        print(f"  {name:38} {seconds:7.2f} s   {memory:8.0f} MiB anonymous   "
              f"{count / seconds / 1e6:.0f} million samples per second", flush=True)


if __name__ == "__main__":
    main()
