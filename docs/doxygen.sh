#!/usr/bin/env bash
# Doxygen's pages of the rooms' public headers, in build/doxygen/html. A warning is an error.
set -euo pipefail
cd "$(dirname "$0")/.."
command -v doxygen >/dev/null || { echo "docs/doxygen.sh: doxygen is missing; run samples/install.sh test" >&2; exit 1; }
headers=()
for room in src/*/; do
  name=$(basename "$room")
  [[ -f $room$name.h ]] || { echo "docs/doxygen.sh: $room has no public header $name.h" >&2; exit 1; }
  headers+=("$room$name.h")
done
mkdir -p build/doxygen
{ cat docs/Doxyfile; echo "INPUT = ${headers[*]}"; } | doxygen -
echo "${#headers[@]} headers: build/doxygen/html/index.html"
