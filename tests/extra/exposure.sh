#!/usr/bin/env bash
# Compares spintrue with general-purpose libraries: packed dot words with Pillow on the same P4 files,
# pictures with a model of the medium in NumPy, banding with NumPy's Fourier transform. Needs Python 3
# with venv; installs packages under target/. SEED=7 draws other images and shifts.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/exposure
rm -rf "$work/images"
mkdir -p "$work/images"
python=$(tests/extra/python.sh pillow numpy)
cargo test --quiet --no-run
"$python" tests/extra/exposure.py images "$work" "${SEED:-1}"
SPINTRUE_IMAGES="$PWD/$work/images" cargo test --quiet --test language -- --ignored --exact \
    exposure::words_for_another_reader
"$python" tests/extra/exposure.py compare "$work" "${SEED:-1}" "${CARGO_TARGET_DIR:-target}/debug/spintrue"
