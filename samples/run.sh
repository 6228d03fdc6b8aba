#!/usr/bin/env bash
# From a fresh clone on Debian 12 to measured panes: installs what is missing, builds, measures the
# sample photos and leaves the results in samples/out.
set -euo pipefail
cd "$(dirname "$0")/.."
out=samples/out
panecard=build/release/panecard
samples/install.sh run

mkdir -p build "$out"
echo "Building panecard (log: build/release.log) ..."
{ cmake --preset release && cmake --build --preset release -j "$(nproc)" --target panecard; } >build/release.log 2>&1 || {
  tail -n 30 build/release.log >&2
  echo "The build failed; the whole log is build/release.log" >&2
  exit 1
}

not_measured=0
measure() { # case, boundary, further options
  local case=$1 boundary=$2
  shift 2
  mkdir -p "$out/$case"
  local to=$out/$case/$boundary
  printf '\n%s, %s\n' "$case" "$boundary"
  "$panecard" measure "samples/$case"/photo*.jpg --boundary "$boundary" "$@" --json "$to.json" \
    --svg "$to.svg" --dxf "$to.dxf" --overlay "$to-overlay.jpg" --drawing "$to-drawing.pdf" ||
    not_measured=$((not_measured + 1))
}

rm -rf "${out:?}"/*
mkdir -p "$out/cards"
"$panecard" card --page sheet --paper a4 --out "$out/cards/sheet-a4.pdf"
"$panecard" card --page sheet --paper letter --out "$out/cards/sheet-letter.pdf"
"$panecard" card --page cards --paper a4 --out "$out/cards/cards-a4.pdf"

measure door-front-four-cards glass
measure door-rear-curved glass
measure door-rear-sheet glass
measure quarter-daylight-cards glass
measure quarter-daylight-cards dots
measure rear-fixed-blue-card glass --plain id1
measure rear-fixed-blue-card solid --plain id1
measure slider-inside-sheet glass
measure vent-small-card glass

# One side of an invented vehicle, then both on the film in samples/stock.json.
pieces=()
piece() { # name, result, further options
  local name=$1 result=$out/$2.json to=$out/film/${1// /-}
  shift 2
  [[ -f $result ]] || return 0
  printf '\n'
  "$panecard" piece "$result" --name "$name" "$@" --json "$to.json" --drawing "$to.pdf"
  pieces+=("$to.json")
}
mkdir -p "$out/film"
piece "front door" door-front-four-cards/glass --set roll-down
piece "rear door" door-rear-sheet/glass --set roll-down
piece "quarter" quarter-daylight-cards/dots --set inside-dots
piece "slider" slider-inside-sheet/glass --set sliding-rear
piece "vent" vent-small-card/glass
if ((${#pieces[@]})); then
  to=$out/film/layout
  printf '\n'
  "$panecard" roll "${pieces[@]}" --twin all --stock samples/stock.json --film "carbon 35" --json "$to.json" \
    --drawing "$to.pdf" --svg "$to-cut.svg" --dxf "$to-cut.dxf" --hpgl "$to-cut.plt" --pdf "$to-full-size.pdf"

  # All of it on one sheet.
  results=()
  photos=()
  for case in door-front-four-cards/glass door-rear-sheet/glass quarter-daylight-cards/dots slider-inside-sheet/glass \
    vent-small-card/glass; do
    [[ -f $out/$case.json ]] || continue
    results+=("$out/$case.json")
    photos+=(--photo "samples/${case%/*}/photo.jpg")
  done
  printf '\n'
  "$panecard" job "${results[@]}" "${pieces[@]}" "${photos[@]}" --layout "$to.json" --vehicle "Estate, invented" \
    --note "Door trim: two screws behind the handle cup, three clips along the bottom" \
    --note "Rear pane: heating lines and an aerial on the inside" \
    --glass-transmission 77% --film-transmission 35% --pdf "$out/film/job.pdf" --html "$out/film/job.html"
fi

# The same photos into a library, as a shop would keep them.
printf '\n'
"$panecard" batch samples --manifest samples/batch.csv --library "$out/shop.panes" --html "$out/batch.html" ||
  not_measured=$((not_measured + 1))
"$panecard" library find "$out/shop.panes" door 2019

printf '\nIn %s:\n' "$out"
(cd "$out" && find . -type f | sort | sed 's|^\./|  |')
if ((not_measured)); then
  echo "$not_measured of the photos could not be measured; the reasons stand above." >&2
  exit 1
fi
