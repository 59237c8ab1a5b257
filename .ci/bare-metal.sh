#!/usr/bin/env bash
# Runs one command with a Rust compiler for the microcontroller targets, and with the emulator of them at hand:
#
#   .ci/bare-metal.sh cargo run --release --target thumbv6m-none-eabi
#
# The standard library of the targets comes from rustup. Where rustup cannot fetch it (a distribution's compiler, a
# closed network), Debian's compiler and library source are unpacked into the user's cache, and core is built from
# that source. Nothing of that is installed; only the emulator is, as an ordinary package.
set -euo pipefail

targets=(thumbv6m-none-eabi thumbv7em-none-eabihf riscv32imac-unknown-none-elf)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/ohmsplit/bare-metal
multiarch=$(uname -m)-linux-gnu
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

die() {
    printf 'bare-metal: %s\n' "$1" >&2
    exit 1
}

# Runs a command silently; what it printed is kept in $scratch/log for the message of a failure.
quietly() {
    "$@" >"$scratch/log" 2>&1 </dev/null
}

last_words() {
    tail -n 1 "$scratch/log"
}

has_targets() {
    local target
    for target in "${targets[@]}"; do
        compgen -G "$(rustc --print target-libdir --target "$target")/libcore-*.rlib" >/dev/null || return 1
    done
}

rustup_targets() {
    command -v rustup >/dev/null && quietly timeout 600 rustup target add "${targets[@]}" && has_targets
}

# The name of the first dependency of package $1 that starts with $2; the version is part of such names.
dependency() {
    apt-cache depends "$1" | sed -n "s/^ *Depends: \($2[^ ]*\)\$/\1/p" | head -n 1
}

apt_update() {
    [ -e "$scratch/updated" ] || quietly as_root apt-get update || die "apt-get update failed: $(last_words)"
    touch "$scratch/updated"
}

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n "$@"; fi
}

unpack_compiler() {
    command -v apt-get >/dev/null || die "no library for ${targets[*]}: 'rustup target add' failed and there is no apt-get to fetch Debian's compiler with"
    apt_update
    local std llvm deb unpacked=$scratch/root
    std=$(dependency libstd-rust-web-dev libstd-rust-web-)
    llvm=$(dependency "${std:-none}" libllvm)
    [ -n "$llvm" ] || die "no library for ${targets[*]}: 'rustup target add' failed and Debian's package rustc-web is not on offer here"
    mkdir "$scratch/debs" "$unpacked"
    (cd "$scratch/debs" && quietly apt-get download rustc-web libstd-rust-web-dev "$std" rust-web-src "$llvm") ||
        die "Debian's compiler could not be downloaded: $(last_words)"
    for deb in "$scratch"/debs/*.deb; do
        dpkg -x "$deb" "$unpacked"
    done
    mkdir -p "$(dirname "$cache")"
    rm -rf "$cache.new"
    mv "$unpacked" "$cache.new" # may cross file systems; the rename below is the step that counts
    mv -T "$cache.new" "$cache" 2>/dev/null || [ -x "$cache/usr/bin/rustc" ] || die "cannot write $cache"
}

# Debian's compiler in place of rustup's, core from source, and a linker by name since Debian's has none beside it.
debian_compiler() {
    local linker target
    linker=$(compgen -G "$(rustc --print sysroot)/lib/rustlib/*/bin/rust-lld" | head -n 1) || true
    linker=${linker:-$(command -v ld.lld)} || die "no linker for ${targets[*]}: neither rust-lld nor ld.lld was found"
    [ -x "$cache/usr/bin/rustc" ] || unpack_compiler
    export RUSTC=$cache/usr/bin/rustc RUSTC_BOOTSTRAP=1 CARGO_UNSTABLE_BUILD_STD=core
    export LD_LIBRARY_PATH=$cache/usr/lib/$multiarch${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}
    for target in "${targets[@]}"; do
        target=${target^^}
        export "CARGO_TARGET_${target//-/_}_LINKER=$linker"
    done
    quietly "$RUSTC" --version || die "Debian's compiler does not run; remove $cache to fetch it again: $(last_words)"
}

# One instruction takes one nanosecond of the emulated clock, so that instructions can be counted on target.
emulator() {
    local run='qemu-system-arm -nographic -icount shift=0 -semihosting-config enable=on,target=native'
    export CARGO_TARGET_THUMBV6M_NONE_EABI_RUNNER="$run -M mps2-an385 -kernel"
    export CARGO_TARGET_THUMBV7EM_NONE_EABIHF_RUNNER="$run -M mps2-an386 -cpu cortex-m4 -kernel"
    command -v qemu-system-arm >/dev/null && return
    command -v apt-get >/dev/null || die "qemu-system-arm was not found; install it"
    apt_update
    quietly as_root apt-get install -y --no-install-recommends qemu-system-arm ||
        die "qemu-system-arm was not found and could not be installed: $(last_words)"
}

[ $# -gt 0 ] || die "usage: .ci/bare-metal.sh COMMAND..."
command -v cargo >/dev/null && command -v rustc >/dev/null || die "cargo and rustc were not found; install Rust first"
emulator
has_targets || { [ ! -x "$cache/usr/bin/rustc" ] && rustup_targets; } || debian_compiler
"$@"
