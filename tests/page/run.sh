#!/usr/bin/env bash
# The page's types, then the page itself in a real browser: tests/page/run.sh PANECARD [PICTURES]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
panecard=$(realpath "$1")
pictures=${2:-}
"$here/../../samples/install.sh" test
# Not in samples/packages: Node's own packages bring npm along and cannot stand beside Debian's.
command -v npm >/dev/null || apt-get install -y -qq --no-install-recommends npm >/dev/null
tsc -p "$here/../../src/app/page/web"
[[ -d $here/node_modules ]] || npm ci --prefix "$here" --ignore-scripts --no-audit --no-fund --silent
PICTURES=$pictures exec node "$here/browser.mjs" "$panecard"
