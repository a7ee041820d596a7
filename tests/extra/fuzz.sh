#!/usr/bin/env bash
# Fuzzes every parser of foreign bytes, guided by coverage: what scripts, the wire and the language server are fed with, and
# every other file that the program reads, from real files (tests/fuzz/fuzz_targets). A kind runs on each core. Whatever is
# found is kept in target/fuzz/found/KIND, and fails the script.
#   tests/extra/fuzz.sh [KIND...]     all kinds unless some are named
# FUZZ_SECONDS is the time for each kind (default 600), MUTATED_PROGRAM another build that makes the seeds. Needs Python 3, OpenSSL
# and cargo-fuzz (if missing, installed from the registry).
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/extra/install.sh python3 python3
tests/extra/install.sh openssl openssl
command -v cargo-fuzz >/dev/null || cargo install --quiet --locked cargo-fuzz
export RUSTC_BOOTSTRAP=1
place=target/fuzz
mkdir -p $place
MUTATED_SEEDS=$place/seeds tests/extra/mutated.sh
cargo fuzz build --fuzz-dir tests/fuzz -s none --target-dir $place/build
programs=$(dirname "$(find $place/build -path '*/release/files' -type f | head -n 1)")
targets=$(basename -s .rs -a tests/fuzz/fuzz_targets/*.rs | grep -vx files | tr '\n' ' ')
kinds=("$@")
if [ $# = 0 ]; then
    mapfile -t kinds < <(printf "%s\n" $targets; ls $place/seeds | grep -vx script)
fi
# Half a minute for one file is a hang, and 2 GB are too much of memory.
fuzzed() {
    local kind=$1 place=target/fuzz program=files seeds=$1
    # A target of its own takes scripts, where it takes files at all.
    if [[ " $targets " == *" $kind "* ]]; then
        program=$kind seeds=script
    fi
    mkdir -p "$place/corpus/$kind" "$place/found/$kind" "$place/tmp/$kind"
    if TMPDIR=$PWD/$place/tmp/$kind FUZZ_KIND=$kind "$programs/$program" -max_total_time="${FUZZ_SECONDS:-600}" -timeout=30 \
        -rss_limit_mb=2048 -max_len=200000 -print_final_stats=1 -artifact_prefix="$place/found/$kind/" \
        "$place/corpus/$kind" "$place/seeds/$seeds" >"$place/$kind.log" 2>&1; then
        grep -E 'number_of_executed_units|peak_rss' "$place/$kind.log" | awk -v kind="$kind" '{ print kind ": " $0 }'
    else
        printf '%s: FOUND\n%s\n' "$kind" "$(tail -n 30 "$place/$kind.log")"
        return 1
    fi
    rm -rf "$place/tmp/$kind"
}
export -f fuzzed
export programs targets
printf '%s\n' "${kinds[@]}" | xargs -P "$(nproc)" -I{} bash -c 'fuzzed {}'
