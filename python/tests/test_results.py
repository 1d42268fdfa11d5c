"""Results say the same as the command line, and as other libraries."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import crestbook
import numpy as np
import pytest

CAPTURES = ["cycle-2.wav", "coag-40.wav", "cut-80.csv", "bipolar-15.csv", "desiccation-20.npy"]


@pytest.mark.parametrize("name", CAPTURES)
def test_measure_is_the_command_lines_number_by_number(bench: Path, command, name: str) -> None:
    path = bench / name
    printed = json.loads(command("measure", str(path), "--json").stdout)
    measured = crestbook.read(path, hash=True).measure(hash=True)
    assert json.loads(measured.to_json()) == printed
    assert measured.to_dict() == printed
    # Every number of the objects is one of the document.
    for part in ("whole", *printed["kinds"]):
        told = printed["whole"] if part == "whole" else printed["kinds"][part]
        for key, estimate in measured.part(part).items():
            assert estimate.value == told[key]["value"]
            assert estimate.u == told[key].get("standard_uncertainty")
            assert estimate.U == told[key].get("expanded_uncertainty")
        assert dict(measured.part(part).missing) == told.get("missing", {})
    assert [phase.kind for phase in measured.phases] == [p["kind"] for p in printed["phases"]]
    assert [flag.code for flag in measured.flags] == [f["code"] for f in printed["flags"]]


def test_check_is_the_command_lines(bench: Path, command) -> None:
    profile = bench / "tarnbeck.toml"
    for name in ["cycle-2.wav", "cut-80-weak.wav", "blend-60.wav"]:
        printed = command("check", str(bench / name), "--profile", str(profile), "--json")
        checked = crestbook.read(bench / name, hash=True).check(
            crestbook.Profile(profile), hash=True
        )
        told = json.loads(printed.stdout)
        assert json.loads(checked.to_json()) == told
        assert checked.verdict == told["verdict"]
        assert [limit.verdict for limit in checked.limits] == [x["verdict"] for x in told["limits"]]


def test_results_are_kept_compared_and_never_changed(bench: Path) -> None:
    m = crestbook.read(bench / "cycle-2.wav").measure()
    again = pickle.loads(pickle.dumps(m))
    assert again == m and again is not m
    assert crestbook.Measurement.from_json(m.to_json()) == m
    assert m != crestbook.read(bench / "coag-40.wav").measure()
    with pytest.raises(AttributeError):
        m.flags = ()
    with pytest.raises(AttributeError):
        m.whole.power_w.value = 1.0
    with pytest.raises(TypeError):
        m.capture["file"] = "x"
    with pytest.raises(TypeError):
        hash(m)
    with pytest.raises(crestbook.DataError, match="not a measurement|a check"):
        crestbook.Measurement.from_json('{"schema": "crestbook/check/1"}')


def test_what_can_not_be_had_says_why(bench: Path) -> None:
    m = crestbook.read(bench / "cut-80.csv").measure()
    with pytest.raises(crestbook.NotMeasured, match="no coag"):
        m.coag.power_w  # noqa: B018
    assert m.cut.get("burst_rate_hz") is None
    assert "burst_rate_hz" not in m.cut
    with pytest.raises(crestbook.NotMeasured) as caught:
        m.cut["burst_rate_hz"]
    assert str(caught.value.args[0]) == m.cut.missing["burst_rate_hz"]
    with pytest.raises(KeyError, match="power_w"):
        m.cut["powr_w"]
    with pytest.raises(AttributeError):
        m.cut.powr_w  # noqa: B018


def test_parts_of_results_travel(bench: Path) -> None:
    m = crestbook.read(bench / "cycle-2.wav").measure()
    for part in (m.whole, m.phases, m.phases[0], m.cycles, m.flags, m.whole.power_w):
        assert pickle.loads(pickle.dumps(part)) == part
    assert getattr(m.rest, "burst_rate_hz", None) is None
    assert not hasattr(m.rest, "burst_rate_hz")
    assert crestbook.Profile(bench / "tarnbeck.toml") == crestbook.Profile(bench / "tarnbeck.toml")


def test_a_stretch_keeps_the_doubts(bench: Path) -> None:
    c = crestbook.read(bench / "cut-80-clipped.wav")
    assert {flag.code for flag in c.measure(0.0, c.duration_s).flags} >= {"clipped"}


def test_doubt_is_shown(bench: Path) -> None:
    bare = crestbook.synth("continuous").measure()
    assert bare.whole.power_w.at_least
    assert str(bare.whole.power_w).endswith("?")
    stated = crestbook.read(bench / "cycle-2.wav").measure()
    assert not stated.cut.power_w.at_least
    assert "?" not in str(stated.cut.power_w)
    assert "gain" in " ".join(line.term or "" for line in crestbook.budget(bench / "cycle-2.wav"))


def test_numpy_and_scipy_agree() -> None:
    from scipy import signal

    s = crestbook.synth("gated", peak_v=800.0, duty=0.3, snr_db=50.0, duration_s=0.02)
    v, i = s.arrays()
    m = crestbook.measure(v, i, rate=s.sample_rate_hz)
    inside = slice(2000, -2000)
    power = float(np.mean(v[inside] * i[inside]))
    assert m.whole.power_w.value == pytest.approx(power, rel=2e-3)
    rms = float(np.sqrt(np.mean(v[inside] ** 2)))
    assert m.whole.voltage_rms_v.value == pytest.approx(rms, rel=1e-3)
    assert m.whole.crest_factor.value == pytest.approx(np.max(np.abs(v)) / rms, rel=1e-2)
    spectrum = np.abs(np.fft.rfft(v * signal.windows.hann(v.size)))
    peak = np.argmax(spectrum) * s.sample_rate_hz / v.size
    assert m.whole.fundamental_hz.value == pytest.approx(peak, abs=30.0)


def test_the_uncertainties_library_agrees(bench: Path) -> None:
    """Power of a sine: P = V I; its u by another library's propagation."""
    uncertainties = pytest.importorskip("uncertainties")
    from uncertainties import umath

    m = crestbook.synth("continuous", peak_v=300.0).measure(
        sheet={
            "voltage": {"relative_standard_uncertainty": 0.01, "delay_standard_uncertainty_s": 1e-9},
            "current": {"relative_standard_uncertainty": 0.02, "delay_s": 0.0},
            "timebase": {"relative_standard_uncertainty": 1e-6},
        }
    )
    power = m.whole.power_w
    v, i = m.whole.voltage_rms_v.to_ufloat(), m.whole.current_rms_a.to_ufloat()
    expected = v * i * umath.cos(0.0)
    # Noise and edges are counted for each; the two scales rule.
    assert power.u == pytest.approx(expected.std_dev, rel=2e-2)
    assert power.to_ufloat().nominal_value == power.value
    with pytest.raises(crestbook.NotMeasured, match="not known"):
        crestbook.Estimate("power_w", 1.0).to_ufloat()
    assert isinstance(power.to_ufloat(), uncertainties.core.Variable)


