#!/usr/bin/env bash
# All that has to hold before a change goes in: format, warnings, tests, sanitizers, lint.
# On two cores it stays under 40 minutes: what is left of the sanitizers and of lint when the rest took
# long is left out, and that is said.
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

sanitized() { # targets
  cmake --build --preset asan -j "$jobs" --target "$@"
}
if ((SECONDS > 24 * 60)); then
  step "sanitizers and lint left out: no time; run cmake --workflow --preset asan, then tidy"
  exit 0
fi
cmake --preset asan >/dev/null
# First the rooms that read what others wrote: photos, files, the library.
step "sanitizers: photo, formats, library"
sanitized photo_test formats_test library_test
ctest --preset asan -j "$jobs" -R '^(photo|formats|library)$'

if ((SECONDS > 16 * 60)); then
  step "the other sanitizer tests and lint left out: no time; run cmake --workflow --preset asan, then tidy"
  exit 0
fi
step "sanitizers: all"
sanitized all
ctest --preset asan -j "$jobs" -E '^(photo|formats|library)$'

if ((SECONDS > 25 * 60)); then
  step "lint left out: no time; run cmake --workflow --preset tidy"
  exit 0
fi
step "lint"
cmake --preset tidy >/dev/null
cmake --build --preset tidy -j "$jobs"
step "done"
