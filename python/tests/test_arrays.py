"""Arrays of every kind: the right ones measured where they lie, the wrong ones refused with help."""

from __future__ import annotations

import multiprocessing
import random
import signal
import threading
import time
from pathlib import Path

import crestbook
import numpy as np
import pytest

RATE = 10e6
K = np.arange(200_000)
V = 300.0 * np.sin(0.3 * K)


def power(v, i=None, **more) -> float:
    return crestbook.measure(v, i, rate=RATE, **more).whole.power_w.value


def test_types_and_layouts_give_the_same_power() -> None:
    i = V / 500.0
    reference = power(V, i)
    assert reference == pytest.approx(90.0, rel=1e-4)
    table = np.stack([V, i], axis=1)
    assert power(table[:, 0], table[:, 1]) == reference
    assert power(np.repeat(V, 3)[::3], i) == reference
    assert power(V[::-1][::-1], i) == reference
    assert power(V.astype(">f8"), i.astype(">f8")) == reference
    frozen = V.copy()
    frozen.flags.writeable = False
    assert power(frozen, i) == reference
    assert power(list(V), list(i)) == reference
    record = np.zeros(V.size, dtype=[("n", "i1"), ("v", "f8")])
    record["v"] = V
    assert power(record["v"], i) == reference
    for kind in (np.float32, np.float16, np.longdouble):
        assert power(V.astype(kind), i) == pytest.approx(reference, rel=1e-3)
    for kind in (np.int16, np.int32, np.int64):
        codes = np.round(V * 100.0).astype(kind)
        assert power(codes, v_scale=0.01, load=500.0) == pytest.approx(90.0, rel=1e-3)
    small = np.round(V / 300.0 * 100).astype(np.int8)
    assert power(small, v_scale=3.0, load=500.0) == pytest.approx(90.0, rel=2e-2)


def test_arrays_are_read_where_they_lie() -> None:
    """A million samples more would show: nothing of the size of the array is kept."""
    import tracemalloc

    v = np.tile(V, 20)
    tracemalloc.start()
    crestbook.from_arrays(v, rate=RATE, load=500.0)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < v.nbytes / 50


def test_gaps_are_gaps() -> None:
    v = V.copy()
    v[1000:1010] = np.nan
    m = crestbook.measure(v, rate=RATE, load=500.0)
    assert m.whole.power_w.value == pytest.approx(90.0, rel=1e-3)
    assert any(flag.code == "invalid_samples" or flag.samples == 10 for flag in m.flags)


WRONG = [
    ({"v": np.ones((3, 3))}, "shape"),
    ({"v": np.ones(())}, "shape"),
    ({"v": np.array([])}, "empty"),
    ({"v": ["a", "b"]}, "not real numbers"),
    ({"v": [[1], [1, 2]]}, "array"),
    ({"v": np.array([1, None], dtype=object)}, "not real numbers"),
    ({"v": V * 1j}, "not real numbers"),
    ({"v": V > 0}, "not real numbers"),
    ({"v": V.astype("datetime64[s]")}, "not real numbers"),
    ({"v": np.ma.masked_less(V, 0)}, "masked"),
    ({"v": V, "i": V[:-1]}, "samples"),
    ({}, "neither"),
    ({"v": K}, "codes"),
    ({"v": V, "rate": 0}, "rate"),
    ({"v": V, "rate": -1.0}, "rate"),
    ({"v": V, "rate": float("nan")}, "rate"),
    ({"v": V, "rate": "1e7"}, "not a number"),
    ({"v": V, "rate": True}, "not a number"),
    ({"v": V, "rate": 10**400}, "not a number"),
    ({"v": V, "load": "500"}, "not a number"),
    ({"v": V, "load": -500.0}, "above 0|nominal_ohm"),
    ({"v": V, "load": float("inf")}, "finite"),
    ({"v": V, "sheet": {"load": {"nominal_ohmm": 5.0}}}, "nominal_ohm"),
    ({"v": V, "sheet": {"load": {"nominal_ohm": 5.0}}, "load": 6.0}, "once"),
    ({"v": V, "sheet": "no-such-file.toml"}, "can't be read"),
    ({"v": V, "duty_treshold": 0.1}, "duty_treshold"),
    ({"v": V, "duty_threshold": 2.0}, "out of range"),
    ({"v": V, "simulate": 3}, "simulate 3"),
    ({"v": V, "simulate": "some"}, "some"),
    ({"v": np.full(1000, np.nan)}, "no sample is valid"),
    ({"v": np.full(1000, 1e300)}, "no bench sees"),
]


@pytest.mark.parametrize(("given", "said"), WRONG, ids=range(len(WRONG)))
def test_wrong_input_is_an_exception_with_help(given, said: str) -> None:
    with pytest.raises(crestbook.CrestbookError, match=said) as caught:
        crestbook.measure(**{"rate": RATE, **given})
    assert caught.value.code


