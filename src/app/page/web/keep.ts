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
                      enterkeyhint: "next",
                       list: list.length > 0 ? id : null}),
           list.length > 0 && h("datalist", {id}, ...list.map((v) => h("option", {value: v}))));
}

function values(panes: PaneLine[], of: (p: PaneLine) => string): string[] {
  return [...new Set(panes.map(of).filter((v) => v !== ""))].sort();
}

function form(kept: store.Kept, panes: PaneLine[]): HTMLElement {
  const last = store.lastVehicle();
  const status = h("div", {class: "status"});
  const side = (value: string, text: string): HTMLButtonElement =>
      h("button", {class: value ? "button main" : "button", type: "submit", name: "side", value}, text);
  // Saving says the side: a side that is set beforehand is soon the wrong one.
  const buttons = [side("left", "Save as left"), side("right", "Save as right"),
                   side("", "Save, no side")];
  const out = h("form", {class: "keep"},
      h("div", {class: "pair"},
        field("Make", "make", last.make, values(panes, (p) => p.make), true),
        field("Model", "model", last.model, values(panes, (p) => p.model)),
        field("Years", "years", last.years, values(panes, (p) => p.years)),
        field("Body", "body", last.body, values(panes, (p) => p.body))),
      field("Window", "window", "", values(panes, (p) => p.window), true),
      h("div", {class: "line", role: "group", "aria-label": "Usual windows"}, ...kWindows.map((name) =>
          h("button", {class: "button small", type: "button", onclick: () => {
            const input = out.querySelector<HTMLInputElement>("[name=window]");
            if (input) input.value = name;
            tell("Window: " + name);
          }}, name))),
      field("Notes", "notes", "", []),
      h("p", {class: "hint", id: "side"}, "The side is left or right as the driver sees it."),
      h("div", {class: "sides", role: "group", "aria-labelledby": "side"}, ...buttons), status);
  out.addEventListener("keydown", (e) => {
    if (e.key === "Enter" && e.target instanceof HTMLInputElement) {
      e.preventDefault();
      onFrom(out, e.target)?.focus();
    }
  });
  out.addEventListener("submit", (e) => {
    e.preventDefault();
    const words: Options = {};
    for (const [name, value] of new FormData(out)) words[name] = String(value).trim();
    words["side"] = (e.submitter as HTMLButtonElement | null)?.value ?? "";
    for (const b of buttons) b.disabled = true;
    void save(kept, words).catch((e: unknown) => {
      for (const b of buttons) b.disabled = false;
      const text = e instanceof Trouble ? e.message : "Something went wrong in this page.";
      status.replaceChildren(trouble(text));
    });
  });
  return out;
}

/// Enter leads to the next field that has to be filled, and then to saving.
function onFrom(form: HTMLElement, here: HTMLInputElement): HTMLElement | null {
  const all = [...form.querySelectorAll("input")];
  const open = all.slice(all.indexOf(here) + 1).find((f) => f.required && f.value.trim() === "");
  return open ?? form.querySelector("[type=submit]");
}

/// A pane that has a pattern keeps it until somebody says that this one is better.
function ask(saved: Saved): void {
  const there = "#/pane/" + saved.pane;
  const status = h("div", {class: "status"});
  const use = (): void => {
    post(`/api/panes/${saved.pane}/pattern`, {measurement: saved.measurement})
        .then(() => { location.hash = there; }, (e: unknown) => status.replaceChildren(
            trouble(e instanceof Trouble ? e.message : "That did not work.")));
  };
  show("Saved", frame(h("main", {class: "column"}, h("h1", {}, "Saved"),
      h("p", {class: "lead"}, "This pane has a pattern already. Its files are made from that one ",
        "until you say that the new one is better."),
      h("div", {class: "stack"},
        h("button", {class: "button main wide", type: "button", onclick: use}, "Use the new one"),
        h("a", {class: "button wide", href: there}, "Stay with the old one")), status)));
}

async function save(kept: store.Kept, words: Options): Promise<void> {
  store.setLastVehicle({make: words["make"] ?? "", model: words["model"] ?? "",
                        years: words["years"] ?? "", body: words["body"] ?? ""});
  tell("Saving");
  const saved = await post<Saved>(`/api/drafts/${kept.id}/save`, words);
  store.forget(kept.id);
  void post(`/api/drafts/${kept.id}/drop`).catch(() => undefined);  // it goes after a week anyway
  tell(saved.already_there ? "This photo was in the library already" : "Saved");
  if (saved.in_force || saved.already_there) location.hash = "#/pane/" + saved.pane;
  else ask(saved);
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
