// The outline in the photo's pixels: a closed line of x, y, x, y ...
import type {Point} from "./api";

export function pointAt(px: number[], index: number): Point {
  const n = px.length / 2;
  const i = ((index % n) + n) % n;
  return [px[2 * i]!, px[2 * i + 1]!];
}

export interface Foot { index: number; distance: number }

/// The outline's point nearest to a place.
export function nearest(px: number[], to: Point): Foot {
  let best: Foot = {index: 0, distance: Infinity};
  for (let i = 0; 2 * i < px.length; ++i) {
    const d = Math.hypot(px[2 * i]! - to[0], px[2 * i + 1]! - to[1]);
    if (d < best.distance) best = {index: i, distance: d};
  }
  return best;
}

export function pathOf(px: number[], closed = true): string {
  let d = "";
  for (let i = 0; i + 1 < px.length; i += 2) {
    d += (i === 0 ? "M" : "L") + px[i]!.toFixed(1) + " " + px[i + 1]!.toFixed(1);
  }
  return d + (closed ? "Z" : "");
}

/// The stretches where the edge was not seen, each as an open line.
export function unseenPath(px: number[], seen: number[]): string {
  const n = seen.length;
  let d = "";
  for (let i = 0; i < n; ++i) {
    if (seen[i]) continue;
    const [x, y] = pointAt(px, i), [u, v] = pointAt(px, i + 1);
    const goesOn = i > 0 && !seen[i - 1];
    d += (goesOn ? "" : "M" + x.toFixed(1) + " " + y.toFixed(1)) + "L" + u.toFixed(1) + " " +
        v.toFixed(1);
  }
  return d;
}
