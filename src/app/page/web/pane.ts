// One pane of the library: what it is, how it came about, and its files.
import {get, post, Trouble} from "./api";
import {h, show, tell, trouble} from "./dom";
import {fileButtons} from "./files";
import {frame} from "./frame";
import type {PaneLine} from "./library";
import {outlines} from "./picture";
import {inPageWords} from "./sizes";
import {sizeText} from "./units";

interface Revision { of: string; revision: number; at: string; who: string; reason: string; what: string }
interface Pane extends PaneLine {
  title: string; revision: number; verdict?: string; boundary?: string;
  box?: {long_mm: number; long_u95_mm: number; short_mm: number; short_u95_mm: number};
  outline?: number[]; history: Revision[];
  measurements: {id: number; boundary: string; at: string; photos: {name: string}[]}[];
}
export interface Set { name: string; title: string; boundaries: string[] }

export function setChoice(sets: Set[], boundary: string | undefined,
                          changed: (name: string) => void): HTMLElement {
  const fit = sets.filter((x) => !boundary || x.boundaries.length === 0 ||
                                 x.boundaries.includes(boundary));
  return h("label", {class: "field"}, "Allowances",
           h("select", {name: "set", onchange: (e: Event) =>
                        changed((e.target as HTMLSelectElement).value)},
             h("option", {value: ""}, "None: cut along the outline"),
             ...fit.map((x) => h("option", {value: x.name}, x.title))));
}

function film(p: Pane, sets: Set[]): HTMLElement {
  let set = "", mirror = false;
  const twin = h("input", {type: "checkbox"});
  twin.addEventListener("change", () => { mirror = twin.checked; });
  return h("section", {"aria-labelledby": "film"}, h("h2", {id: "film"}, "Film piece and files"),
           setChoice(sets, p.boundary, (name) => { set = name; }),
           h("label", {class: "choice"}, twin, "Mirrored, for the other side of the vehicle"),
           fileButtons([["piece.dxf", "Cut file DXF"], ["piece.svg", "Cut file SVG"],
                        ["piece.plt", "Plotter HP-GL"], ["piece.pdf", "Full size PDF"],
                        ["drawing.pdf", "Drawing"], ["job.pdf", "Job sheet"],
                        ["result.json", "Result file"]],
                       (kind) => `/api/panes/${p.pane}/files/${kind}?set=` +
                           encodeURIComponent(set) + (mirror ? "&mirror=1" : "")),
           h("p", {class: "quiet"}, "Try each cut on the glass before you press it down. Cutting " +
             "on glass and working with blades can hurt; what may be tinted is for your law to say."));
}

function history(p: Pane, redraw: () => void): HTMLElement {
  const again = (r: Revision): HTMLElement =>
      h("button", {class: "button small", type: "button", onclick: () => {
        post(`/api/panes/${p.pane}/restore`, {revision: r.revision}).then(() => {
          tell("Revision " + r.revision + " is in force again");
          redraw();
        }, (e: unknown) => tell(e instanceof Trouble ? e.message : "That did not work"));
      }}, "Use again");
  return h("section", {"aria-labelledby": "history"}, h("h2", {id: "history"}, "History"),
           h("ul", {class: "rows history"}, ...p.history.map((r) =>
               h("li", {class: "row"},
                 h("span", {class: "grow"}, r.what, r.reason ? ": " + r.reason : ""),
                 h("span", {class: "quiet"}, new Date(r.at).toLocaleString(), r.who ? ", " + r.who : ""),
                 r.of === "pane" && r.revision !== p.revision && again(r)))));
}

function boxTable(p: Pane): HTMLElement | null {
  if (!p.box) return null;
  const row = (name: string, value: number, u95: number): HTMLElement => {
    const text = sizeText({value, u95});
    return h("tr", {}, h("th", {scope: "row"}, name), h("td", {class: "number"}, text.value),
             h("td", {class: "number quiet"}, "± " + text.u95), h("td", {class: "quiet"}, text.unit));
  };
  return h("div", {class: "sizes"}, h("table", {}, h("tbody", {},
      row("Long side", p.box.long_mm, p.box.long_u95_mm),
      row("Short side", p.box.short_mm, p.box.short_u95_mm))));
}

export async function pane(number: string): Promise<void> {
  const id = encodeURIComponent(number);
  try {
    const [p, sets] = await Promise.all([get<Pane>("/api/panes/" + id),
                                         get<{sets: Set[]}>("/api/sets")]);
    const others = h("a", {class: "button", href: "#/alike/" + p.pane}, "Compare with another");
    show(p.title, frame(h("main", {class: "column wider"},
        h("p", {}, h("a", {class: "button plain back", href: "#/library"}, "← Library")),
        h("h1", {}, p.title),
        h("div", {class: "both"},
          h("img", {src: `/api/panes/${p.pane}/photo.jpg`, alt: "Photo of the pane"}),
          p.outline ? outlines([{points: p.outline, kind: "main"}], "Outline of the pane") : null),
        boxTable(p), p.verdict ? h("p", {class: "quiet"}, inPageWords(p.verdict)) : null,
        p.notes ? h("p", {}, p.notes) : null,
        h("div", {class: "line"}, h("a", {class: "button main", href: "#/"}, "Measure the next pane"),
          h("a", {class: "button", href: "#/film/" + p.pane}, "Put it on film"), others),
        film(p, sets.sets), history(p, () => void pane(number)))));
  } catch (e) {
    show("Not here", frame(h("main", {class: "column"},
        trouble(e instanceof Trouble ? e.message : "This pane is not here.",
                h("a", {class: "button main", href: "#/library"}, "Library")))));
  }
}
