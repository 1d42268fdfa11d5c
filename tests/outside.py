#!/usr/bin/env python3
"""Files written by `crestbook convert`, read by third programs; sample by sample.

    python3 tests/outside.py path/to/crestbook

Needs numpy, scipy, sigmf, comtrade, and pyarrow where the program writes Parquet.
"""
import csv
import importlib
import json
import pathlib
import struct
import subprocess
import sys
import tempfile
import warnings

import numpy as np

warnings.simplefilter("ignore")
PROGRAM = pathlib.Path(sys.argv[1]).resolve()
FIXTURES = pathlib.Path(__file__).resolve().parent.parent / "fixtures" / "harrow-fell"
passed, failed, skipped = 0, 0, 0


def truth(name):
    """Volts and amperes of a fixture, by numpy alone: codes as shares of full scale times the scale."""
    path = FIXTURES / name
    scales = [1.0, 1.0]
    for line in (FIXTURES / f"{path.stem}.capture.toml").read_text().splitlines():
        if line.startswith("["):
            table = line
        if line.startswith("scale") and table in ("[voltage]", "[current]"):
            scales[table == "[current]"] = float(line.split("=")[1])
    if path.suffix == ".npy":
        return np.load(path).astype(float) * scales, None
    if path.suffix == ".csv":
        return np.loadtxt(path, delimiter=",", skiprows=1)[:, 1:], None
    from scipy.io import wavfile
    codes = wavfile.read(path)[1]
    # scipy gives 24 bit in the upper bytes of 32.
    full = 2.0 ** 15 if codes.dtype == np.int16 else 2.0 ** 31
    return codes / full * scales, codes


def load(path):
    ending = path.suffix
    if ending == ".csv":
        with open(path) as file:
            assert next(csv.reader(file)) == ["time (s)", "voltage (V)", "current (A)"]
        return np.loadtxt(path, delimiter=",", skiprows=1)[:, 1:], 0
    if ending == ".npy":
        return np.load(path), 0
    if ending == ".npz":
        with np.load(path) as arrays:
            assert float(arrays["sample_rate_hz"]) > 0
            return np.stack([arrays["voltage"], arrays["current"]], axis=1), 0
    if ending == ".wav":
        from scipy.io import wavfile
        return wavfile.read(path)[1], 0
    if ending == ".sigmf-meta":
        import sigmf
        recording = sigmf.fromfile(str(path), autoscale=False)
        recording.validate()
        for mark in recording.get_annotations():
            assert mark["core:label"] in ("cut", "coag", "rest"), mark
        assert recording.get_annotations(), "no phases were marked"
        meta = json.loads(path.read_text())["global"]
        scales = [channel["scale"] for channel in meta["crestbook:channels"]]
        kinds = {"ri8": "i1", "ri16_le": "<i2", "ri32_le": "<i4", "rf32_le": "<f4", "rf64_le": "<f8"}
        data = np.fromfile(path.with_suffix(".sigmf-data"), kinds[meta["core:datatype"]]).reshape(-1, 2)
        # The package reads everything as 32-bit floats, codes as they are.
        own = recording.read_samples()
        assert np.allclose(own, data, rtol=1e-6, atol=0), "the package reads other numbers"
        full = 2.0 ** (8 * data.dtype.itemsize - 1) if data.dtype.kind == "i" else 1.0
        return data / full * scales, 0
    if ending in (".cfg", ".cff"):
        import comtrade
        record = comtrade.Comtrade(use_numpy_arrays=True, use_double_precision=True)
        record.load(str(path), *([str(path.with_suffix(".dat"))] if ending == ".cfg" else []))
        assert [unit for unit in (channel.uu for channel in record.cfg.analog_channels)] == ["V", "A"]
        return np.stack(record.analog, axis=1), 1e-6
    if ending == ".parquet":
        import pyarrow.parquet as pq
        file = pq.ParquetFile(path)
        encodings = file.metadata.row_group(0).column(0).encodings
        assert "BYTE_STREAM_SPLIT" in encodings, encodings
        table = file.read()
        return np.stack([table["voltage (V)"], table["current (A)"]], axis=1), 0
    raise ValueError(ending)


def agree(got, wanted, allowed):
    top = np.abs(wanted).max(axis=0)
    return got.shape == wanted.shape and (np.abs(got - wanted) <= (allowed + 4e-16) * top).all()


with tempfile.TemporaryDirectory() as folder:
    for source in ["blend-60.wav", "coag-40.wav", "cut-80.csv", "cut-80-skewed.npy"]:
        wanted, codes = truth(source)
        for ending in ["csv", "npy", "npz", "wav", "sigmf-meta", "cfg", "cff", "parquet"]:
            out = pathlib.Path(folder) / f"{source.replace('.', '-')}.{ending}"
            done = subprocess.run([PROGRAM, "convert", FIXTURES / source, "-o", out], capture_output=True, text=True)
            if ending == "parquet" and done.returncode == 2:
                skipped += 1
                continue
            try:
                assert done.returncode == 0, done.stderr
                got, allowed = load(out)
                if codes is not None and ending in ("npy", "npz", "wav"):
                    # Codes stay codes; 24 bit in 32 have their value in the upper bytes.
                    assert np.array_equal(got.astype(np.int64) * (65536 if got.dtype == np.int16 and codes.dtype != np.int16 else 1), codes.astype(np.int64)), "codes differ"
                else:
                    assert agree(np.asarray(got, float), wanted, allowed), f"worst {np.abs(got - wanted).max()}"
                passed += 1
            except ModuleNotFoundError as error:
                skipped += 1
                print(f"skipped: {source} to {ending}: {error}")
            except Exception as error:  # noqa: BLE001 - each file is judged on its own
                failed += 1
                print(f"FAILED: {source} to {ending}: {type(error).__name__} {error}")
print(f"{passed} passed, {failed} failed, {skipped} skipped")
sys.exit(failed > 0)
