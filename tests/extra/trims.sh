#!/usr/bin/env bash
# Compares the stated standard uncertainty of trims with the true trims of 1,000 random heads: the sum of
# squares with chi-squared bounds that SciPy computed, and the share beyond two standard uncertainties.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --release --quiet --test language -- --ignored --nocapture trims_honest
