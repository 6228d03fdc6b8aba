// Files that the page gave, opened by programs that are not ours.
import assert from "node:assert/strict";
import {execFileSync} from "node:child_process";
import {readFileSync} from "node:fs";

export const kPieceFiles = [["Cut file DXF", "piece.dxf"], ["Cut file SVG", "piece.svg"], ["Plotter HP-GL", "piece.plt"],
                            ["Full size PDF", "piece.pdf"], ["Drawing", "drawing.pdf"], ["Job sheet", "job.pdf"]];
export const kRollFiles = [["Cut file DXF", "roll.dxf"], ["Cut file SVG", "roll.svg"], ["Plotter HP-GL", "roll.plt"],
                           ["Full size PDF", "roll.pdf"], ["Layout drawing", "roll-drawing.pdf"], ["Job sheet", "job.pdf"]];

const run = (program, ...words) => execFileSync(program, words, {encoding: "latin1", stdio: ["ignore", "pipe", "ignore"]});

/// Width and height of a DXF file's drawing, in mm.
function extent(dxf) {
  const text = run("ogrinfo", "-ro", "-al", "-so", dxf);
  const [left, bottom, right, top] = /Extent: \(([-\d.]+), ([-\d.]+)\) - \(([-\d.]+), ([-\d.]+)\)/.exec(text).slice(1).map(Number);
  return [right - left, top - bottom];
}

function fits([wide, high], wanted, kind) {
  const said = `${kind} is ${wide.toFixed(1)} x ${high.toFixed(1)} mm`;
  if (wanted.within) return assert.ok(Math.min(wide, high) > 100 && Math.min(wide, high) <= wanted.within, said);
  // The smallest box lies along the pane's own side, the file's along the film: within the diagonal.
  const diagonal = Math.hypot(wanted.long, wanted.short);
  assert.ok(Math.max(wide, high) > wanted.short && Math.max(wide, high) < diagonal + 5, said);
}

/// @param wanted  `long` and `short` sides of the pane in mm, or `within`, the film's width; `words` on sheets to read
export function opens(path, kind, wanted) {
  if (kind.endsWith(".dxf")) return fits(extent(path), wanted, kind);
  if (kind.endsWith(".svg")) {
    assert.ok(run("rsvg-convert", "-f", "png", path).startsWith("\x89PNG"), kind);
    const [wide, high] = /width="([\d.]+)mm" height="([\d.]+)mm"/.exec(readFileSync(path, "utf8")).slice(1).map(Number);
    return fits([wide, high], wanted, kind);
  }
  if (kind.endsWith(".plt")) {
    run("hp2xx", "-q", "-t", "-m", "dxf", "-f", path + ".dxf", path);
    return fits(extent(path + ".dxf"), wanted, kind);
  }
  const pages = Number(/Pages:\s+(\d+)/.exec(run("pdfinfo", path))[1]);
  assert.ok(pages >= 1, kind);
  if (!kind.startsWith("piece") && !kind.startsWith("roll.")) assert.match(run("pdftotext", path, "-"), wanted.words, kind);
}
