"""The Python package against the Rust call and against a numpy/scipy script of the same measures, and a
batch on one and on two workers: `python benches/python.py` in a venv with the package (release build); `--rust` builds and runs the Rust side.
"""

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import crestbook
import numpy as np


def best(work, times=7):
    """Shortest wall time of some runs, s."""
    told = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        told.append(time.perf_counter() - begun)
    return min(told)


def script(v, i, rate):
    """Power, RMS, crest factor, carrier, on-share and phases as a script of numpy and scipy has them."""
    from scipy import ndimage, signal

    power = np.mean(v * i)
    rms = np.sqrt(np.mean(v * v))
    crest = np.max(np.abs(v)) / rms
    spectrum = np.abs(np.fft.rfft(v * signal.windows.hann(v.size)))
    carrier = np.argmax(spectrum) * rate / v.size
    envelope = np.abs(signal.hilbert(v))
    on = np.mean(envelope > 0.1 * envelope.max())
    slow = ndimage.maximum_filter1d(envelope, int(rate * 1e-4))
    phases = np.flatnonzero(np.diff((slow > 0.01 * slow.max()).astype(int)))
    return power, rms, crest, carrier, on, phases


def main():
    # The record of benches/stages.rs.
    made = crestbook.synth(
        "cycled",
        cut_s=0.02,
        coag_s=0.04,
        rest_s=0.01,
        peak_v=500.0,
        coag_peak_v=1500.0,
        decrement=0.4,
        snr_db=45.0,
        duration_s=2**20 / 1e7,
    )
    v, i = made.arrays()
    rate = made.sample_rate_hz
    root = Path(__file__).resolve().parents[1]
    print(f"{v.size} samples of a cycled output, seconds (best of 7)")
    print(f"  crestbook.measure          {best(lambda: crestbook.measure(v, i, rate=rate)):.4f}")
    single = best(lambda: crestbook.measure(v, i, rate=rate, threads=1))
    print(f"  the same, one thread       {single:.4f}")
    if "--rust" in sys.argv:
        # Builds the benches, which takes minutes where nothing is built.
        command = ["cargo", "bench", "--bench", "stages", "--", "measure_arrays"]
        done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=True)
        for line in done.stdout.splitlines():
            if "measure_arrays" in line:
                print("  Rust:", line.strip())
    try:
        print(f"  numpy/scipy script         {best(lambda: script(v, i, rate)):.4f}")
    except ImportError:
        print("  scipy is not there: no script to compare with")
    with tempfile.TemporaryDirectory() as folder:
        inside = Path(folder, "in")
        inside.mkdir()
        count = 400
        for k in range(count):
            crestbook.synth("gated", seed=k, snr_db=40.0, bits=16, duration_s=0.01).save(inside / f"{k:04}.wav")
        print(f"batch of {count} captures of 100000 samples, seconds")
        for engine in ("threads", "dask"):
            for workers in (1, 2):
                out = Path(folder, f"out-{engine}-{workers}")
                begun = time.perf_counter()
                try:
                    crestbook.batch(inside, out=out, workers=workers, chunk=16, engine=engine)
                except crestbook.UseError as error:
                    print(f"  {engine}: {error}")
                    break
                took = time.perf_counter() - begun
                print(f"  {engine}, {workers} worker(s): {took:.2f}, {1e3 * took / count:.2f} ms a capture")
        again = time.perf_counter()
        crestbook.batch(inside, out=Path(folder, "out-threads-1"))
        print(f"  nothing new: {time.perf_counter() - again:.2f}")
        size = sum(f.stat().st_size for f in Path(folder, "out-threads-1").iterdir())
        print(f"  the table: {size / count / 1e3:.1f} kB a capture")
        shutil.rmtree(folder, ignore_errors=True)
    print(json.dumps({"version": crestbook.__version__}))


if __name__ == "__main__":
    main()
