#!/usr/bin/env python3
"""Seed corpora for the fuzz targets, from the golden files; standard library only."""
import pathlib
import struct

HERE = pathlib.Path(__file__).resolve().parent
FIXTURES = HERE.parent / "fixtures"
LONGEST = 1_600


def joined(main, beside):
    return struct.pack("<H", min(len(main), 65535)) + main + beside


def put(target, path, data):
    folder = HERE / "corpus" / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / path.name).write_bytes(data)


for path in sorted((HERE.parent / "src" / "demo").glob("*.toml")):
    put("keyfiles", path, path.read_bytes())

for path in sorted(FIXTURES.rglob("*")):
    if not path.is_file() or path.stat().st_size > 4_000_000:
        continue
    data, ending = path.read_bytes(), path.suffix
    if path.parent.name == "hostile":
        put(path.stem.split("-")[0], path, data)
    elif ending == ".toml":
        put("keyfiles", path, data)
    elif ending in (".csv", ".txt"):
        # Head and tail: what is odd in a text stands at either end.
        put("text", path, data if len(data) <= LONGEST else data[:LONGEST * 3 // 4] + data[-LONGEST // 4:])
    elif ending in (".wav", ".npy"):
        put(ending[1:], path, data[:4_000])
    elif ending in (".npz", ".sr", ".parquet"):
        put(ending[1:], path, data)
    elif ending == ".sigmf-meta":
        put("sigmf", path, joined(data, path.with_suffix(".sigmf-data").read_bytes()[:2_000]))
    elif ending in (".sigmf", ".cff"):
        put("sigmf" if ending == ".sigmf" else "comtrade", path, joined(data, b""))
    elif ending == ".cfg":
        put("comtrade", path, joined(data, path.with_suffix(".dat").read_bytes()[:2_000]))

# Pairs: two channels of one file, and two that do not go together.
texts = [path.read_bytes()[:600] for path in sorted((FIXTURES / "layouts").glob("36-*.csv"))]
for k, (a, b) in enumerate(zip(texts, texts[1:] + texts[:1])):
    put("pair", pathlib.Path(f"text-{k}"), b"\0" + joined(a, b))
for k, path in enumerate(sorted(FIXTURES.rglob("*.npy"))):
    put("pair", pathlib.Path(f"npy-{k}"), b"\1" + joined(path.read_bytes()[:2_000], path.read_bytes()[:2_000]))

# Writers: every format, channels, integers and floats, gaps.
for k in range(64):
    head = bytes([k % 8, k // 8 % 3, k % 5, k % 2]) + struct.pack("<f", 1e6 + k)
    values = [300.0, -300.0, 0.0, float("nan"), 1.5e-3, -8e8][: 2 + k % 5] * (1 + k % 3)
    put("writer", pathlib.Path(f"seed-{k}"), head + struct.pack(f"<{len(values)}f", *values))

# Jobs: each file of the folder, one place changed.
for k in range(24):
    put("job", pathlib.Path(f"seed-{k}"), bytes([k // 2, k % 2]) + struct.pack("<H", 37 * k) + b"= 1\n")
