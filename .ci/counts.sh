#!/usr/bin/env bash
# Instructions of the core's calls: on this machine counted by callgrind (valgrind), on the emulated microcontrollers by
# the images `cost` and `answers`; means over the captures that the images carry.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

firmware=tests/firmware/Cargo.toml
targets=(thumbv7em-none-eabihf thumbv6m-none-eabi)
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

die() {
    echo "counts: $1" >&2
    exit 1
}

# Each line "call count instructions": what the program says of its calls, and what callgrind says that these and all
# that they call took.
host() {
    local program
    program=$(cargo build --release --manifest-path $firmware --bin answers --message-format json-render-diagnostics |
        sed -n 's/.*"executable":"\([^"]*\)".*/\1/p')
    valgrind --tool=callgrind --callgrind-out-file="$scratch/profile" "$program" >"$scratch/calls" 2>"$scratch/log" ||
        die "valgrind: $(tail -n 1 "$scratch/log")"
    # A function is listed once more for each file that was inlined into it, with a part of its count.
    callgrind_annotate --inclusive=yes --threshold=100 "$scratch/profile" 2>"$scratch/log" |
        awk 'match($0, /answers::((settled|swift)::(accept|step)|push)/) {
            count = $1; gsub(",", "", count); call = substr($0, RSTART + 9, RLENGTH - 9)
            if (count + 0 > most[call]) most[call] = count + 0 }
            END { for (call in most) print call, most[call] }' >"$scratch/instructions"
    awk 'NR == FNR { took[$1] = $2; next }
        $1 ~ /answer/ { sub("::answer", "", $1); print $1 "::answer", $2, took[$1 "::accept"] + took[$1 "::step"]; next }
        { print $1, $2, took[$1] }' "$scratch/instructions" "$scratch/calls"
}

# Each line "call mean", from the text of both images.
target() {
    local image
    for image in cost answers; do
        .ci/bare-metal.sh cargo run --quiet --release --manifest-path $firmware --target "$1" --bin $image
    done | awk '
        /^Monitor:/ { monitor = "settled" }
        /^SwiftMonitor:/ { monitor = "swift" }
        / instructions in the mean/ { sub(/:$/, "", $1); print ($1 == "Sampler::push" ? "push" : monitor "::" $1), $2 }
        / instructions an answer / {
            match($0, /, (Swift)?Monitor: /)
            monitor = /, SwiftMonitor: / ? "swift" : "settled"
            split(substr($0, RSTART + RLENGTH), word, " ")
            answers[monitor] += word[1]; all[monitor] += word[1] * word[4]
        }
        END { for (monitor in all) print monitor "::answer", int(all[monitor] / answers[monitor]) }'
}

command -v valgrind >/dev/null || die "valgrind was not found; install it"
host >"$scratch/host"
for name in "${targets[@]}"; do
    target "$name" >"$scratch/$name"
done
awk 'FILENAME ~ /host$/ { order[++rows] = $1; calls[$1] = $2; mean[$1, 0] = int($3 / $2); next }
    FNR == 1 { column++ }
    { mean[$1, column] = $2 }
    END {
        printf "%-18s %9s %12s %12s %12s\n", "mean of", "calls", "x86-64", "Cortex-M4F", "Cortex-M0+"
        for (row = 1; row <= rows; row++) {
            call = order[row]
            for (k = 0; k < 3; k++) if (!mean[call, k]) { print "counts: no figure of " call > "/dev/stderr"; exit 1 }
            printf "%-18s %9d %12d %12d %12d\n", call, calls[call], mean[call, 0], mean[call, 1], mean[call, 2]
        }
    }' "$scratch/host" "$scratch/${targets[0]}" "$scratch/${targets[1]}"
