"""The archive from Python: what the command line says."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import crestbook
import pytest


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, command) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    bench = crestbook.demo(folder / "bench").folder
    store = folder / "archive.db"
    others = [str(bench / "others" / name) for name in ("skelbeck", "wythmoor", "garthfell")]
    command("archive", "--store", str(store), "add", *others, "--by", "bench engineer 1")
    return store


def test_an_archive_says_what_the_command_line_says(store: Path, command, tmp_path: Path) -> None:
    archive = crestbook.Archive(store)
    listed = json.loads(command("archive", "--store", str(store), "list", "--json").stdout)["records"]
    assert archive.results() == listed
    assert [one["serial"] for one in archive.results(words="weave")] == ["SK-1102"]
    assert archive.results(verdict="fail") == []
    assert len(archive.results(since="2026-01-01", most=2)) == 2
    trend = archive.trend("W-00031", setting="c1")
    printed = command("archive", "--store", str(store), "trend", "--serial", "W-00031", "--setting", "c1", "--json")
    assert dict(trend.document) == json.loads(printed.stdout)
    assert trend.drifts is None
    assert trend.picture is not None
    assert trend.picture.svg.startswith("<svg")
    plain = tmp_path / "all.csv"
    command("archive", "--store", str(store), "export", "-o", str(plain))
    assert len(archive.table()) == len(plain.read_text().splitlines()) - 1
    job = archive.result(archive.results(serial="SK-1102")[0]["entry"])
    assert crestbook.Card(job).settings
    assert json.loads(archive.document(2))["schema"] == "crestbook/job/1"
    verified = archive.verify()
    assert verified
    told = json.loads(command("archive", "--store", str(store), "verify", "--json").stdout)
    assert dict(verified.document) == told


def test_what_is_wrong_is_told(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = crestbook.Archive(store)
    with pytest.raises(crestbook.UseError, match="no such values"):
        archive.trend("nobody")
    with pytest.raises(crestbook.UseError, match="unknown field"):
        archive.results(colour="red")
    with pytest.raises(crestbook.OutputError, match="no archive here"):
        crestbook.Archive(tmp_path / "none.db")
    monkeypatch.delenv("CRESTBOOK_ARCHIVE", raising=False)
    with pytest.raises(crestbook.UseError, match="no archive is named"):
        crestbook.Archive()
    changed = tmp_path / "changed.db"
    with sqlite3.connect(store) as db, sqlite3.connect(changed) as copy:
        db.backup(copy)
        copy.execute("UPDATE value SET value = value * 1.01 WHERE number = 2 AND nth = 3")
    found = crestbook.Archive(changed).verify(captures=False)
    assert not found
    assert [fault["entry"] for fault in found.faults] == [2]
