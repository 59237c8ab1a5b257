#!/usr/bin/env bash
# The evidence report in a real browser. Installs Chromium from Debian when it is missing.
# OHMSPLIT_SCREENSHOTS=FOLDER keeps the screenshots.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

if ! command -v chromium >/dev/null; then
    sudo=
    [ "$(id -u)" = 0 ] || sudo=sudo
    $sudo apt-get update -qq
    $sudo apt-get install -y -qq --no-install-recommends chromium
fi
cargo test -p ohmsplit-host --test cli browser -- --ignored
