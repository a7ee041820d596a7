#!/usr/bin/env bash
# Holds the standard uncertainty that trims state against the true trims of 1,000 random heads: the
# sum of squares against chi-squared bounds that SciPy computed, and the share beyond two of them.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --quiet --test language -- --ignored --nocapture trims_honest
