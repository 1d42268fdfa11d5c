#!/usr/bin/env python3
"""Hostile files and faults, judged by what must hold whatever they are.

    python3 tests/faults.py target/debug/crestbook [--runs 400] [--seed 1] [--only FAMILY]

Families: files (structure-aware changes of every golden file), pairs (two files of one capture),
writers (converted and read back), jobs (a job that is killed, edited, out of space, raced).
What must hold: a known exit code; only finite numbers; an error that names the file and what to do;
no character that moves the cursor; bounded time and memory; after a fault the same result as without.
Standard library only. Ends with 1 at the first family that does not hold, and keeps its input.
"""
import argparse
import concurrent.futures
import io
import json
import math
import os
import pathlib
import random
import re
import resource
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
import zipfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
FIXTURES = ROOT / "fixtures"
# Done, no pass, usage, data, can't write.
CODES = {0, 1, 2, 3, 4}
SECONDS = 20
MEGABYTES = 400
ODD_NUMBERS = ["0", "-1", "1e300", "-1e300", "1e-300", "nan", "inf", "1e999", "4294967295", "65536", "",
               "0x10", "1,5", "9" * 40, "1e39", "--"]
ODD_TEXTS = ["", "\x1b[2J", "\u202eevil", "=1+1", "a" * 300, "V\x07", "µs", "\"", "'", "Ω", "\ufeff",
             "Voltage (V)", "Time (s)", "1", "nan"]


class Fault(Exception):
    """Something did not hold."""


