// Two patterns laid on each other.
import {get, Trouble} from "./api";
import {h, show, trouble} from "./dom";
import {frame} from "./frame";
import {paneName, type PaneLine} from "./library";
import {outlines} from "./picture";
import {inInches, sentence} from "./units";

interface Comparison {
  first: string; second: string; said: string; said_inch: string; laid: number[]; on: number[];
}

export async function compare(first: string, second: string, mirrored = false): Promise<void> {
  const query = `first=${encodeURIComponent(first)}&second=${encodeURIComponent(second)}` +
      (mirrored ? "&mirrored=1" : "");
  try {
    const c = await get<Comparison>("/api/compare?" + query);
    const turn = h("input", {type: "checkbox", checked: mirrored});
    turn.addEventListener("change", () => void compare(first, second, turn.checked));
    show("Compare", frame(h("main", {class: "column wider"},
        h("p", {}, h("a", {class: "button plain back", href: "#/library"}, "← Library")),
        h("h1", {}, "Laid on each other"),
        h("ul", {class: "key"}, h("li", {class: "key-first"}, c.first),
          h("li", {class: "key-second"}, c.second)),
        outlines([{points: c.laid, kind: "main"}, {points: c.on, kind: "other"}],
                 c.first + " laid on " + c.second),
        h("p", {}, sentence(inInches() ? c.said_inch : c.said)),
        h("label", {class: "choice"}, turn, "First one mirrored: left with right"))));
  } catch (e) {
    show("Compare", frame(h("main", {class: "column"},
        trouble(e instanceof Trouble ? e.message : "These cannot be compared.",
                h("a", {class: "button main", href: "#/library"}, "Library")))));
  }
}

/// Which other pane to lay on this one.
export async function choose(first: string): Promise<void> {
  const {panes} = await get<{panes: PaneLine[]}>("/api/panes");
  const others = panes.filter((p) => String(p.pane) !== first);
  show("Compare", frame(h("main", {class: "column"}, h("h1", {}, "Lay it on which one?"),
      h("ul", {class: "rows"}, ...others.map((p) => h("li", {},
          h("a", {class: "row", href: `#/compare/${first}/${p.pane}`}, paneName(p))))),
      others.length === 0 && h("p", {class: "quiet"}, "There is no other pane yet."))));
}
