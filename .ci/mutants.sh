#!/usr/bin/env bash
# Mutation testing of the core: every n-th mutant from the k-th, by the unit tests of the core alone.
#   .ci/mutants.sh K/N [FILE...]     .ci/mutants.sh 0/12 core/src/judge/mod.rs
# Needs `cargo install cargo-mutants`. The results go to the target folder, mutants/mutants.out: missed.txt lists those that survive.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

[ $# -gt 0 ] || { sed -n '2,4s/^# //p' "$0" >&2; exit 1; }
share=$1
shift
files=()
for file; do files+=(--file "$file"); done

# Stopping at the first test that fails is behind RUSTC_BOOTSTRAP in a stable test harness; only the tests get it.
host=$(rustc -vV | sed -n 's/^host: //p' | tr 'a-z-' 'A-Z_')
export "CARGO_TARGET_${host}_RUNNER=env RUSTC_BOOTSTRAP=1"
export CARGO_PROFILE_DEV_DEBUG=0
folder=${CARGO_TARGET_DIR:-target}/mutants
mkdir -p "$folder"
cargo mutants --package ohmsplit --jobs 1 --shard "$share" --sharding round-robin --output "$folder" "${files[@]}" ||
    [[ $? = [23] ]] # 2: some survive, 3: some never end
