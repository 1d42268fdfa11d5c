"""What the program writes as JSON is as docs/schema says.

    python3 tests/schemas.py target/debug/crestbook
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import jsonschema

ROOT = pathlib.Path(__file__).parent.parent
PROGRAM = sys.argv[1]
FORMS = {}
for path in (ROOT / "docs" / "schema").glob("*.schema.json"):
    schema = json.loads(path.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    FORMS[schema["$id"]] = jsonschema.Draft202012Validator(schema)


def run(*arguments):
    return subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True, cwd=ROOT)


def hold(what, text, wrong):
    """The document, and each of its records where it has several."""
    document = json.loads(text)
    listed = FORMS.get(document.get("schema"))
    # A list with a schema of its own, or documents that each have one.
    whole = listed is not None and "records" in document
    for one in [document] if whole else document.get("records", [document]):
        form = FORMS.get(one["schema"])
        if form is None:
            wrong.append(f"{what}: no schema {one['schema']}")
            continue
        for error in list(form.iter_errors(one))[:2]:
            wrong.append(f"{what}: {'/'.join(map(str, error.path))}: {error.message[:200]}")


def main():
    wrong, count = [], 0
    # A schema that takes anything holds nothing.
    assert all(any(form.iter_errors({})) for form in FORMS.values())
    captures = sorted((ROOT / "fixtures").glob("harrow-fell/*.capture.toml"))
    captures += sorted((ROOT / "fixtures" / "layouts").glob("*.csv")) + sorted((ROOT / "fixtures" / "outside").glob("*.wav"))
    for capture in captures:
        hold(capture.name, run("measure", capture, "--json").stdout, wrong)
        count += 1
        if capture.parent.name == "harrow-fell":
            profile = ROOT / "fixtures" / "harrow-fell" / "tarnbeck.toml"
            hold(f"check {capture.name}", run("check", capture, "--profile", profile, "--json").stdout, wrong)
            count += 1
    with tempfile.TemporaryDirectory() as keep:
        bench = pathlib.Path(keep) / "bench"
        run("demo", bench, "--quiet")
        hold("job", run("job", bench, "--json").stdout, wrong)
        hold("result.json", (bench / "results" / "result.json").read_text(), wrong)
        hold("several jobs", run("job", bench, bench / "as-found", "--json").stdout, wrong)
        for arguments in (["measure", "/nowhere"], ["job", keep], ["job", "note", bench, "earth", "1", "V"], ["report", keep, "-o", "x.html"]):
            hold(" ".join(map(str, arguments)), run(*arguments, "--json").stdout, wrong)
        other = bench / "others" / "skelbeck"
        hold("cards", run("card", bench, other, "--json").stdout, wrong)
        hold("compare", run("compare", bench, bench / "as-found", "--json").stdout, wrong)
        hold("nearest", run("nearest", "--to", bench, "--setting", "blend-60", "--in", other, "--json").stdout, wrong)
        hold("translation", run("nearest", "--table", bench, other, "--json").stdout, wrong)
        count += 11
        store = ("archive", "--store", pathlib.Path(keep) / "a.db")
        run(*store, "add", bench, other, bench / "others" / "wythmoor", "--by", "bench engineer 1")
        run(*store, "sign", "3", "--meaning", "approved", "--by", "bench engineer 2")
        for arguments in (["list"], ["verify"], ["trend", "--serial", "W-00031", "--setting", "c1"], ["due"], ["prove", "3"]):
            hold(" ".join(arguments), run(*store, *arguments, "--json").stdout, wrong)
        for entry in json.loads(run(*store, "log", "--json").stdout)["records"]:
            hold(f"entry {entry['number']}", json.dumps(entry), wrong)
        hold("no archive", run("archive", "--store", "/nowhere/a.db", "list", "--json").stdout, wrong)
        count += 11
    print(f"schemas: {count} documents, {len(wrong)} faults")
    for fault in wrong[:20]:
        print(" ", fault)
    sys.exit(bool(wrong))


main()