def test_an_array_that_changes_is_found() -> None:
    v = np.tile(V, 10)
    over = threading.Event()

    def spoil() -> None:
        while not over.is_set():
            v[::1000] += 1.0

    writer = threading.Thread(target=spoil)
    writer.start()
    try:
        with pytest.raises(crestbook.UseError, match="changed"):
            crestbook.measure(v, rate=RATE, load=500.0)
    finally:
        over.set()
        writer.join()


def test_other_threads_run_meanwhile() -> None:
    v = np.tile(V, 20)
    count = 0
    over = threading.Event()

    def work() -> None:
        crestbook.measure(v, rate=RATE, load=500.0)
        over.set()

    worker = threading.Thread(target=work)
    worker.start()
    while not over.is_set():
        count += 1
        time.sleep(0.001)
    worker.join()
    assert count > 5


def test_ctrl_c_ends_it() -> None:
    v = np.tile(V, 100)
    timer = threading.Timer(0.15, signal.raise_signal, [signal.SIGINT])
    timer.start()
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        for _ in range(1000):
            crestbook.measure(v, rate=RATE, load=500.0)
    assert time.monotonic() - begun < 60


def test_what_is_not_blurred_by_noise_is_not_averaged_out() -> None:
    """Steps of a converter whose errors come again with each cycle of the carrier."""
    for flags in ({"bits": 8}, {"bits": 6}, {"bits": 8, "duration_s": 1e-3, "rate_hz": 20e6}):
        made = crestbook.synth("continuous", **flags)
        power = made.measure().whole.power_w
        # Within an interval that holds 95 %, or next to it: 60 to 150 U if steps were taken as noise.
        assert abs(power.value - made.truth["whole"]["power_w"]) < 1.5 * power.U


def test_a_gate_that_cuts_the_carrier_anywhere() -> None:
    t = np.arange(400_000) / 20e6
    v = 1500.0 * np.sin(2 * np.pi * 507_618 * t) * ((t * 34_592) % 1 < 0.385)
    peak = crestbook.measure(v, v / 500, rate=20e6).whole.voltage_peak_v
    assert abs(peak.value - 1500.0) < peak.U


def test_nothing_is_connected_but_current_flows() -> None:
    m = crestbook.measure(V, V / 500, rate=RATE, sheet={"load": {"kind": "open"}})
    assert "load_mismatch" in {flag.code for flag in m.flags}


def test_an_exception_of_the_callback_comes_back(bench: Path) -> None:
    def stop(done: int, total: int) -> None:
        raise RuntimeError("enough")

    with pytest.raises(RuntimeError, match="enough"):
        crestbook.read(bench / "cycle-2.wav", progress=stop)


def _child(queue) -> None:
    queue.put(power(V, V / 500.0))


def test_fork_after_use() -> None:
    expected = power(V, V / 500.0)
    crestbook.simulate(crestbook.synth("cycled", snr_db=40.0), draws=1000)
    context = multiprocessing.get_context("fork")
    queue = context.Queue()
    child = context.Process(target=_child, args=(queue,))
    child.start()
    assert queue.get(timeout=60) == expected
    child.join()


def test_captures_are_read_in_windows(bench: Path) -> None:
    c = crestbook.read(bench / "cycle-2.wav")
    whole = np.asarray(c.v)
    assert len(c) == whole.size == len(c.i)
    np.testing.assert_array_equal(c.v[1000:1010], whole[1000:1010])
    np.testing.assert_array_equal(c.v[-5:], whole[-5:])
    np.testing.assert_array_equal(c.v[10:200:7], whole[10:200:7])
    np.testing.assert_array_equal(c.v[200:10:-7], whole[200:10:-7])
    assert c.v[-1] == whole[-1]
    with pytest.raises(IndexError):
        c.v[len(c)]
    window = c.window(0.01, 0.011)
    np.testing.assert_array_equal(window["v"], whole[80_000:88_000])
    columns = c.columns(50)
    assert columns["v_high"].max() == np.float32(whole.max())
    assert columns["v_low"].min() == np.float32(whole.min())
    assert sum(1 for _ in c.v) == len(c)
    with pytest.raises(crestbook.UseError, match="slice"):
        c.v[[1, 2]]
    for wrong in [(0.0, 1e9), (-1.0, 0.1), (0.1, 0.1), (float("nan"), 1.0), (0.0, float("inf"))]:
        with pytest.raises(crestbook.UseError, match="within"):
            c.window(*wrong)
    part = c.measure(0.0, 0.02)
    assert isinstance(part, crestbook.MeasureSet)
    assert part.power_w.value > 0