def run(command, limit=SECONDS):
    """Exit code, both outputs, seconds, megabytes."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        began = time.monotonic()
        child = subprocess.Popen([str(part) for part in command], stdout=out, stderr=err,
                                 stdin=subprocess.DEVNULL)
        while True:
            pid, status, usage = os.wait4(child.pid, os.WNOHANG)
            if pid:
                break
            if time.monotonic() - began > limit:
                child.kill()
                os.wait4(child.pid, 0)
                child.returncode = -9
                raise Fault(f"not done after {limit} s")
            time.sleep(0.002)
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        return (child.returncode, out.read().decode(errors="replace"),
                err.read().decode(errors="replace"), usage.ru_maxrss / 1024)


def finite(value, where="result"):
    if isinstance(value, dict):
        for key, inner in value.items():
            finite(inner, f"{where}.{key}")
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            finite(inner, f"{where}[{k}]")
    elif value is None or (isinstance(value, float) and not math.isfinite(value)):
        raise Fault(f"{where} is {value}")


def unseen(text):
    return re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]", text)


def holds(found, names):
    code, out, err, megabytes = found
    if code not in CODES:
        raise Fault(f"exit code {code}: {err[-300:]}")
    if "panicked" in err:
        raise Fault(err[-300:])
    if unseen(err) or unseen(out):
        raise Fault("a character that moves the cursor")
    if megabytes > MEGABYTES:
        raise Fault(f"{megabytes:.0f} MB")
    if code in (0, 1) and out.strip().startswith("{"):
        finite(json.loads(out, parse_constant=lambda text: float(text)))
    if code >= 2:
        if not any(name in err for name in names):
            raise Fault(f"the error does not name the file: {err[-300:]}")
        if "help:" not in err and "\n" not in err.strip():
            raise Fault(f"the error does not say what to do: {err[-300:]}")


# Changes of files -------------------------------------------------------------------------------


def text_changed(data, draw):
    text = data.decode("latin-1")
    ends = "\r\n" if "\r\n" in text else "\n"
    lines = text.split(ends)
    for _ in range(draw.randint(1, 3)):
        # What is odd stands in the head more often than not.
        k = draw.randrange(min(len(lines), 30)) if draw.random() < 0.7 else draw.randrange(len(lines))
        separator = next((s for s in ("\t", ";", ",") if s in lines[k]), ",")
        cells = lines[k].split(separator)
        c = draw.randrange(len(cells))
        odd = lambda: draw.choice(ODD_NUMBERS + ODD_TEXTS)
        change = draw.randrange(14)
        if change == 0:
            cells[c] = odd()
        elif change == 1:
            cells.insert(c, odd())
        elif change == 2:
            del cells[c]
        elif change == 3:
            cells[c] = cells[c] + cells[c]
        elif change == 4:
            cells = cells * draw.randint(2, 70)
        elif change == 5:
            cells[c] = re.sub(r"[\d.]+(e[+-]?\d+)?", lambda _: draw.choice(ODD_NUMBERS), cells[c], count=1)
        lines[k] = separator.join(cells)
        if change == 6:
            lines.insert(k, lines[draw.randrange(len(lines))])
        elif change == 7:
            lines[k:k + draw.randint(1, 9)] = []
        elif change == 8:
            lines = lines[:k] + [lines[k][:draw.randint(0, len(lines[k]))]]
        elif change == 9:
            lines[k] = separator.join(draw.choice([" ", "\x00", "#", ""]) + cell for cell in cells)
        elif change == 10:
            tail = lines[k:]
            draw.shuffle(tail)
            lines[k:] = tail
        elif change == 11:
            lines[k] = lines[k].replace(".", draw.choice([",", "..", "·", ""]))
        elif change == 12:
            lines = lines[:k] + lines
        elif change == 13:
            ends = draw.choice(["\r", "\n", "\r\n", "\n\n"])
        if not lines:
            lines = [""]
    return ends.join(lines).encode("utf-8" if draw.random() < 0.5 else "latin-1", "replace")


def chunks_of(data):
    at, found = 12, []
    while at + 8 <= len(data):
        size = struct.unpack_from("<I", data, at + 4)[0]
        found.append((data[at:at + 4], data[at + 8:at + 8 + size]))
        at += 8 + size + size % 2
    return found


def wav_changed(data, draw):
    chunks = chunks_of(data)
    lies = {}
    for _ in range(draw.randint(1, 2)):
        change = draw.randrange(7)
        k = draw.randrange(len(chunks))
        if change == 0:
            fmt = next((n for n, (name, _) in enumerate(chunks) if name == b"fmt "), 0)
            body = bytearray(chunks[fmt][1])
            if len(body) >= 16:
                at, form = draw.choice([(0, "<H"), (2, "<H"), (4, "<I"), (8, "<I"), (12, "<H"), (14, "<H")])
                most = 0xFFFF if form == "<H" else 0xFFFFFFFF
                struct.pack_into(form, body, at, draw.choice([0, 1, 2, 3, 7, 8, 24, 32, 64, 0xFFFE, most]) & most)
            chunks[fmt] = (chunks[fmt][0], bytes(body))
        elif change == 1:
            lies[k] = draw.choice([0, 1, len(chunks[k][1]) + 1, 0x7FFFFFFF, 0xFFFFFFFF])
        elif change == 2:
            chunks.insert(k, draw.choice(chunks))
        elif change == 3 and len(chunks) > 1:
            del chunks[k]
        elif change == 4:
            chunks.insert(k, (draw.choice([b"LIST", b"junk", b"\x00\x00\x00\x00", b"ds64"]), bytes(draw.randint(0, 40))))
        elif change == 5:
            chunks[k] = (chunks[k][0], chunks[k][1][:draw.randint(0, len(chunks[k][1]))])
        elif change == 6:
            draw.shuffle(chunks)
    body = b""
    for k, (name, content) in enumerate(chunks):
        size = lies.get(k, len(content))
        body += name + struct.pack("<I", size & 0xFFFFFFFF) + content + b"\0" * (len(content) % 2)
    size = draw.choice([len(body) + 4] * 6 + [0, 0xFFFFFFFF])
    return draw.choice([b"RIFF"] * 8 + [b"RF64", b"RIFX"]) + struct.pack("<I", size & 0xFFFFFFFF) + b"WAVE" + body


def npy_changed(data, draw):
    length = struct.unpack_from("<H", data, 8)[0]
    header = data[10:10 + length].decode("latin-1")
    number = lambda: draw.choice(["0", "-1", "1", "3", "10**9", "99999999999999999999", "4294967296", "1.5"])
    change = draw.randrange(8)
    if change == 0:
        kinds = ["<f8", ">f4", "<i2", "|u1", "<c8", "|O", "<f2", "|S4", "<U3", "<f16", "|b1", "<q"]
        header = re.sub(r"'descr': '[^']*'", f"'descr': '{draw.choice(kinds)}'", header)
    elif change == 1:
        shape = draw.choice(["", f"{number()},", f"{number()}, {number()}", f"{number()}, {number()}, 2", "(1, 2)"])
        header = re.sub(r"'shape': \([^)]*\)", f"'shape': ({shape})", header)
    elif change == 2:
        header = header.replace("False", draw.choice(["True", "false", "None", "0"]))
    elif change == 3:
        header = re.sub(draw.choice(["'descr'", "'shape'", "'fortran_order'"]), "'x'", header)
    elif change == 4:
        header = header.replace("}", draw.choice([", 'extra': 1}", "", "}}", ", 'shape': (2,)}"]))
    elif change == 5:
        return data[:8] + struct.pack("<H", draw.choice([0, 1, 65535, length + 7])) + data[10:]
    elif change == 6:
        return data[:6] + bytes([draw.choice([0, 2, 3, 9]), draw.choice([0, 1])]) + data[8:]
    else:
        return data[:draw.randint(0, len(data))] + b"\xff" * draw.choice([0, 0, 1, 9])
    header = header.encode("latin-1")
    return data[:8] + struct.pack("<H", len(header)) + header + data[10 + length:]


def archive_changed(data, draw):
    members = [(info.filename, zipfile.ZipFile(io.BytesIO(data)).read(info))
               for info in zipfile.ZipFile(io.BytesIO(data)).infolist()]
    for _ in range(draw.randint(1, 2)):
        k = draw.randrange(len(members))
        name, content = members[k]
        change = draw.randrange(7)
        if change == 0:
            members[k] = (draw.choice(["../x.npy", "/etc/x.npy", "a/b.npy", "", "\x1b[2J.npy", "x" * 200, "logic-1-1"]), content)
        elif change == 1:
            members.append((name, content))
        elif change == 2 and len(members) > 1:
            del members[k]
        elif change == 3 and name.endswith(".npy"):
            members[k] = (name, npy_changed(content, draw))
        elif change == 3:
            members[k] = (name, text_changed(content, draw) if len(content) < 5000 else content[:-3])
        elif change == 4:
            members[k] = (name, content[:draw.randint(0, len(content))])
        elif change == 5:
            members.append((draw.choice(["analog-1-1-2", "extra.npy", "metadata", "version"]), content))
        elif change == 6:
            members[k] = (name, content * draw.randint(2, 4))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", draw.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])) as archive:
        import warnings
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for name, content in members:
                archive.writestr(zipfile.ZipInfo(name or "x"), content)
    found = bytearray(out.getvalue())
    if draw.random() < 0.2:
        found[draw.randrange(len(found))] ^= 1 << draw.randrange(8)
    return bytes(found)


def json_changed(data, draw):
    meta = json.loads(data)
    places = []

    def walk(value):
        for key in (value.keys() if isinstance(value, dict) else range(len(value))):
            places.append((value, key))
            if isinstance(value[key], (dict, list)):
                walk(value[key])

    walk(meta)
    for _ in range(draw.randint(1, 2)):
        owner, key = draw.choice(places)
        try:
            owner[key] = draw.choice([None, 0, -1, 1e300, 1e-300, 1 << 70, "", "rf32_le", "ri16_be", "cf64_le", "ci8",
                                      [], {}, [[]], True, "1e6", "../x", owner[key], [owner[key]] * 2, "\x1b[2J\u202e"])
            if draw.random() < 0.3:
                del owner[key]
        except (KeyError, IndexError):
            pass
    return json.dumps(meta).encode()


def any_changed(data, draw):
    found = bytearray(data)
    for _ in range(draw.randint(1, 6)):
        if found:
            found[draw.randrange(len(found))] = draw.randrange(256)
    if draw.random() < 0.3:
        found = found[:draw.randint(0, len(found))]
    return bytes(found)


CHANGES = {".csv": text_changed, ".txt": text_changed, ".wav": wav_changed, ".npy": npy_changed,
           ".npz": archive_changed, ".sr": archive_changed, ".sigmf-meta": json_changed,
           ".cfg": text_changed, ".cff": text_changed, ".toml": text_changed, ".sigmf": any_changed}
BESIDE = {".sigmf-meta": ".sigmf-data", ".cfg": ".dat"}


def changed(path, draw):
    data = path.read_bytes()
    how = CHANGES[path.suffix] if draw.random() < 0.9 else any_changed
    try:
        return how(data, draw)
    except (struct.error, ValueError, zipfile.BadZipFile, IndexError):
        return any_changed(data, draw)


def golden():
    found = [path for path in sorted(FIXTURES.rglob("*"))
             if path.suffix in CHANGES and path.parent.name != "hostile" and path.stat().st_size < 400_000
             and not path.name.startswith("tarnbeck")]
    return [path for path in found if path.suffix != ".toml" or path.name.endswith(".capture.toml")]


def a_file(crestbook, draw, folder, files):
    path = draw.choice(files)
    new = folder / path.name
    for other in path.parent.glob(path.name.split(".")[0] + ".*"):
        if other.stat().st_size < 400_000:
            shutil.copy(other, folder / other.name)
    new.write_bytes(changed(path, draw))
    beside = BESIDE.get(path.suffix)
    if beside and draw.random() < 0.4:
        other = new.with_suffix(beside)
        data = other.read_bytes()
        other.write_bytes(draw.choice([data[:draw.randint(0, len(data))], data * 2, b"", any_changed(data, draw)]))
    command = draw.choice([["measure", new, "--json"], ["layout", new], ["measure", new, "--all", "--explain"],
                           ["convert", "--force", new, "-o", folder / "out.wav"]])
    holds(run([crestbook, *command, "--quiet"]), [other.name for other in folder.iterdir()] + [str(folder)])


# Pairs ------------------------------------------------------------------------------------------


def synth(crestbook, path, draw, *flags):
    shape = draw.choice(["continuous", "gated", "damped"])
    found = run([crestbook, "synth", "--force", shape, "-o", path, "--duration-s", "0.002", "--carrier-hz", "100e3",
                 *(["--burst-rate-hz", "10e3"] if shape != "continuous" else []), "--quiet", *flags])
    if found[0] != 0:
        raise Fault(f"synth: {found[2]}")


def a_pair(crestbook, draw, folder, _):
    kinds = [draw.choice(["csv", "npy", "wav"]) for _ in range(2)]
    made = [folder / f"{name}.{kind}" for name, kind in zip("vi", kinds)]
    for path in made:
        synth(crestbook, path, draw, "--rate-hz", draw.choice(["1e6", "1e6", "2e6"]))
        if draw.random() < 0.4:
            path.write_bytes(changed(path, draw))
        path.with_name(path.stem + ".capture.toml").unlink()
    current = draw.choice([made[1].name] * 5 + ["missing.csv", made[0].name, "pair.capture.toml", "..", ""])
    extra = draw.choice(["", "", "sample_rate_hz = 1e6\n", "sample_rate_hz = 3e6\n"])
    sheet = folder / "pair.capture.toml"
    sheet.write_text(f'format = 1\n{extra}data = "{made[0].name}"\ndata_current = "{current}"\n'
                     f'[voltage]\nchannel = 0\n[current]\nchannel = {draw.choice([0, 0, 1, 7])}\n')
    holds(run([crestbook, "measure", sheet, "--json", "--quiet"]), [sheet.name, made[0].name, made[1].name, current])


# Writers ----------------------------------------------------------------------------------------


def samples(path):
    """Times, and voltage and current of a .csv that we wrote; what is no number is a gap."""
    times, rows = [], []
    for line in path.read_text().splitlines():
        cells = line.split(",")
        try:
            times.append(float(cells[0]))
        except ValueError:
            continue
        row = []
        for cell in cells[1:]:
            try:
                row.append(float(cell) if math.isfinite(float(cell)) else None)
            except ValueError:
                row.append(None)
        rows.append(row)
    return times, rows


def a_writer(crestbook, draw, folder, _):
    count = draw.choice([2, 3, 17, 400])
    rate = draw.choice([1e6, 999_999.7, 10e6, 44_100.5])
    peak = draw.choice([1e-3, 300.0, 8e3])
    rows = []
    for k in range(count):
        v, i = peak * math.sin(0.7 * k), peak / 500 * math.sin(0.7 * k)
        if k in (0, count - 1):
            v = draw.choice([peak, -peak])
        rows.append([v, i])
    gaps = count > 100 and draw.random() < 0.4
    if gaps:
        for k in range(40, 44):
            rows[k][0] = None
    path = folder / "in.csv"
    shown = lambda x: "nan" if x is None else f"{x:.9e}"
    path.write_text("Time (s),Voltage (V),Current (A)\n"
                    + "".join(f"{k / rate:.12e},{shown(v)},{shown(i)}\n" for k, (v, i) in enumerate(rows)))
    sheet = folder / "in.capture.toml"
    sheet.write_text(f'format = 1\ndata = "in.csv"\nsample_rate_hz = {rate!r}\n'
                     '[voltage]\nchannel = "Voltage"\n[current]\nchannel = "Current"\n')
    before = path.read_bytes()
    ending = draw.choice(["csv", "wav", "npy", "npz", "sigmf-meta", "cfg"])
    out, back = folder / f"out.{ending}", folder / "back.csv"
    found = run([crestbook, "convert", "--force", sheet, "-o", out, "--quiet"])
    holds(found, ["in.csv", "in.capture.toml", out.name])
    if found[0] == 0:
        found = run([crestbook, "convert", "--force", out, "-o", back, "--quiet"])
        holds(found, [out.name, out.stem])
        if found[0] != 0:
            raise Fault(f"what was written can't be read: {found[2]}")
        times, again = samples(back)
        if len(again) != len(rows):
            raise Fault(f"{len(rows)} samples, {len(again)} read back")
        if abs((times[-1] - times[0]) * rate / (count - 1) - 1) > 1e-6:
            raise Fault(f"{rate} Hz, {(count - 1) / (times[-1] - times[0])} Hz read back from {ending}")
        for k, (was, now) in enumerate(zip(rows, again)):
            # A sample is valid in both channels or in none.
            if None in was:
                was = [None, None]
            for c, (a, b) in enumerate(zip(was, now)):
                if (a is None) != (b is None):
                    raise Fault(f"row {k}: {a} became {b} in {ending}")
                step = peak / (1 if c == 0 else 500) * 2e-4
                if a is not None and abs(a - b) > step:
                    raise Fault(f"row {k}: {a} became {b} in {ending}")
    # Nothing that is read is written over.
    for target in (path, sheet):
        holds(run([crestbook, "convert", "--force", sheet, "-o", target, "--quiet"]), ["in.csv", "in.capture.toml"])
    if path.read_bytes() != before:
        raise Fault("the input was written over")


# Jobs -------------------------------------------------------------------------------------------

PLAN = """format = 1
[plan]
power_1s_max_w = 400.0
[decision]
rule = "simple"
"""


def lay_out(crestbook, folder):
    plan = PLAN
    for k in range(6):
        plan += (f'[[setting]]\nid = "s{k}"\nload_ohm = 500.0\nsequence = ["{"coag" if k % 2 else "cut"}"]\n'
                 f'[[setting.limit]]\nmeasure = "power_w"\nin = "whole"\nnominal = {10.0 + k}\ntolerance = "20 %"\n')
    (folder / "plan.toml").write_text(plan)
    bench = folder / "bench"
    found = run([crestbook, "job", "init", bench, "--profile", folder / "plan.toml", "--quiet"])
    if found[0] != 0:
        raise Fault(found[2])
    for k in range(6):
        path = bench / "captures" / f"s{k}.wav"
        made = folder / f"s{k}.wav"
        shape = ["damped", "--decrement", "0.4"] if k % 2 else ["continuous"]
        run([crestbook, "synth", "--force", *shape, "-o", made, "--power-w", str(10 + k), "--duration-s", "0.01", "--bits", "16",
             "--quiet"])
        shutil.copy(made, path)
        scales = [line for line in (folder / f"s{k}.capture.toml").read_text().splitlines() if line.startswith("scale")]
        sheet = path.with_name(f"s{k}.capture.toml")
        text = sheet.read_text()
        for channel, scale in enumerate(scales):
            name = ["voltage", "current"][channel]
            text += f"\n[{name}]\nchannel = {channel}\n{scale}\n"
        sheet.write_text(text)
    found = run([crestbook, "job", bench, "--quiet"])
    if found[0] not in (0, 1):
        raise Fault(found[2])
    return bench


def result(bench):
    return json.loads((bench / "results" / "result.json").read_text())


def a_job(crestbook, draw, folder, template):
    whole, wanted = template
    bench = folder / "bench"
    shutil.copytree(whole, bench)
    memory = bench / ".crestbook"
    fault = draw.choice(["kill", "kill", "bit", "bit", "bit", "result", "full", "full", "race", "rewrite", "sheet"])
    go = [crestbook, "job", bench, "--quiet"]
    if fault in ("kill", "full", "race", "rewrite") and draw.random() < 0.7:
        shutil.rmtree(memory / "outcomes", ignore_errors=True)
    if fault == "kill":
        child = subprocess.Popen([str(part) for part in go], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(draw.random() * 0.25)
        child.send_signal(draw.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGINT]))
        child.wait()
        if (bench / "results" / "result.json").exists():
            result(bench)
    elif fault == "bit":
        kept = [path for path in memory.rglob("*") if path.is_file() and path.name != "plan.toml"]
        path = draw.choice(kept)
        data = bytearray(path.read_bytes())
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
        path.write_bytes(data)
    elif fault == "result":
        path = bench / "results" / "result.json"
        data = bytearray(path.read_bytes())
        # First digits: a last one may change no more than what rounding takes away again.
        places = [m.start() for m in re.finditer(rb"(?<![\d.eE+-])[1-9]", data)]
        at = draw.choice(places)
        data[at] = ord("1") + (data[at] - ord("1") + draw.randint(1, 8)) % 9
        path.write_bytes(data)
        found = run([crestbook, "report", bench, "-o", folder / "x.html"])
        if found[0] == 0 and "edited" not in found[2]:
            raise Fault(f"an edited result was reported on in silence (byte {at})")
        holds(found, ["result.json", "x.html"])
    elif fault == "full":
        before = (bench / "results" / "result.json").read_bytes()
        most = draw.choice([0, 100, 2_000, 20_000, 60_000])

        def narrow():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

        # Through pipes: files of this test would be cut off too.
        done = subprocess.run([str(part) for part in go], capture_output=True, text=True, preexec_fn=narrow,
                              timeout=SECONDS, check=False)
        found = (done.returncode, done.stdout, done.stderr, 0)
        holds(found, ["bench", "standard output"])
        after = (bench / "results" / "result.json").read_bytes()
        if found[0] not in (0, 1, 4) or (found[0] == 4 and after not in (before,)):
            # Judged again the same way, it may have been written before another file was not.
            if json.loads(after) != json.loads(before):
                raise Fault(f"a full disk: exit {found[0]}, result.json changed")
    elif fault == "race":
        racers = [subprocess.Popen([str(part) for part in go], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
                  for _ in range(3)]
        for racer in racers:
            _, err = racer.communicate(timeout=60)
            if racer.returncode not in (0, 1):
                raise Fault(f"runs at the same time: exit {racer.returncode}: {err[-300:]}")
    elif fault == "rewrite":
        capture = bench / "captures" / "s1.wav"
        data = capture.read_bytes()
        child = subprocess.Popen([str(part) for part in go], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while child.poll() is None:
            capture.write_bytes(data[:len(data) // 2])
            capture.write_bytes(data)
        if child.returncode not in (0, 1, 2, 3):
            raise Fault(f"a file changed under way: exit {child.returncode}")
    elif fault == "sheet":
        sheet = bench / "captures" / "s2.capture.toml"
        text = sheet.read_bytes()
        sheet.write_bytes(text_changed(text, draw))
        holds(run(go), ["s2", "bench"])
        sheet.write_bytes(text)
    found = run(go)
    if found[0] not in (0, 1):
        raise Fault(f"{fault}: the run after it ends with {found[0]}: {found[2][-300:]}")
    if result(bench) != wanted:
        raise Fault(f"{fault}: another result than without it")


FAMILIES = {"files": a_file, "pairs": a_pair, "writers": a_writer, "jobs": a_job}
SHARE = {"files": 1.0, "pairs": 0.3, "writers": 0.3, "jobs": 0.2}


def one(family, crestbook, seed, given):
    draw = random.Random(seed)
    folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    try:
        FAMILIES[family](crestbook, draw, folder, given)
    except Fault as fault:
        return f"{family} {seed}: {fault} ({folder})"
    shutil.rmtree(folder, ignore_errors=True)
    return None


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("crestbook", type=pathlib.Path)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=FAMILIES)
    given = parser.parse_args()
    crestbook = given.crestbook.resolve()
    bad = 0
    for family in [given.only] if given.only else FAMILIES:
        count = max(1, round(given.runs * SHARE[family]))
        with tempfile.TemporaryDirectory() as kept:
            what = golden()
            if family == "jobs":
                bench = lay_out(crestbook, pathlib.Path(kept))
                what = (bench, result(bench))
            began = time.monotonic()
            with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
                seeds = (given.seed * 1_000_003 + k for k in range(count))
                found = [fault for fault in pool.map(lambda seed: one(family, crestbook, seed, what), seeds) if fault]
        print(f"{family}: {count} runs, {len(found)} did not hold, {time.monotonic() - began:.0f} s", flush=True)
        for fault in found[:20]:
            print(f"  {fault}")
        bad += len(found)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
