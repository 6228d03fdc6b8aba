#!/usr/bin/env bash
# All that has to hold before a change goes in: format, warnings, tests, sanitizers, lint.
# On two cores it stays under 40 minutes; sanitizers and lint are left out, and say so, where the rest
# took too long already.
set -euo pipefail
cd "$(dirname "$0")/.."
samples/install.sh test
jobs=$(nproc)

step() { printf '\n== %s (%d min %02d s)\n' "$1" $((SECONDS / 60)) $((SECONDS % 60)); }

step "format"
find src tests \( -name '*.h' -o -name '*.cpp' \) -print0 | xargs -0 clang-format --dry-run --Werror

step "build: dev, warnings are errors"
cmake --preset dev >/dev/null
cmake --build --preset dev -j "$jobs"

step "every header stands alone"
cmake --build --preset dev -j "$jobs" --target all_verify_interface_header_sets

step "tests"
ctest --preset dev -j "$jobs"

step "the page in a browser"
tests/page/run.sh build/dev/panecard

if ((SECONDS > 12 * 60)); then
  step "sanitizers and lint left out: no time; run cmake --workflow --preset asan, then tidy"
  exit 0
fi
step "build: address and undefined-behaviour sanitizers"
cmake --preset asan >/dev/null
cmake --build --preset asan -j "$jobs"

step "tests under the sanitizers"
ctest --preset asan -j "$jobs"

if ((SECONDS > 25 * 60)); then
  step "lint left out: no time; run cmake --workflow --preset tidy"
  exit 0
fi
step "lint"
cmake --preset tidy >/dev/null
cmake --build --preset tidy -j "$jobs"
step "done"
