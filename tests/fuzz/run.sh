#!/usr/bin/env bash
# run.sh [SECONDS]: builds the fuzz programs and runs each for so long, 60 if not said, as many at a time as there are cores.
# Quiet, unless one crashes, hangs or cannot run: then it says where the input lies, and fails.
# The seed is the same each time, so that a change is not refused for what was there before; PANECARD_FUZZ_SEED=0 takes another.
# What it finds on the way is kept in build/fuzz/found and is where the next run goes on.
set -uo pipefail
cd "$(dirname "$0")/../.."
seconds=${1:-60}
mkdir -p build/fuzz/found build/fuzz/crashes
if ! { cmake --preset fuzz && cmake --build build/fuzz --target fuzz; } > build/fuzz/build.log 2>&1; then
  grep -E -A 10 'error|FAILED' build/fuzz/build.log | head -60
  echo "the fuzz programs cannot be built; all that was said is in build/fuzz/build.log"
  exit 1
fi
export TMPDIR=$PWD/build/fuzz/tmp  # a fuzzer ends without tidying up
rm -rf "$TMPDIR" && mkdir "$TMPDIR"
export LSAN_OPTIONS=suppressions=$PWD/tests/leaks.supp:print_suppressions=0

one() {
  local target=$1 seconds=$2 log=build/fuzz/$1.log
  mkdir -p "build/fuzz/found/$target"
  build/fuzz/fuzz_"$target" -max_total_time="$seconds" -seed="${PANECARD_FUZZ_SEED:-1}" -timeout=30 -rss_limit_mb=3000 -max_len=20000 -print_final_stats=1 \
    -artifact_prefix="build/fuzz/crashes/$target-" "build/fuzz/found/$target" "tests/fuzz/corpus/$target" > "$log" 2>&1 && return
  grep -E -A 12 '^==|ERROR|broken promise|runtime error' "$log" | head -40
  echo "fuzz_$target failed: $(grep -o 'Test unit written to .*' "$log" || echo 'it could not run'); all that it said is in $log"
  return 1
}
export -f one
sed -n 's/^void \([a-z]*\)(std::string_view bytes);$/\1/p' tests/fuzz/fuzz.h | xargs -P "$(nproc)" -I{} bash -c 'one {} '"$seconds"
