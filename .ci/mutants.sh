#!/usr/bin/env bash
# Mutation testing of the core: every N-th mutant from the K-th on, held against the tests of the core.
#   .ci/mutants.sh K/N [OPTION...]     .ci/mutants.sh 0/2 -f core/src/permit.rs     .ci/mutants.sh 13/24 -f "core/src/settle/**"
# Options go to `cargo mutants`, which `cargo install cargo-mutants` installs. The results go to mutants/mutants.out in the target folder.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

[[ ${1-} = */* ]] || { sed -n '2,4s/^# //p' "$0" >&2; exit 1; }
share=$1
shift

# To stop at the first test that fails is unstable in the test harness: only the tests are told that they may.
host=$(rustc -vV | sed -n 's/^host: //p' | tr 'a-z-' 'A-Z_')
export "CARGO_TARGET_${host}_RUNNER=env RUSTC_BOOTSTRAP=1"
export CARGO_PROFILE_DEV_DEBUG=0
folder=${CARGO_TARGET_DIR:-target}/mutants
mkdir -p "$folder"
# 2: some survive. 3: some never end.
cargo mutants --package ohmsplit --jobs 1 --shard "$share" --sharding round-robin --output "$folder" "$@" || [[ $? = [23] ]]
