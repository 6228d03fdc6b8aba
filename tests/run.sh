#!/usr/bin/env bash
# All that has to hold before a change goes in: tests/run.sh [full]. With "full" clang-tidy reads every file, not only what changed
# since .ci/linted was written, and each fuzz program runs for 60 s instead of 10. Nothing is left out: a part that cannot run fails and says what is missing. The first part that
# fails ends the run; the table at the end has every part and its time.
set -euo pipefail
cd "$(dirname "$0")/.."
jobs=$(nproc)
lint=${1:-changed}

packages() { samples/install.sh test; }

format() {
  find src tests -name node_modules -prune -o \( -name "*.h" -o -name "*.cpp" \) -print0 | xargs -0 clang-format --dry-run --Werror
}

build() {  # warnings are errors
  cmake --preset dev >/dev/null
  cmake --build --preset dev -j "$jobs"
}

headers() { cmake --build --preset dev -j "$jobs" --target all_verify_interface_header_sets; }

tests() { ctest --preset dev -j "$jobs"; }

page() { tests/page/run.sh build/dev/panecard; }

# Only over the rooms that read foreign bytes: src/CMakeLists.txt names them.
sanitizers() {
  cmake --preset asan >/dev/null
  cmake --build --preset asan -j "$jobs" --target reader_tests
  ctest --preset asan -j "$jobs" -L '^reader$' --no-tests=error
}

fuzz() {
  if [[ $lint == full ]]; then tests/fuzz/run.sh 60; else tests/fuzz/run.sh 10; fi
}

doxygen() { docs/doxygen.sh; }

lint() { tests/lint.sh "$lint"; }

parts=(packages format build headers tests page sanitizers fuzz doxygen lint)
declare -A outcome
table() {
  printf '\n%-12s %s\n' part time
  local part
  for part in "${parts[@]}"; do printf '%-12s %s\n' "$part" "${outcome[$part]:-not run}"; done
  printf '%-12s %d min %02d s\n' all $((SECONDS / 60)) $((SECONDS % 60))
}
trap table EXIT
for part in "${parts[@]}"; do
  printf '\n== %s\n' "$part"
  begun=$SECONDS
  outcome[$part]="FAILED"
  "$part"
  outcome[$part]="$(((SECONDS - begun) / 60)) min $(((SECONDS - begun) % 60)) s"
done
