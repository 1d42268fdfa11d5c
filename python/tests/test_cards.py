"""Cards, comparisons and nearest settings from Python: what the command line says."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import crestbook
import pytest


@pytest.fixture(scope="module")
def bench_job(tmp_path_factory: pytest.TempPathFactory) -> crestbook.Job:
    job = crestbook.demo(tmp_path_factory.mktemp("cards") / "bench")
    job.judge()
    return job


def test_cards_say_what_the_command_line_says(bench_job, command, tmp_path: Path) -> None:
    own = crestbook.Card(bench_job)
    other = crestbook.Card(bench_job.folder / "others" / "skelbeck")
    folder, there = str(bench_job.folder), str(bench_job.folder / "others" / "skelbeck")
    assert json.loads(own.to_json()) == json.loads(command("card", folder, "--json").stdout)
    assert crestbook.Card.from_json(own.to_json()) == own == pickle.loads(pickle.dumps(own))
    found = crestbook.nearest(own, "blend-60", other)
    printed = command("nearest", "--to", folder, "--setting", "blend-60", "--in", there, "--json")
    assert json.loads(found.to_json()) == json.loads(printed.stdout)
    assert found.matches[0]["setting"] == "weave"
    assert found.rank_changes is not None and found.rank_changes < 0.05
    table = command("nearest", "--table", folder, there, "--json")
    told = json.loads(table.stdout)["records"]
    assert [one.to_dict() for one in crestbook.translation(own, other)] == told
    kept = own.save(tmp_path / "card.json")
    assert crestbook.Card(kept) == own
    assert "Tarnbeck" in own.save(tmp_path / "card.html").read_text()
    assert own.map(other).svg.startswith("<svg")
    with pytest.raises(crestbook.UseError, match="no sheet"):
        own.save(tmp_path / "card.doc")


def test_a_unit_against_itself(bench_job, command) -> None:
    now, before = crestbook.Card(bench_job), crestbook.Card(bench_job.folder / "as-found")
    found = crestbook.compare(before, now)
    printed = command("compare", str(bench_job.folder / "as-found"), str(bench_job.folder), "--json")
    assert json.loads(found.to_json()) == json.loads(printed.stdout)
    power = [row for row in found.rows if row["measure"] == "power_w"]
    # The output stage was mended: 0.7 of the power before.
    assert all(row["times"] > 5 for row in power)
    assert found.not_compared


def test_lines_read_back(bench_job) -> None:
    card = crestbook.Card(bench_job)
    for setting in card.settings:
        line = card.line(setting)
        again = crestbook.NeutralLine.parse(line.text)
        assert [p["kind"] for p in again.numbers["phases"]] == [
            p["kind"] for p in line.numbers["phases"]
        ]
    assert "dial" not in card.line("cut-80", dial=40.0, load_ohm=200.0).text
    assert card.line("cut-80", dial=40.0).numbers["mean_w"] == pytest.approx(40, rel=0.05)
    for wrong in ("", "500 ohm", "500 W ±-: cut"):
        with pytest.raises(crestbook.UseError, match="neutral line"):
            crestbook.NeutralLine.parse(wrong)
    with pytest.raises(crestbook.UseError, match="cut-80"):
        card.line("cut")
    with pytest.raises(crestbook.UseError, match="captured at"):
        crestbook.nearest(card, "cut-80", card, dial=33.0)
