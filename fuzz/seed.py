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
