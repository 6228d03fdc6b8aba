// What the person knows of the photo.
import type {Options} from "./api";
import {h} from "./dom";

interface Choice { name: string; label: string; values: [string, string][] }

const kChoices: Choice[] = [
  {name: "boundary", label: "Measure to",
   values: [["", "Edge of the glass"], ["solid", "Solid ceramic band"], ["dots", "Inside the dots"]]},
  {name: "plain", label: "Reference card",
   values: [["", "Found by itself"], ["id1", "Plain card, bank card size"], ["a4", "Blank A4 sheet"],
            ["letter", "Blank Letter sheet"]]},
  {name: "seen_from", label: "Photo taken from",
   values: [["", "Outside"], ["inside", "Inside"]]},
];

export function optionsForm(options: Options, change: (options: Options) => void): HTMLElement {
  const set = (name: string, value: string): void => {
    const next = {...options};
    if (value) next[name] = value;
    else delete next[name];
    change(next);
  };
  const choices = kChoices.map((c) => h("label", {class: "field"}, c.label,
      h("select", {name: c.name, onchange: (e: Event) =>
                   set(c.name, (e.target as HTMLSelectElement).value)},
        ...c.values.map(([value, text]) =>
            h("option", {value, selected: (options[c.name] ?? "") === value}, text)))));
  const glass = h("label", {class: "field"}, "Glass thickness, if known",
      h("input", {name: "glass_thickness", type: "text", placeholder: "4 mm",
                  value: options["glass_thickness"] ?? "", onchange: (e: Event) =>
                      set("glass_thickness", (e.target as HTMLInputElement).value.trim())}));
  const bow = h("label", {class: "field"}, "Bow, if known: depth under a straightedge @ its length",
      h("input", {name: "bow", type: "text", placeholder: "12mm@500mm", value: options["bow"] ?? "",
                  onchange: (e: Event) =>
                      set("bow", (e.target as HTMLInputElement).value.replace(/\s/g, ""))}));
  return h("details", {class: "options"}, h("summary", {}, "About this photo"), ...choices, glass, bow);
}