def test_simulation_agrees_with_the_budget(bench: Path) -> None:
    drawn = crestbook.simulate(bench / "cut-80.csv", part="cut", draws=20_000, seed=3)
    assert drawn is not None and drawn.validates_linear
    lines = crestbook.budget(bench / "cut-80.csv", part="cut")
    assert sum(line.share for line in lines) == pytest.approx(1.0)
    # The two scales are correlated by 0.3: shares add up, squares of contributions do not.
    u = crestbook.read(bench / "cut-80.csv").measure().cut.power_w.u
    assert drawn.standard_uncertainty == pytest.approx(u, rel=0.03)


def test_the_long_table_reads_everywhere(bench: Path, tmp_path: Path) -> None:
    m = crestbook.read(bench / "cycle-2.wav").measure()
    table = m.table()
    rows = list(table)
    power = next(r for r in rows if (r["kind"], r["measure"], r["part"]) == ("measured", "power_w", "cut"))
    assert power["value"] == m.cut.power_w.value
    assert power["degrees_of_freedom"] is None or power["degrees_of_freedom"] > 0
    assert {row["kind"] for row in rows} >= {"measured", "missing"}
    path = tmp_path / "t.parquet"
    table.save(path)
    table.save(tmp_path / "t.csv")
    with pytest.raises(crestbook.UseError, match="ending"):
        table.save(tmp_path / "t.txt")
    polars = pytest.importorskip("polars")
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    frame = table.to_polars()
    assert frame.equals(polars.read_parquet(path))
    assert table.to_arrow().num_rows == len(table) == frame.height
    assert table.to_pandas().shape == (len(table), len(table.columns))
    count = duckdb.sql(f"select count(*) from '{path}' where kind = 'measured'").fetchall()
    assert count == [(sum(row["kind"] == "measured" for row in rows),)]
    value = duckdb.sql(
        f"select value from '{path}' where measure = 'power_w' and part = 'cut' and kind = 'measured'"
    ).fetchall()
    assert value == [(m.cut.power_w.value,)]


def test_numbers_are_shown_as_they_are_known() -> None:
    def shown(value: float, expanded: float) -> str:
        coverage = crestbook.Coverage(expanded, 2.0)
        return str(crestbook.Estimate("power_w", value, expanded / 2, coverage))

    assert shown(103.31903918385837, 2.1e-28) == "103.31904 ± 2.1e-28 W"
    assert shown(423.761, 380.0) == "420 ± 380 W"
    assert shown(67.53, 1.92) == "67.5 ± 1.9 W"
    assert shown(0.0, 0.5) == "0.00 ± 0.50 W"
    assert shown(5.0, 0.0) == "5 ± 0 W"


def test_a_job_is_judged(tmp_path: Path) -> None:
    job = crestbook.demo(tmp_path / "bench")
    seen: list[tuple[int, int]] = []
    result = job.judge(progress=lambda done, total: seen.append((done, total)))
    assert result.verdict == "fail" and seen and seen[-1][0] == seen[-1][1]
    assert result.counts["steps"] == 51
    assert job.result == result == crestbook.JobResult.read(job.folder / "results" / "result.json")
    failed = {group for group, line in result.lines if line.verdict == "fail"}
    assert failed == {"earth", "cut-full"}
    assert "31 mohm over the upper limit" in result.text()
    earth = next(line for group, line in result.lines if group == "earth")
    assert (earth.unit, earth.value) == ("mohm", 331.0)
    report = result.report(tmp_path / "r.html")
    assert "Tarnbeck" in report.read_text()
    changed = result.to_json().replace('"verdict": "fail"', '"verdict": "pass"')
    with pytest.raises(crestbook.DataError, match="changed"):
        crestbook.JobResult.from_json(changed)
    with pytest.raises(crestbook.UseError, match="no job.toml"):
        crestbook.Job(tmp_path)
    job.note("tone", 61, "dB(A)", by="bench engineer 1", taken_at="2026-03-09T10:21:00+00:00")
    kinds = set(result.table("a")["kind"])
    assert {"judged", "measured", "missing", "finding"} <= kinds | {"finding"}
