#!/usr/bin/env python3
"""The archive under faults and before third programs.

    python3 tests/archive.py target/debug/crestbook [--kills 200] [--seed 1] [--only PART]

Parts: kills (kill -9 while results are added), full (a disk without space), server (PostgreSQL, two writers at
once), third (sqlite3, sha256sum, zstd, minisign, xmllint, the DCC Schematron, polars, DuckDB). A part
whose programs are not there is skipped, and says so. Ends with 1 where something does not hold.
"""
import argparse
import hashlib
import json
import os
import pathlib
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"
FIXTURES = ROOT / "fixtures" / "harrow-fell"
BY = ["--by", "bench engineer 1"]


class Fault(Exception):
    """Something did not hold."""


def hold(condition, words):
    if not condition:
        raise Fault(words)


class Bench:
    """The program, and documents to add."""

    def __init__(self, program, folder):
        self.program, self.folder = program, folder
        told = self.run("check", FIXTURES / "cut-80.csv", "--profile", FIXTURES / "tarnbeck.toml", "--setting", "cut-80",
                        "--json")
        self.check = json.loads(told.stdout)

    def run(self, *arguments, code=(0, 1), **more):
        done = subprocess.run([str(self.program), *map(str, arguments)], capture_output=True, check=False, **more)
        hold(code is None or done.returncode in code,
             f"{arguments}: exit {done.returncode}: {done.stderr.decode(errors='replace')}")
        return done

    def archive(self, store, *arguments, **more):
        return self.run("archive", "--store", store, *arguments, **more)

    def document(self, name, serial, day, power):
        """A check of an invented unit, with a capture of its own beside it."""
        check = json.loads(json.dumps(self.check))
        capture = check["measurement"]["capture"]
        data = self.folder / f"{name}.raw"
        data.write_bytes(hashlib.sha256(name.encode()).digest() * 400 + name.encode())
        capture["file"] = data.name
        capture["sha256"] = hashlib.sha256(data.read_bytes()).hexdigest()
        capture.pop("files", None)
        capture["subject"]["serial"], capture["bench"]["taken_at"] = serial, day
        check["measurement"]["kinds"]["cut"]["power_w"]["value"] = power
        path = self.folder / f"{name}.json"
        path.write_text(json.dumps(check), encoding="utf-8")
        return path

    def intact(self, store, *arguments):
        found = json.loads(self.archive(store, "verify", "--json", *arguments).stdout)
        hold(found["intact"], f"{store}: {found['faults'][:3]}")
        return found


def added(stdout):
    """Entries that the program said it had added."""
    return [line for line in stdout.decode().splitlines() if "added as entry" in line]


def kills(bench, options):
    """Killed at any moment: nothing half there, nothing lost that was acknowledged."""
    rng = random.Random(options.seed)
    store = bench.folder / "killed.db"
    bench.archive(store, "add", bench.document("first", "K", "2020-01-01", 1.0), *BY)
    acknowledged, undone = {"first"}, 0
    usual = 0.05
    for k in range(options.kills):
        # One result, or several in one transaction.
        names = [f"{k}-{j}" for j in range(rng.choice([1, 1, 5]))]
        files = [bench.document(name, "K", f"20{k % 80 + 10}-01-{j + 2:02}", k + j / 10) for j, name in enumerate(names)]
        began = time.monotonic()
        child = subprocess.Popen([str(part) for part in (bench.program, "archive", "--store", store, "add", *files, *BY)],
                                 stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        try:
            out, _ = child.communicate(timeout=rng.random() * 1.3 * usual)
            usual = 0.9 * usual + 0.1 * (time.monotonic() - began)
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGKILL)
            out, _ = child.communicate()
        told = added(out)
        hold(len(told) in (0, len(names)), f"{told} of {names}")
        if told:
            acknowledged.update(names)
        else:
            undone += 1
        if k % 20 == 19 or k == options.kills - 1:
            found = bench.intact(store)
            with sqlite3.connect(store) as db:
                bodies = [row[0] for row in db.execute("SELECT body FROM entry WHERE act = 'add'")]
            there = {file["name"].removesuffix(".raw") for body in bodies for file in json.loads(body).get("files", [])}
            hold(acknowledged <= there, f"lost: {acknowledged - there}")
            hold(found["results"] == len(bodies), "results are not those of the log")
    print(f"kills: {options.kills} runs, {undone} of them ended before they said that they were done; {len(there)} "
          "results, all of them whole")


