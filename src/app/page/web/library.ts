// All panes that were measured: searched, looked at, laid on each other, put on film.
import {get, Trouble} from "./api";
import {h, show, tell, trouble} from "./dom";
import {frame} from "./frame";

export interface PaneLine {
  pane: number; make: string; model: string; years: string; body: string; window: string;
  side: string; notes: string;
}

export function paneName(p: PaneLine): string {
  const vehicle = [p.make, p.model, p.years, p.body].filter(Boolean).join(" ");
  return vehicle + ", " + [p.window, p.side].filter(Boolean).join(" ");
}

function line(p: PaneLine, chosen: Set<number>, changed: () => void): HTMLElement {
  const box = h("input", {type: "checkbox", checked: chosen.has(p.pane),
                          "aria-label": "Choose " + paneName(p)});
  box.addEventListener("change", () => {
    if (box.checked) chosen.add(p.pane);
    else chosen.delete(p.pane);
    changed();
  });
  return h("li", {class: "pane-row"}, h("label", {class: "check"}, box),
           h("a", {class: "row", href: "#/pane/" + p.pane},
             h("img", {src: `/api/panes/${p.pane}/photo.jpg`, alt: "", loading: "lazy"}),
             h("span", {class: "grow"}, h("strong", {}, [p.window, p.side].filter(Boolean).join(" ")),
               h("br"), [p.make, p.model, p.years, p.body].filter(Boolean).join(" "))));
}

export function library(): () => void {
  const chosen = new Set<number>();
  const list = h("ul", {class: "rows"});
  const deeds = h("div", {class: "line deeds"});
  const search = h("input", {type: "search", name: "q", autocomplete: "off",
                             placeholder: "make, model, year, window"});
  let asked = 0;
  const drawDeeds = (): void => {
    const [a, b] = [...chosen];
    const few = chosen.size;
    deeds.replaceChildren(
        ...few === 0 ? [h("p", {class: "quiet"}, "Tick panes to put them on film, or two to lay " +
                            "them on each other.")] :
        [h("a", {class: "button main", href: "#/film/" + [...chosen].join(",")},
           few === 1 ? "Put it on film" : `Put ${few} on film`),
         ...few === 2 ? [h("a", {class: "button", href: `#/compare/${a}/${b}`},
                           "Lay on each other")] : []]);
  };
  const look = async (): Promise<void> => {
    const mine = ++asked;
    try {
      const found = await get<{panes: PaneLine[]}>(
          "/api/panes?q=" + encodeURIComponent(search.value.trim().slice(0, 100)));
      if (mine !== asked) return;
      list.replaceChildren(...found.panes.map((p) => line(p, chosen, drawDeeds)));
      if (found.panes.length === 0) {
        list.replaceChildren(h("li", {class: "quiet empty"}, search.value ?
            "Nothing found. Typing errors are forgiven; other words may help." :
            "Nothing saved yet."));
      }
      tell(found.panes.length + " panes");
    } catch (e) {
      if (mine !== asked) return;
      list.replaceChildren(h("li", {}, trouble(e instanceof Trouble ? e.message : "Not found.")));
    }
  };
  let later: ReturnType<typeof setTimeout> | undefined;
  search.addEventListener("input", () => {
    clearTimeout(later);
    later = setTimeout(() => void look(), 150);
  });
  show("Library", frame(h("main", {class: "column"}, h("h1", {}, "Library"),
      h("label", {class: "field"}, "Search", search), deeds, list)));
  drawDeeds();
  void look();
  return () => {
    ++asked;
    clearTimeout(later);
  };
}
