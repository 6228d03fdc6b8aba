// Several panes on one film.
import {get, Trouble} from "./api";
import {h, show, trouble} from "./dom";
import {fileButtons} from "./files";
import {frame} from "./frame";
import {setChoice, type Set} from "./pane";

export async function film(panes: string): Promise<void> {
  let set = "";
  let sets: Set[] = [];
  try {
    sets = (await get<{sets: Set[]}>("/api/sets")).sets;
  } catch (e) {
    show("Film", frame(h("main", {class: "column"},
        trouble(e instanceof Trouble ? e.message : "Not to be had."))));
    return;
  }
  const width = h("input", {type: "text", name: "width", value: localStorage.getItem("film") ?? "1016 mm",
                            autocomplete: "off"});
  width.addEventListener("change", () => localStorage.setItem("film", width.value));
  const twins = h("input", {type: "checkbox"});
  const path = (kind: string): string => `/api/film/${kind}?panes=` + encodeURIComponent(panes) +
      "&width=" + encodeURIComponent(width.value.replace(/\s/g, "")) + "&set=" +
      encodeURIComponent(set) + (twins.checked ? "&twins=1" : "");
  const count = panes.split(",").length;
  show("Film", frame(h("main", {class: "column"},
      h("p", {}, h("a", {class: "button plain back", href: "#/library"}, "← Library")),
      h("h1", {}, count === 1 ? "One pane on film" : count + " panes on film"),
      h("label", {class: "field"}, "Width of the film, as 1016 mm or 40 in", width),
      setChoice(sets, undefined, (name) => { set = name; }),
      h("label", {class: "choice"}, twins, "The mirrored piece of each besides"),
      fileButtons([["roll-drawing.pdf", "Layout drawing"], ["roll.dxf", "Cut file DXF"],
                   ["roll.svg", "Cut file SVG"], ["roll.plt", "Plotter HP-GL"],
                   ["roll.pdf", "Full size PDF"], ["job.pdf", "Job sheet"]], path))));
}