def full(bench, _):
    """No space: an error with code 4, and the archive as it was."""
    folder = bench.folder / "small"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=900k", "tmpfs", str(folder)], capture_output=True,
                      check=False).returncode != 0:
        print("full: a small file system can't be mounted here: skipped")
        return
    try:
        store, failed = folder / "archive.db", 0
        bench.archive(store, "add", bench.document("room", "F", "2020-01-01", 1.0), *BY)
        for k in range(60):
            document = bench.document(f"more-{k}", "F", f"20{k + 10}-01-01", k)
            raw = bench.folder / f"more-{k}.raw"
            raw.write_bytes(random.Random(k).randbytes(30_000))
            check = json.loads(document.read_text())
            check["measurement"]["capture"]["sha256"] = hashlib.sha256(raw.read_bytes()).hexdigest()
            document.write_text(json.dumps(check))
            done = bench.archive(store, "add", document, *BY, code=None)
            if done.returncode == 0:
                continue
            failed += 1
            hold(done.returncode == 4, f"exit {done.returncode}: {done.stderr.decode()}")
            hold(b"help:" in done.stderr, done.stderr.decode())
        hold(failed > 0, "there was room for all")
        copy = bench.folder / "after-full"
        shutil.copytree(folder, copy)
        found = bench.intact(copy / "archive.db")
        hold(found["results"] > 0, "nothing is left")
        print(f"full: {failed} results did not fit, {found['results']} are there and whole")
    finally:
        subprocess.run(["umount", str(folder)], check=False)


