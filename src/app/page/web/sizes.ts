// The sizes with their plus-minus, the verdict, and what to do better.
import type {Size, View} from "./api";
import {h} from "./dom";
import {areaText, inInches, sentence, setInches, sizeText} from "./units";

/// The program speaks of its options; here they are fields and buttons.
const kHere: [RegExp, string][] = [
  [/ ?\(--bow\)/g, " (Bow, under About this photo)"],
  [/ with --near/g, " with Put right"],
  [/--near/g, "Put right"],
  [/--bow/g, "it as Bow under About this photo"],
  [/--plain( \S+)?/g, "Reference card under About this photo"],
  [/--glass-thickness/g, "Glass thickness under About this photo"],
  [/--seen-from/g, "Photo taken from, under About this photo"],
  [/--boundary/g, "Measure to, under About this photo"],
];

export function inPageWords(text: string): string {
  return kHere.reduce((out, [option, name]) => out.replace(option, name), text);
}

function row(name: string, text: {value: string; u95: string; unit: string}): HTMLElement {
  return h("tr", {}, h("th", {scope: "row"}, name), h("td", {class: "number"}, text.value),
           h("td", {class: "number quiet"}, "± " + text.u95), h("td", {class: "quiet"}, text.unit));
}

export function sizesTable(view: View, redraw: () => void): HTMLElement {
  const length = (name: string, size: Size): HTMLElement => row(name, sizeText(size));
  const unit = h("button", {class: "button plain small", type: "button", onclick: () => {
    setInches(!inInches());
    redraw();
  }}, inInches() ? "Show mm" : "Show inches");
  const sizes = view.sizes;
  return h("div", {class: "sizes"},
           h("table", {},
             h("caption", {class: "hidden"}, "Sizes, with what they may be off by (95 %)"),
             h("tbody", {}, length("Long side", sizes.long_mm), length("Short side", sizes.short_mm),
               ...sizes.diagonals_mm.map((d, i) => length("Diagonal " + (i + 1), d)),
               length("All round", sizes.perimeter_mm), row("Glass", areaText(sizes.area_mm2)))),
           unit);
}

export function verdictText(view: View): HTMLElement {
  const told = inInches() ? view.verdict_inch : view.verdict;
  const seen = Math.round(100 * view.seen_fraction);
  return h("section", {class: "verdict", "aria-labelledby": "verdict"},
           h("h2", {id: "verdict"}, "How good it is"),
           h("p", {}, inPageWords(told)),
           seen < 100 &&
               h("p", {class: "quiet"},
                 `${seen} % of the edge was seen; the dashed rest is bridged or drawn by hand.`),
           view.warnings.length > 0 &&
               h("ul", {class: "warnings"}, ...view.warnings.map((w) => h("li", {}, sentence(inPageWords(w.text))))));
}
