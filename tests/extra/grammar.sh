#!/usr/bin/env bash
# Reads grammar/spintrue.ebnf with a general-purpose GLR parser (parglare, from PyPI) and compares it
# with the parser of the crate. Both must accept and reject the same texts of the corpus and the same
# generated and mutated programs. Needs Python 3.9 or newer; creates its own environment under
# target/. SEED=7 draws other programs, COUNT=10000 more of them.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=target/extra/grammar
mkdir -p "$work"
python=$(tests/extra/python.sh parglare)
"$python" tests/extra/grammar.py draw "$work/texts.jsonl" "${SEED:-1}" "${COUNT:-6000}"
SPINTRUE_TEXTS="$PWD/$work/texts.jsonl" SPINTRUE_ANSWERS="$PWD/$work/answers.txt" \
    cargo test --quiet --test language -- --ignored --exact grammar::which_texts_parse
"$python" tests/extra/grammar.py compare "$work/texts.jsonl" "$work/answers.txt"
