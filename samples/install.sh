#!/usr/bin/env bash
# Installs the Debian packages that are missing: install.sh run | test (test includes run).
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
want=${1:-run}

if ! command -v dpkg-query >/dev/null || ! command -v apt-get >/dev/null; then
  echo "This system has no apt-get; going on with the libraries that are here (wanted: samples/packages)."
  exit 0
fi
missing=()
while read -r who name _; do
  [[ $who == run || ($who == test && $want == test) ]] || continue
  dpkg-query -W -f '${Status}' "$name" 2>/dev/null | grep -q 'ok installed' || missing+=("$name")
done < <(sed 's/#.*//' "$here/packages")
((${#missing[@]})) || exit 0

as_root=()
if ((EUID != 0)); then
  command -v sudo >/dev/null || {
    echo "Missing packages and no sudo; as root: apt-get install ${missing[*]}" >&2
    exit 1
  }
  as_root=(sudo)
fi
echo "Installing: ${missing[*]}"
"${as_root[@]}" apt-get update -qq
"${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
  apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
