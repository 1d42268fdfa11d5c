#!/usr/bin/env bash
# PDF reports held against other programs: preflight of PDFBox (PDF/A-1b), qpdf, pdftotext, pdffonts.
#   tests/pdf.sh PATH-TO-CRESTBOOK     (built with --features pdf)
set -euo pipefail
crestbook=$(realpath "$1")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
jars=$(ls /usr/share/java/{preflight,pdfbox2,fontbox2,xmpbox,commons-logging,commons-io,javax.activation,jaxb-api}.jar | tr '\n' ':')
"$crestbook" demo bench --quiet
"$crestbook" job bench --quiet >/dev/null || [ $? -eq 1 ]

# Built in, one of each part of the standard; then the lab's own template and letterhead.
"$crestbook" report bench -o a-1b.pdf --quiet
"$crestbook" report bench -o a-2b.pdf --archive-part 2b --quiet
"$crestbook" report bench -o a-3b.pdf --archive-part 3b --quiet
mkdir lab
cat > lab/own.typ <<'END'
#let data = json("report.json")
#set document(title: "Own report", date: auto)
#set heading(bookmarked: data.bookmarks)
#image(data.letterhead, width: 60%, alt: "Letterhead")
= Own report of #data.unit
#data.counts
#for trouble in data.troubles [- #trouble.verdict.words: #trouble.entry, #trouble.what, #trouble.found ]
Power of the first point: #data.result.groups.find(g => g.id == "cut-full").lines.first().value W
END
cat > lab/head.svg <<'END'
<svg xmlns="http://www.w3.org/2000/svg" width="400" height="60"><rect width="400" height="60" fill="#dde6f0"/>
<text x="20" y="38" font-size="24" font-family="sans-serif">Harrow Fell Hospital</text></svg>
END
"$crestbook" report bench -o own.pdf --template lab/own.typ --letterhead lab/head.svg --quiet

for file in a-1b own; do
    said=$(java -cp "$jars" org.apache.pdfbox.preflight.Validator_A1b "$file.pdf") \
        || { echo "$said"; exit 1; }
    echo "preflight: $said"
done
for file in a-1b a-2b a-3b own; do
    qpdf --check "$file.pdf" >/dev/null
    # Every font is embedded.
    if pdffonts "$file.pdf" | tail -n +3 | awk '{ if ($(NF-4) != "yes") bad = 1 } END { exit !bad }'; then
        echo "$file.pdf: a font is not embedded"; exit 1
    fi
    pdftotext -layout "$file.pdf" "$file.txt"
    grep -q "Tarnbeck, serial TB-0417" "$file.txt"
done
for word in "FAIL" "burns and can kill" "authorised person" "331.0 ± 6.6 mohm" \
    "guarded: guard band" "487.0 Ω" "shows wear"; do
    for file in a-1b a-2b a-3b; do
        grep -q -- "$word" "$file.txt" || { echo "$file.pdf does not say: $word"; exit 1; }
    done
done
# Every hash of a capture can be read again.
python3 - <<'END'
import json, re
text = re.sub(r"\s", "", open("a-1b.txt").read())
result = json.load(open("bench/results/result.json"))
hashes = [h for step in result["steps"] for h in step.get("capture", {}).get("sha256", [])]
assert len(hashes) > 40
assert result["plan"]["sha256"] in text, "the plan's hash is not there"
# In its narrow column a hash stands on four lines, other columns beside them.
for hash in hashes:
    assert all(hash[k:k + 16] in text for k in range(0, 64, 16)), hash
END
# The result itself goes with A-3b.
pdfdetach -saveall -o "$work" a-3b.pdf
cmp result.json bench/results/result.json
cmp numbers.csv bench/results/numbers.csv
# Tried wrong: each is told, nothing is left.
refuse() {
    code=0
    "$crestbook" report bench -o wrong.pdf "$@" >said.txt 2>&1 || code=$?
    [ "$code" -ne 0 ] && [ ! -e wrong.pdf ] && ! grep -q panicked said.txt \
        || { echo "not refused: $*"; cat said.txt; exit 1; }
    head -n 1 said.txt
}
echo '#image("/etc/hostname")' > lab/wrong.typ
refuse --template lab/wrong.typ
echo '#import "@preview/cetz:0.3.0"' > lab/wrong.typ
refuse --template lab/wrong.typ
echo '#let (' > lab/wrong.typ
refuse --template lab/wrong.typ
refuse --template lab/none.typ
refuse --letterhead lab/none.svg
# A sign that no font has would be an empty box in a file made to be kept.
sed -i 's/^reason = .*/reason = "caf\xc3\xa9 \xf0\x90\x8e\xa0"/' bench/job.toml
"$crestbook" job bench --quiet >/dev/null || [ $? -eq 1 ]
refuse --archive-part 1b
echo "pdf: a-1b $(stat -c %s a-1b.pdf), a-2b $(stat -c %s a-2b.pdf), a-3b $(stat -c %s a-3b.pdf) bytes"
