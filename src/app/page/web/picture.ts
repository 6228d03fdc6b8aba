// Outlines in millimetres, y up, as line drawings.
import {s} from "./dom";

export interface Line { points: number[]; kind: string }

export function outlines(lines: Line[], label: string): SVGElement {
  const xs: number[] = [], ys: number[] = [];
  for (const {points} of lines) {
    points.forEach((v, i) => (i % 2 === 0 ? xs : ys).push(i % 2 === 0 ? v : -v));
  }
  const low = [Math.min(...xs), Math.min(...ys)] as const;
  const wide = Math.max(...xs) - low[0], high = Math.max(...ys) - low[1];
  const margin = 0.04 * Math.max(wide, high);
  const path = (points: number[]): string => {
    let d = "";
    for (let i = 0; i + 1 < points.length; i += 2) {
      d += (i === 0 ? "M" : "L") + points[i]!.toFixed(1) + " " + (-points[i + 1]!).toFixed(1);
    }
    return d + "Z";
  };
  return s("svg", {class: "drawing", role: "img", "aria-label": label,
                   viewBox: [low[0] - margin, low[1] - margin, wide + 2 * margin,
                             high + 2 * margin].map((v) => v.toFixed(1)).join(" ")},
           ...lines.map((l) => s("path", {d: path(l.points), class: l.kind})));
}
