#!/usr/bin/env python3
"""Times a job of 500 captures of 1 million two-channel samples (WAV, 16 bit), cold and unchanged.

    python3 benches/job.py [--captures 500] [--runs 3]

Builds crestbook in release mode and makes its data in benches/data/job: five shapes of output, each
copied with one sample changed so that no two captures have the same content. Prints wall times of
the whole process, reports included. Nothing here is run by the tests.
"""
import argparse
import pathlib
import shutil
import subprocess
import time

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent
DATA = HERE / "data" / "job"
CRESTBOOK = ROOT / "target" / "release" / "crestbook"
COMMON = ["--rate-hz", "10e6", "--duration-s", "0.1", "--bits", "16", "--snr-db", "50", "--quiet"]
# Name, kind, flags: the shapes of output that a bench meets.
SHAPES = [
    ("steady", "cut", ["continuous", "--power-w", "80"]),
    ("blended", "cut", ["gated", "--burst-rate-hz", "20e3", "--duty", "0.5", "--power-w", "60"]),
    ("ringing", "coag", ["damped", "--burst-rate-hz", "20e3", "--decrement", "0.4", "--power-w", "40"]),
    ("swinging", "cut", ["modulated", "--power-w", "50"]),
    ("cycled", "cut", ["cycled", "--coag-shape", "damped"]),
]
BENCH = """format = 1
[voltage]
channel = 0
scale = {volt}
relative_standard_uncertainty = 0.01
[current]
channel = 1
scale = {ampere}
relative_standard_uncertainty = 0.01
[load]
relative_standard_uncertainty = 0.005
[bench]
taken_at = "2026-03-02"
"""


def run(*command):
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True)
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    return done


def lay_out(captures):
    shutil.rmtree(DATA, ignore_errors=True)
    (DATA / "made").mkdir(parents=True)
    each = captures // len(SHAPES)
    plan = "format = 1\n[plan]\npower_1s_max_w = 400.0\n"
    for name, kind, flags in SHAPES:
        run(CRESTBOOK, "synth", *flags, "-o", DATA / "made" / f"{name}.wav", *COMMON)
        plan += f'[[setting]]\nid = "{name}"\nload_ohm = 500.0\nsequence = ["{kind}"]\n'
        plan += f'[[ladder]]\nid = "{name}-dial"\nsetting = "{name}"\nin = "whole"\n'
        plan += f"dials = {[float(k) for k in range(each)]}\n"
    (DATA / "plan.toml").write_text(plan)
    (DATA / "bench.toml").write_text(BENCH.format(volt=1.0, ampere=1.0))
    folder = DATA / "folder"
    run(CRESTBOOK, "job", "init", folder, "--profile", DATA / "plan.toml",
        "--bench", DATA / "bench.toml", "--quiet")
    for name, _, _ in SHAPES:
        data = bytearray((DATA / "made" / f"{name}.wav").read_bytes())
        made = (DATA / "made" / f"{name}.capture.toml").read_text()
        scales = [line.split("=")[1].strip() for line in made.splitlines() if line.startswith("scale")]
        for k in range(each):
            data[-4] = k % 256
            data[-2] = k // 256
            (folder / "captures" / f"{name}-dial-{k}.wav").write_bytes(data)
            sheet = folder / "captures" / f"{name}-dial-{k}.capture.toml"
            text = sheet.read_text()
            for scale in scales:
                text = text.replace("scale = 1.0", f"scale = {scale}", 1)
            sheet.write_text(text)
    return folder, each * len(SHAPES)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--captures", type=int, default=500)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    subprocess.run(["cargo", "build", "--release", "--locked"], cwd=ROOT, check=True)
    folder, count = lay_out(options.captures)
    # Files that were written just now are not trusted by their time of change.
    time.sleep(3)
    cold, warm = [], []
    for _ in range(options.runs):
        shutil.rmtree(folder / ".crestbook" / "outcomes", ignore_errors=True)
        (folder / ".crestbook" / "seen.json").unlink(missing_ok=True)
        for times in (cold, warm):
            begun = time.perf_counter()
            run(CRESTBOOK, "job", folder, "--quiet")
            times.append(time.perf_counter() - begun)
    size = sum(path.stat().st_size for path in (folder / "results").iterdir())
    print(f"{count} captures: cold {min(cold):.2f} s, unchanged {min(warm):.2f} s; "
          f"results {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