def test_bytes_and_files(bench: Path, tmp_path: Path) -> None:
    path = bench / "cut-80.csv"
    expected = crestbook.read(path, keys={"load.nominal_ohm": 500.0}).measure()
    sheet = (bench / "cut-80.capture.toml").read_text()
    assert expected.whole.power_w.value > 0
    stated = {"load": {"nominal_ohm": 500.0}, "instrument": [{"role": "probe", "id": "P1"}]}
    by_mapping = crestbook.read(path, sheet=stated).measure()
    assert by_mapping.capture["instrument"][0]["id"] == "P1"
    assert crestbook.read(path).records == 1
    by_bytes = crestbook.read(path.read_bytes(), sheet=bench / "cut-80.capture.toml", name="cut-80.csv")
    of_file = crestbook.read(path).measure()
    assert by_bytes.measure().whole.power_w == of_file.whole.power_w
    with path.open("rb") as file:
        assert crestbook.read(file, sheet=bench / "cut-80.capture.toml").measure().whole == of_file.whole
    with pytest.raises(crestbook.UseError, match="closed"):
        crestbook.read(file)
    with path.open() as text, pytest.raises(crestbook.UseError, match="rb"):
        crestbook.read(text)  # type: ignore[arg-type]
    for wrong in (5, None, [1, 2], V):
        with pytest.raises(crestbook.UseError, match="no capture"):
            crestbook.read(wrong)  # type: ignore[arg-type]
    with pytest.raises(crestbook.DataError) as caught:
        crestbook.read(tmp_path / "missing.csv")
    assert caught.value.code == "unreadable" and caught.value.file is not None
    with pytest.raises(crestbook.DataError):
        crestbook.read(b"")
    with pytest.raises(crestbook.DataError):
        crestbook.read(b"\x00\x01garbage" * 50)
    assert "format" in sheet


def test_convert_and_synth_write_what_the_command_writes(tmp_path: Path, command) -> None:
    a, b = tmp_path / "a.wav", tmp_path / "b.wav"
    crestbook.synth("damped", bits=16, snr_db=40.0, duration_s=0.005).save(a)
    command("synth", "damped", "--bits", "16", "--snr-db", "40", "--duration-s", "0.005", "-o", str(b))
    assert a.read_bytes() == b.read_bytes()
    assert a.with_suffix(".truth.json").read_bytes() == b.with_suffix(".truth.json").read_bytes()
    with pytest.raises(crestbook.UseError, match="overwrite=True"):
        crestbook.synth("damped").save(a)
    with pytest.raises(crestbook.UseError, match="no effect"):
        crestbook.synth("continuous", duty=0.5)
    out = crestbook.read(a).convert(tmp_path / "c.npy")
    assert crestbook.read(out).measure().whole.power_w.value == pytest.approx(
        crestbook.read(a).measure().whole.power_w.value, rel=1e-9
    )
    with pytest.raises(crestbook.UseError):
        crestbook.read(a).convert(a, overwrite=True)


def test_anything_at_all() -> None:
    """A fuzz of the binding: whatever comes in, a result or an exception of ours goes out."""
    dice = random.Random(7)
    scalars = [0, 1, -1, 1e7, 1e-300, 1e300, float("nan"), float("inf"), "x", None, True, [], {}, 1 + 2j]

    def array():
        size = dice.choice([0, 1, 2, 15, 16, 17, 1000, 65_536, 70_001])
        kind = dice.choice("b B h H i I l L f d e ? D O S1 >f4 >i2 >f8 M8[s]".split())
        base = np.array([dice.choice([0.0, 1.0, -1.0, 1e3, 120.0]) for _ in range(7)])
        x = np.resize(base, size) * np.sin(np.arange(size) * dice.random())
        with np.errstate(all="ignore"):
            try:
                x = x.astype(kind)
            except (TypeError, ValueError):
                return x
        if x.dtype.kind == "f" and size and dice.random() < 0.3:
            x[dice.randrange(size)] = dice.choice([np.nan, np.inf, -np.inf])
        step = dice.choice([1, 1, 2, -1, 3])
        x = x[::step]
        if dice.random() < 0.1:
            x = x.reshape(-1, 1)
        if dice.random() < 0.1:
            x = np.broadcast_to(x[:1], x.shape)
        if dice.random() < 0.1 and size:
            x = memoryview(np.ascontiguousarray(x)) if x.dtype.kind in "iuf" else x
        return x

    keys = ["load", "v_scale", "i_scale", "duty_threshold", "burst_samples", "threads", "rest_min_s", "seed"]
    for _ in range(400):
        given = {"rate": dice.choice([*scalars, 1e7, 1e7, 1e6, np.float32(1e7), np.int64(10**7)])}
        for name in "vi":
            if dice.random() < 0.8:
                given[name] = array() if dice.random() < 0.9 else dice.choice(scalars)
        for key in dice.sample(keys, dice.randrange(3)):
            given[key] = dice.choice([*scalars, 0.2, 2, 500])
        if dice.random() < 0.3:
            given["sheet"] = {dice.choice(["load", "voltage", "x"]): dice.choice([{"scale": 2}, {}, 3, {"nominal_ohm": 9}])}
        try:
            m = crestbook.measure(**given)
        except crestbook.CrestbookError as error:
            assert error.code and str(error)
        else:
            assert "NaN" not in m.to_json()