def server_programs():
    """Where PostgreSQL's programs are, newest first."""
    found = sorted(pathlib.Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    return found[0].parent if found else None


def as_other():
    """Runs a child as the user `postgres`: the server refuses to run as root."""
    if os.geteuid() != 0:
        return {}
    import pwd
    user = pwd.getpwnam("postgres")
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def server(bench, _):
    """A real server: two writers at once, the same checks, copies in both directions."""
    programs = server_programs()
    if programs is None:
        print("server: PostgreSQL is not installed: skipped")
        return
    if b"no client for it" in bench.archive("postgres://x@127.0.0.1:1/x", "list", code=None).stderr:
        print("server: the program was built without the feature `postgres`: skipped")
        return
    home = pathlib.Path(tempfile.mkdtemp(prefix="crestbook-pg-"))
    other, port = as_other(), 20_000 + os.getpid() % 20_000
    if other:
        os.chown(home, other["user"], other["group"])
    data = home / "data"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "check": True, "cwd": home, **other}
    subprocess.run([programs / "initdb", "-D", data, "-A", "trust", "-U", "bench", "-E", "UTF8", "--locale=C"], **quiet)
    subprocess.run([programs / "pg_ctl", "-D", data, "-w", "-l", home / "log", "-o",
                    f"-p {port} -k {home} -c listen_addresses=127.0.0.1", "start"], **quiet)
    try:
        def database(name):
            subprocess.run([programs / "createdb", "-h", "127.0.0.1", "-p", str(port), "-U", "bench", name], **quiet)
            return f"postgres://bench@127.0.0.1:{port}/{name}"

        store, captures = database("kept"), bench.folder / "server-captures"
        bench.archive(store, "add", bench.document("pg", "P", "2020-01-01", 1.0), *BY, "--captures", captures)
        documents = [[bench.document(f"pg-{who}-{k}", f"P{who}", f"20{k + 10}-02-01", k) for k in range(25)]
                     for who in range(2)]
        faults = []

        def write(files):
            try:
                for file in files:
                    bench.archive(store, "add", file, *BY)
            except Fault as fault:
                faults.append(fault)

        writers = [threading.Thread(target=write, args=[files]) for files in documents]
        [writer.start() for writer in writers]
        [writer.join() for writer in writers]
        hold(not faults, faults)
        found = bench.intact(store)
        hold(found["results"] == 51 and found["captures"] == 51, found)
        listed = json.loads(bench.archive(store, "list", "--serial", "P1", "--words", "cut-80 P1", "--most", "0",
                                          "--json").stdout)
        hold(len(listed["records"]) == 25, f"{len(listed['records'])} are found")
        trend = json.loads(bench.archive(store, "trend", "--serial", "P1", "--json").stdout)
        hold([point["value"] for point in trend["points"]] == list(range(25)), trend["points"])
        bench.archive(store, "sign", "5", "--meaning", "approved", *BY)
        # Killed in the middle, the server takes it all back.
        for k in range(20):
            child = subprocess.Popen([str(bench.program), "archive", "--store", store, "add",
                                      str(bench.document(f"pg-k-{k}", "PK", f"20{k + 10}-03-01", k)), *BY],
                                     stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            time.sleep(0.004 * k)
            child.kill()
            child.wait()
        bench.intact(store)
        # To a file and back to another database.
        copy, file = bench.folder / "server-copy", bench.folder / "from-server.db"
        bench.archive(store, "backup", copy)
        bench.archive(file, "restore", copy)
        again = database("again")
        bench.archive(again, "restore", copy)
        roots = {bench.intact(place)["root"] for place in (store, file, again)}
        hold(len(roots) == 1, roots)
        listed = [bench.archive(place, "list", "--most", "0", "--json").stdout for place in (store, file, again)]
        hold(len(set(listed)) == 1, "lists differ")
        # What is changed on the server is found.
        psql = [shutil.which("psql"), "-q", "-h", "127.0.0.1", "-p", str(port), "-U", "bench", "again", "-c"]
        for change in ["UPDATE value SET value = value + 1 WHERE number = 4 AND nth = 0",
                       "UPDATE result SET verdict = 'fail' WHERE number = 6", "DELETE FROM entry WHERE number = 9"]:
            subprocess.run([*psql, change], check=True)
            found = json.loads(bench.archive(again, "verify", "--json").stdout)
            hold(not found["intact"], change)
        print("server: two writers at once, 20 killed, copies to a file and back, changes found")
    finally:
        subprocess.run([programs / "pg_ctl", "-D", data, "-m", "immediate", "stop"], **{**quiet, "check": False})
        shutil.rmtree(home, ignore_errors=True)


def third(bench, _):
    """What other programs say of what the archive keeps and writes."""
    told = []
    years = bench.folder / "years"
    bench.run("demo", years, "--years", "-q")
    store, key = bench.folder / "third.db", bench.folder / "key"
    jobs = sorted(path for path in years.iterdir() if path.is_dir())
    bench.archive(store, "key", "new", key)
    bench.archive(store, "add", *jobs, *BY, "--key", key)
    bench.archive(store, "checkpoint", "-o", bench.folder / "checkpoint", "--key", key, *BY)
    with sqlite3.connect(store) as db:
        hold(db.execute("PRAGMA integrity_check").fetchone() == ("ok",), "integrity_check")
        bodies = [json.loads(row[0]) for row in db.execute("SELECT body FROM entry WHERE act = 'add'")]
    told.append("integrity_check")
    for body, job in zip(bodies, jobs):
        hold(body["sha256"] == hashlib.sha256((job / "results/result.json").read_bytes()).hexdigest(), job)
    if shutil.which("sha256sum"):
        line = subprocess.run(["sha256sum", jobs[0] / "results/result.json"], capture_output=True, check=True).stdout
        hold(line.decode().split()[0] == bodies[0]["sha256"], "sha256sum")
        told.append("sha256sum")
    capture = next(file for file in bodies[0]["files"] if file["role"] == "capture")
    kept = bench.folder / "third.db.captures" / capture["sha256"][:2] / f"{capture['sha256']}.zst"
    if shutil.which("zstd"):
        content = subprocess.run(["zstd", "-dc", kept], capture_output=True, check=True).stdout
        hold(hashlib.sha256(content).hexdigest() == capture["sha256"], "zstd")
        told.append("zstd")
    if shutil.which("minisign"):
        command = ["minisign", "-V", "-m", bench.folder / "checkpoint", "-p", f"{key}.pub"]
        hold(subprocess.run(command, capture_output=True, check=False).returncode == 0, "minisign")
        (bench.folder / "checkpoint").write_text((bench.folder / "checkpoint").read_text() + "x")
        hold(subprocess.run(command, capture_output=True, check=False).returncode != 0, "minisign takes a forgery")
        # The key signs there, too.
        (bench.folder / "any").write_text("any")
        subprocess.run(["minisign", "-S", "-s", key, "-m", bench.folder / "any"], capture_output=True, check=True)
        command = ["minisign", "-V", "-m", bench.folder / "any", "-p", f"{key}.pub"]
        hold(subprocess.run(command, capture_output=True, check=False).returncode == 0, "minisign with our key")
        told.append("minisign")
    certificates(bench, store, jobs, told)
    tables(bench, store, told)
    print(f"third: {', '.join(told)}")


def certificates(bench, store, jobs, told):
    """Digital certificates before the schema and the Schematron."""
    made = []
    for k, job in enumerate((jobs[0], jobs[-1])):
        made.append(bench.folder / f"{k}.xml")
        bench.run("report", job, "-o", made[-1])
    made.append(bench.folder / "entry.xml")
    bench.run("report", len(jobs), "-o", made[-1], "--store", store)
    hold(b"previousReport" in made[-1].read_bytes(), "the certificate before is not named")
    again = bench.folder / "again.xml"
    bench.run("report", jobs[0], "-o", again)
    hold(again.read_bytes() == made[0].read_bytes(), "the same result gives another certificate")
    page = bench.folder / "page.html"
    bench.run("report", jobs[0], "-o", page)
    hold(hashlib.sha256(made[0].read_bytes()).hexdigest() in page.read_text(), "the paper names another hash")
    schema = SHARED / "dcc" / "schema"
    if not schema.is_dir():
        print("third: ../shared/dcc is not here: certificates were not validated")
        return
    if shutil.which("xmllint"):
        command = ["xmllint", "--nonet", "--noout", "--schema", schema / "v3.3.0" / "dcc.xsd", *made]
        done = subprocess.run(command, capture_output=True, check=False)
        hold(done.returncode == 0, done.stderr.decode())
        told.append("xmllint")
    try:
        from saxonche import PySaxonProcessor
    except ImportError:
        print("third: saxonche is not installed: the Schematron was not run")
        return
    with PySaxonProcessor(license=False) as processor:
        sheet = processor.new_xslt30_processor().compile_stylesheet(
            stylesheet_file=str(schema / "dcc-schematron-compiled.xslt"))
        for file in made:
            report = sheet.transform_to_string(source_file=str(file))
            hold('role="error"' not in report and 'role="warning"' not in report, f"{file}: {report[:2000]}")
    told.append("Schematron")


def tables(bench, store, told):
    """The table of all numbers in other programs."""
    table = bench.folder / "all.parquet"
    done = bench.archive(store, "export", "-o", table, code=None)
    if done.returncode != 0:
        print("third: this build writes no Parquet: skipped")
        return
    plain = bench.folder / "all.csv"
    bench.archive(store, "export", "-o", plain)
    rows = sum(1 for _ in plain.open(encoding="utf-8")) - 1
    query = "SELECT COUNT(*) FROM '{}' WHERE measure = 'power_w' AND kind = 'judged'"
    try:
        import polars
        frame = polars.read_parquet(table)
        hold(frame.height == rows, f"{frame.height} rows, {rows} in the text")
        judged = frame.filter((polars.col("measure") == "power_w") & (polars.col("kind") == "judged")).height
        told.append("polars")
        import duckdb
        hold(duckdb.sql(query.format(table)).fetchall()[0][0] == judged > 0, "DuckDB counts otherwise")
        told.append("DuckDB")
    except ImportError as error:
        print(f"third: {error.name} is not installed: skipped")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only")
    options = parser.parse_args()
    parts = {"kills": kills, "full": full, "server": server, "third": third}
    for name, part in parts.items():
        if options.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory(prefix="crestbook-") as folder:
            try:
                part(Bench(options.program.resolve(), pathlib.Path(folder)), options)
            except Fault as fault:
                print(f"{name}: {fault}")
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
