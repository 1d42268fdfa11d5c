"""Many captures, one table: the same whoever measures them, and whatever happens on the way."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from pathlib import Path

import crestbook
import pytest

polars = pytest.importorskip("polars")


def table(out: Path | str):
    """The table in one order, as it stands."""
    frame = polars.read_parquet(f"{out}/*.parquet")
    return frame.sort(frame.columns, nulls_last=True)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Captures, one in a hundred of them damaged; as many as CRESTBOOK_BATCH says."""
    folder = tmp_path_factory.mktemp("many")
    wide = int(os.environ.get("CRESTBOOK_BATCH", "200"))
    shapes = ["continuous", "gated", "damped", "modulated"]
    for k in range(wide):
        made = crestbook.synth(
            shapes[k % 4], peak_v=400.0 + k, snr_db=40.0, seed=k, duration_s=0.002, bits=16
        )
        made.save(folder / f"c{k:05}.wav")
        if k % 100 == 50:
            path = folder / f"c{k:05}.wav"
            path.write_bytes(path.read_bytes()[:40])
    return folder


@pytest.fixture(scope="module")
def alone(many: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The table that one thread makes."""
    out = tmp_path_factory.mktemp("alone") / "t"
    report = crestbook.batch(many, out=out, workers=1)
    count = len(list(many.glob("*.wav")))
    assert (report.captures, report.measured, report.known) == (count, count, 0)
    assert report.failed == count // 100 + (count % 100 > 50)
    assert not report.unread
    return out


def test_a_row_for_everything(many: Path, alone: Path) -> None:
    frame = table(alone)
    by = frame.filter(polars.col("capture").str.ends_with("c00002.wav"))
    m = crestbook.read(many / "c00002.wav").measure()
    row = by.filter(kind="measured", measure="power_w", part="coag")
    assert row["value"].to_list() == [m.coag.power_w.value]
    assert row["standard_uncertainty"].to_list() == [m.coag.power_w.u]
    flags = by.filter(kind="flag")["what"].to_list()
    assert flags == [flag.code for flag in m.flags]
    errors = frame.filter(kind="error")
    assert set(errors["what"]) == {"damaged"} and all(errors["reason"])
    assert errors["capture"].n_unique() == len(errors)
    assert frame["capture"].n_unique() == len(list(many.glob("*.wav")))
    assert set(frame["capture_sha256"].str.len_chars()) == {64}


def test_a_second_run_measures_what_is_new(many: Path, alone: Path, tmp_path: Path) -> None:
    out, work = tmp_path / "t", tmp_path / "captures"
    shutil.copytree(alone, out)
    again = crestbook.batch(many, out=out)
    assert (again.measured, again.known) == (0, again.captures)
    assert table(out).equals(table(alone))
    # Touched is known by its content, changed is measured, new is measured.
    shutil.copytree(many, work)
    first = crestbook.batch(work, out=tmp_path / "u")
    os.utime(work / "c00001.wav")
    touched = crestbook.batch(work, out=tmp_path / "u")
    assert (touched.measured, touched.known) == (0, touched.captures)
    before = table(tmp_path / "u")
    shutil.copy(work / "c00003.wav", work / "new.wav")
    os.utime(work / "c00002.wav")
    more = crestbook.batch(work, out=tmp_path / "u", chunk=1)
    assert (more.measured, more.known) == (1, first.captures)
    # Other options are another question.
    other = crestbook.batch([work / "c00001.wav"], out=tmp_path / "u", duty_threshold=0.2)
    assert other.measured == 1
    assert len(table(tmp_path / "u")) > len(before)


def test_a_profile_judges(captures: Path, bench: Path, tmp_path: Path) -> None:
    report = crestbook.batch(
        captures / "*.wav", profile=bench / "tarnbeck.toml", out=tmp_path / "t", chunk=2
    )
    frame = table(report.out)
    judged = frame.filter(kind="judged")
    checked = crestbook.check(captures / "cycle-2.wav", bench / "tarnbeck.toml")
    here = judged.filter(polars.col("capture").str.ends_with("cycle-2.wav"))
    assert sorted(here["verdict"]) == sorted(limit.verdict for limit in checked.limits)
    with pytest.raises(crestbook.UseError, match="no setting"):
        crestbook.batch(captures, profile=bench / "tarnbeck.toml", setting="x", out=tmp_path / "t")


def test_of_a_job_the_captures_alone(tmp_path: Path) -> None:
    job = crestbook.demo(tmp_path / "bench")
    job.judge()
    report = crestbook.batch(job.folder, out=tmp_path / "t")
    frame = table(report.out)
    assert report.failed == 0
    assert all("/captures/" in name for name in frame["capture"].unique())
    here = frame.filter(polars.col("capture").str.ends_with("bench/captures/cut-half-200ohm.wav"))
    assert set(here["step"]) == {"cut-half-200ohm"} and set(here["dial"]) == {40.0}


def test_wrong_use(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "t"
    for wrong, said in [
        ({"engine": "carts"}, "threads, dask or ray"),
        ({"chunk": 0}, "chunk"),
        ({"workers": 0}, "workers"),
        ({"setting": "cut-80"}, "profile"),
        ({"client": object()}, "dask"),
        ({"duty_treshold": 1}, "duty_treshold"),
    ]:
        with pytest.raises(crestbook.UseError, match=said):
            crestbook.batch(captures, out=out, **wrong)
    with pytest.raises(crestbook.UseError, match="no captures"):
        crestbook.batch(tmp_path / "empty*.wav", out=out)
    assert not out.exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(crestbook.UseError, match="is a file"):
        crestbook.batch(captures, out=tmp_path / "file")
    # One that is not there is told, tried again, and does not end the others.
    report = crestbook.batch([captures / "cycle-2.wav", captures / "gone.csv"], out=out)
    assert report.measured == 1
    assert [name for name, _ in report.unread] == [str(captures / "gone.csv")]
    assert table(out).filter(kind="error")["what"].to_list() == ["unreadable"]
    shutil.copy(captures / "bipolar-15.csv", captures / "gone.csv")
    report = crestbook.batch([captures / "cycle-2.wav", captures / "gone.csv"], out=out)
    assert (report.measured, report.known, report.unread) == (1, 1, ())
    assert table(out).filter(kind="error").is_empty()


def test_the_table_may_lie_among_the_captures(captures: Path, monkeypatch) -> None:
    out = captures / "t.parquet"
    first = crestbook.batch(captures, out=out)
    again = crestbook.batch(captures, out=out)
    assert (again.captures, again.measured) == (first.captures, 0)
    # However a path is written, a capture is one capture, and an option one option.
    monkeypatch.chdir(captures.parent)
    by_name = crestbook.batch(["captures", "./captures"], out="u", duty_threshold=0.2)
    assert by_name.captures == first.captures
    same = crestbook.batch("./captures", out="u", duty_threshold=__import__("numpy").float64(0.2))
    assert same.measured == 0
    (captures / "hello.csv").write_text("hello\n")
    told = crestbook.batch("./captures/hello.csv", out="v").to_polars()["reason"][0]
    assert told.startswith("captures/hello.csv: no rows of numbers in the first")


def test_what_a_dead_worker_left_is_swept(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "t"
    crestbook.batch(captures, out=out, chunk=3)
    whole = table(out)
    part = next(out.glob("part-*.known"))
    part.unlink()
    shutil.copy(captures / "bipolar-15.csv", captures / "another.csv")
    more = crestbook.batch(captures, out=out, chunk=3)
    assert more.measured == 4
    assert len(table(out).filter(polars.col("capture").str.ends_with("another.csv").not_())) == len(whole)


def test_stems_with_dots_are_stems_of_their_own(tmp_path: Path) -> None:
    for name in ("v1.2", "v1.3"):
        made = crestbook.synth("continuous", bits=16, duration_s=0.002, seed=3)
        made.save(tmp_path / "in.wav", overwrite=True)
        shutil.copy(tmp_path / "in.wav", tmp_path / f"{name}.wav")
        sheet = (tmp_path / "in.capture.toml").read_text().replace("in.wav", f"{name}.wav")
        (tmp_path / f"{name}.capture.toml").write_text(sheet)
    report = crestbook.batch([tmp_path / "v1.2.wav", tmp_path / "v1.3.wav"], out=tmp_path / "t")
    assert (report.measured, report.failed) == (2, 0)
    sheet = tmp_path / "v1.3.capture.toml"
    sheet.write_text(sheet.read_text() + "\n# touched\n")
    again = crestbook.batch([tmp_path / "v1.2.wav", tmp_path / "v1.3.wav"], out=tmp_path / "t")
    assert (again.measured, again.known) == (1, 1)


def test_files_of_others_stay(captures: Path, tmp_path: Path) -> None:
    """A folder that some other program fills is no table, and nothing in it is touched."""
    out = tmp_path / "lake"
    out.mkdir()
    for name in ("part-00000-1b2c.snappy.parquet", "unread.parquet"):
        (out / name).write_bytes(b"mine")
    with pytest.raises(crestbook.UseError, match="of no batch"):
        crestbook.batch(captures, out=out)
    assert sorted(p.name for p in out.iterdir()) == ["part-00000-1b2c.snappy.parquet", "unread.parquet"]
    # In a table of ours what is named otherwise stays, too.
    crestbook.batch(captures, out=tmp_path / "t")
    (tmp_path / "t" / "part-00000-1b2c.snappy.parquet").write_bytes(b"mine")
    crestbook.batch(captures, out=tmp_path / "t")
    assert (tmp_path / "t" / "part-00000-1b2c.snappy.parquet").read_bytes() == b"mine"


def test_a_text_capture_may_end_in_dat(captures: Path, tmp_path: Path) -> None:
    folder = tmp_path / "dat"
    folder.mkdir()
    shutil.copy(captures / "bipolar-15.csv", folder / "a.dat")
    assert crestbook.batch(folder, out=tmp_path / "t").measured == 1


def test_one_batch_at_a_time(captures: Path, tmp_path: Path) -> None:
    from crestbook.batch._places import Store

    # A folder of its own: that of the captures is none of a batch.
    out = tmp_path / "t"
    out.mkdir()
    store = Store(str(out), {})
    held = store.lock()
    if held is None:
        pytest.skip("this system has no locks")
    with pytest.raises(crestbook.UseError, match="another batch"):
        crestbook.batch(captures, out=out)
    held.close()


def test_sheets_and_second_files_go_along(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2] / "fixtures"
    folder = tmp_path / "pairs"
    folder.mkdir()
    for name in ["outside/binary.cfg", "outside/binary.dat", "outside/f32-le.sigmf-meta", "outside/f32-le.sigmf-data"]:
        shutil.copy(root / name, folder)
    report = crestbook.batch(folder, out=tmp_path / "t")
    assert report.captures == 2, report


def kill_a_worker(pids, after: float) -> threading.Thread:
    def kill() -> None:
        time.sleep(after)
        for pid in pids():
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
            return

    thread = threading.Thread(target=kill)
    thread.start()
    return thread


@pytest.fixture(scope="module")
def bucket(many: Path):
    """The captures in an S3-compatible store of this machine."""
    server_module = pytest.importorskip("moto.server")
    pytest.importorskip("s3fs")
    import s3fs

    os.environ.setdefault("AWS_ACCESS_KEY_ID", "test")
    os.environ.setdefault("AWS_SECRET_ACCESS_KEY", "test")
    os.environ.setdefault("AWS_DEFAULT_REGION", "us-east-1")
    server = server_module.ThreadedMotoServer(port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    options = {"client_kwargs": {"endpoint_url": f"http://{host}:{port}"}, "key": "test", "secret": "test"}
    fs = s3fs.S3FileSystem(**options)
    fs.mkdir("bench")
    files = sorted(file for file in many.iterdir() if not file.name.endswith(".json"))
    fs.put([str(file) for file in files], [f"bench/in/{file.name}" for file in files])
    yield options
    server.stop()


def same_but_for_the_folder(a, b) -> bool:
    """Equal but for where the captures lie, and what hangs on that."""
    def bare(frame):
        frame = frame.with_columns(
            polars.col("capture", "reason").str.replace_all(r"(s3:/)?/\S*/", "")
        ).drop("key")
        return frame.sort(frame.columns, nulls_last=True)

    return bare(a).equals(bare(b))


def test_dask_over_s3_with_a_worker_killed(bucket, alone: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with distributed.Client(cluster) as client:
        pids = lambda: [w.process.process.pid for w in cluster.workers.values()]  # noqa: E731
        killer = kill_a_worker(pids, 1.0)
        report = crestbook.batch(
            "s3://bench/in/*.wav",
            engine="dask",
            client=client,
            out=tmp_path / "t",
            chunk=16,
            storage_options=bucket,
        )
        killer.join()
    cluster.close()
    assert not report.unread, report.unread[:2]
    assert same_but_for_the_folder(table(tmp_path / "t"), table(alone))
    # The cluster anew: nothing is left to do, and a table in the store itself reads the same.
    again = crestbook.batch(
        "s3://bench/in/", engine="threads", out=tmp_path / "t", storage_options=bucket
    )
    assert (again.measured, again.known) == (0, again.captures)
    stored = crestbook.batch(
        "s3://bench/in/c0000*.wav", out="s3://bench/out/t", storage_options=bucket
    )
    assert stored.measured == 10
    stored = crestbook.batch(
        "s3://bench/in/c0000*.wav", out="s3://bench/out/t", storage_options=bucket
    )
    assert (stored.measured, stored.known) == (0, 10)


def test_ray_with_a_worker_killed(many: Path, alone: Path, tmp_path: Path) -> None:
    ray = pytest.importorskip("ray")
    psutil = pytest.importorskip("psutil")
    ray.init(num_cpus=2, include_dashboard=False, log_to_driver=False)
    try:

        def pids() -> list[int]:
            children = psutil.Process().children(recursive=True)
            return [p.pid for p in children if any("work" in part for part in p.cmdline()[:1])]

        killer = kill_a_worker(pids, 1.0)
        report = crestbook.batch(many, engine="ray", out=tmp_path / "t", chunk=16)
        killer.join()
    finally:
        ray.shutdown()
    assert not report.unread, report.unread[:2]
    assert table(tmp_path / "t").equals(table(alone))
