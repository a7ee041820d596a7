#!/usr/bin/env bash
# Compares spintrue with general-purpose libraries: packed dot words with Pillow on the same P4 files,
# pictures with a model of the medium in NumPy, banding with NumPy's Fourier transform. Needs Python 3
# with venv; installs packages under target/. SEED=7 draws other images and shifts.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/exposure
rm -rf "$work/images"
mkdir -p "$work/images"
[ -x "$work/venv/bin/python" ] || python3 -m venv "$work/venv"
"$work/venv/bin/pip" install --quiet --disable-pip-version-check pillow==12.0.0 numpy==2.3.5
cargo test --quiet --no-run
python="$work/venv/bin/python"
"$python" tests/extra/exposure.py images "$work" "${SEED:-1}"
SPINTRUE_IMAGES="$PWD/$work/images" cargo test --quiet --test language -- --ignored --exact \
    exposure::words_for_another_reader
"$python" tests/extra/exposure.py compare "$work" "${SEED:-1}" "${CARGO_TARGET_DIR:-target}/debug/spintrue"
