// Which vehicle and pane it is, and into the library.
import {get, post, Trouble, type Options} from "./api";
import {h, show, tell, trouble} from "./dom";
import {frame} from "./frame";
import type {PaneLine} from "./library";
import * as store from "./store";

const kWindows = ["front door", "rear door", "quarter", "vent", "rear window", "sliding window",
                  "windscreen"];

interface Saved { pane: number; measurement: number; already_there: boolean; in_force: boolean }

function field(label: string, name: string, value: string, list: string[],
               required = false): HTMLElement {
  const id = "known-" + name;
  return h("label", {class: "field"}, label,
           h("input", {name, type: "text", value, required, maxlength: 80, autocomplete: "off",
                       list: list.length > 0 ? id : null}),
           list.length > 0 && h("datalist", {id}, ...list.map((v) => h("option", {value: v}))));
}

function values(panes: PaneLine[], of: (p: PaneLine) => string): string[] {
  return [...new Set(panes.map(of).filter((v) => v !== ""))].sort();
}

function form(kept: store.Kept, panes: PaneLine[]): HTMLElement {
  const last = store.lastVehicle();
  const status = h("div", {class: "status"});
  const side = (value: string, text: string, on: boolean): HTMLElement =>
      h("label", {class: "choice"}, h("input", {type: "radio", name: "side", value, checked: on}),
        text);
  const button = h("button", {class: "button main wide", type: "submit"}, "Save");
  const out = h("form", {class: "keep"},
      h("div", {class: "pair"},
        field("Make", "make", last.make, values(panes, (p) => p.make), true),
        field("Model", "model", last.model, values(panes, (p) => p.model)),
        field("Years", "years", last.years, values(panes, (p) => p.years)),
        field("Body", "body", last.body, values(panes, (p) => p.body))),
      field("Window", "window", "", [...new Set([...kWindows, ...values(panes, (p) => p.window)])],
            true),
      h("fieldset", {class: "choices"}, h("legend", {}, "Side, as the driver sees it"),
        side("left", "Left", true), side("right", "Right", false), side("", "Neither", false)),
      field("Notes", "notes", "", []), button, status);
  out.addEventListener("submit", (e) => {
    e.preventDefault();
    const data = new FormData(out);
    const words: Options = {};
    for (const [name, value] of data) words[name] = String(value).trim();
    button.disabled = true;
    void save(kept, words).catch((e: unknown) => {
      button.disabled = false;
      const text = e instanceof Trouble ? e.message : "Something went wrong in this page.";
      status.replaceChildren(trouble(text));
    });
  });
  return out;
}

async function save(kept: store.Kept, words: Options): Promise<void> {
  store.setLastVehicle({make: words["make"] ?? "", model: words["model"] ?? "",
                        years: words["years"] ?? "", body: words["body"] ?? ""});
  tell("Saving");
  const saved = await post<Saved>(`/api/drafts/${kept.id}/save`, words);
  store.forget(kept.id);
  void post(`/api/drafts/${kept.id}/drop`).catch(() => undefined);  // it goes after a week anyway
  tell(saved.already_there ? "This photo was in the library already" : "Saved");
  location.hash = "#/pane/" + saved.pane;
}

export async function keep(id: string): Promise<void> {
  const kept = store.find(id);
  if (!kept) {
    location.hash = "#/";
    return;
  }
  let panes: PaneLine[] = [];
  try {
    panes = (await get<{panes: PaneLine[]}>("/api/panes")).panes;
  } catch { /* without suggestions then */ }
  show("Save", frame(h("main", {class: "column"},
      h("p", {}, h("a", {class: "button plain back", href: "#/draft/" + id}, "← Back to the outline")),
      h("h1", {}, "Which pane is it?"), form(kept, panes))));
  document.querySelector<HTMLInputElement>(store.lastVehicle().make ? "[name=window]" :
                                           "[name=make]")?.focus();
}
