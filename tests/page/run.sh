#!/usr/bin/env bash
# The page's types, then the page itself in a real browser: tests/page/run.sh PANECARD [PICTURES]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
panecard=$(realpath "$1")
pictures=${2:-}
"$here/../../samples/install.sh" test
# Not in samples/packages: Node's own packages bring npm along and cannot stand beside Debian's.
command -v npm >/dev/null || apt-get install -y -qq --no-install-recommends npm >/dev/null || {
  echo "tests/page/run.sh: npm is missing and apt-get could not install it; install npm, then run this again" >&2
  exit 1
}
tsc -p "$here/../../src/app/page/web"
if ! npm ls --prefix "$here" >/dev/null 2>&1; then  # missing, half there, or of another package-lock.json
  mkdir -p "$here/../../build"
  log=$(realpath "$here/../../build")/npm.log
  npm ci --prefix "$here" --ignore-scripts --no-audit --no-fund --fetch-retries=1 --loglevel=error >"$log" 2>&1 || {
    grep -m 1 -E "FetchError|ENOTFOUND|network" "$log" >&2 || tail -n 5 "$log" >&2
    echo "tests/page/run.sh: npm ci could not fetch the packages of tests/page/package-lock.json from" \
      "$(npm config get registry) (log: $log); let this machine reach it, or name a mirror with" \
      "npm config set registry URL, then run this again" >&2
    exit 1
  }
fi
PICTURES=$pictures exec node "$here/browser.mjs" "$panecard"
