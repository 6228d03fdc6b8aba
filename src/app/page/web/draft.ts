// One pane that is being measured: its outline on the photo, how good it is, and putting it right.
import {get, measure, Trouble, type DraftState, type Edit, type Options, type View} from "./api";
import {h, show, tell, trouble} from "./dom";
import {frame} from "./frame";
import {optionsForm} from "./options";
import {inPageWords, sizesTable, verdictText} from "./sizes";
import {Stage, type Tool} from "./stage";
import * as store from "./store";

const kTools: [Tool, string, string][] = [
  ["look", "Look", "Drag to move the photo, pinch or turn the wheel to come closer."],
  ["move", "Put right", "Drag the line, or tap where the edge really is."],
  ["wipe", "Wipe", "Stroke along a stretch that is wrong: it is bridged."],
];

const kAskAgain_ms = 3000;

class DraftScreen {
  private view: View | null = null;
  private trial: Edit | null = null;
  private tool: Tool = "look";
  private busy = false;
  private again = false;
  private left = false;
  private lost: ReturnType<typeof setTimeout> | null = null;  ///< asks again once the time is over
  private readonly stage: Stage;
  private readonly panel = h("div", {class: "panel"});
  private readonly sizes = h("div", {});
  private readonly tools = h("div", {class: "tools", role: "toolbar", "aria-label": "Outline"});
  private readonly zooms = h("div", {class: "zooms", role: "group", "aria-label": "Zoom"});
  private readonly progress = h("p", {class: "progress", hidden: true});

  constructor(private readonly kept: store.Kept) {
    const base = "/api/drafts/" + kept.id;
    this.stage = new Stage(base + "/preview.jpg", base + "/full.jpg", {
      corrected: (edit, final) => this.corrected(edit, final),
      gaveUp: () => this.gaveUp(),
      undo: () => this.undo(),
      redo: () => this.redo(),
    });
    show(kept.name, frame(h("main", {class: "work"},
        h("h1", {class: "hidden"}, "Outline of " + kept.name),
        h("div", {class: "view"}, this.stage.element, this.zooms, this.progress, this.tools), this.panel)));
    this.drawTools();
    void this.refresh();
  }

  leave(): void {
    this.left = true;
    if (this.lost !== null) clearTimeout(this.lost);
  }

  private corrected(edit: Edit, final: boolean): void {
    this.trial = final ? null : edit;
    if (final) {
      this.kept.edits.push(edit);
      this.kept.undone = [];
      store.keep(this.kept);
      this.drawTools();
    }
    void this.refresh();
  }

  private gaveUp(): void {
    this.trial = null;
    void this.refresh();
  }

  private undo(): void {
    const last = this.kept.edits.pop();
    if (!last) return;
    this.kept.undone.push(last);
    this.changed("Undone");
  }

  private redo(): void {
    const next = this.kept.undone.pop();
    if (!next) return;
    this.kept.edits.push(next);
    this.changed("Done again");
  }

  private changed(what: string): void {
    store.keep(this.kept);
    this.drawTools();
    tell(what);
    void this.refresh();
  }

  private setOptions(options: Options): void {
    // Corrections are of one boundary: another one starts afresh.
    if (options["boundary"] !== this.kept.options["boundary"]) {
      this.kept.edits = [];
      this.kept.undone = [];
    }
    this.kept.options = options;
    this.changed("Measuring again");
  }

  /// One question at a time; what changed meanwhile is asked next.
  private async refresh(): Promise<void> {
    if (this.busy) {
      this.again = true;
      return;
    }
    this.busy = true;
    do {
      this.again = false;
      await this.ask();
    } while (this.again && !this.left);
    this.busy = false;
  }

  private async ask(): Promise<void> {
    const edits = this.trial ? [...this.kept.edits, this.trial] : [...this.kept.edits];
    const first = this.view === null;
    if (this.lost !== null) clearTimeout(this.lost);
    try {
      const view = await measure(this.kept.id, this.kept.options, edits, this.trial !== null, (now) => {
        if (first) this.say(now.text);
        if (now.picture) this.stage.showPicture();
      });
      if (this.left) return;
      this.view = view;
      this.lost = null;
      this.say("");
      this.stage.setView(view, this.kept.edits);
      this.drawPanel();
      if (!this.trial) tell(this.summary(view));
    } catch (e) {
      if (this.left) return;
      this.say("");
      this.stage.showPicture();
      // On its way a line may make no sense; what it ends at is what counts.
      if (this.trial && e instanceof Trouble && e.status === 422) return;
      if (e instanceof Trouble) this.failed(e, e.status === 0);
      else this.failed(new Trouble(0, "Something went wrong in this page."), false);
    }
  }

  private summary(view: View): string {
    const {long_mm: a, short_mm: b} = view.sizes;
    return `Measured: ${a.value.toFixed(1)} by ${b.value.toFixed(1)} millimetres`;
  }

  private say(text: string): void {
    this.progress.hidden = text === "";
    this.progress.textContent = text === "" ? "" : text + " …";
    if (text) tell(text);
  }

  private failed(e: Trouble, lost: boolean): void {
    const told = this.lost !== null;
    this.lost = lost ? setTimeout(() => void this.refresh(), kAskAgain_ms) : null;
    if (told && lost) return;
    const undo = this.kept.edits.length > 0 && e.status === 422 &&
        h("button", {class: "button", type: "button", onclick: () => this.undo()}, "Undo");
    const again = h("button", {class: "button", type: "button",
                               onclick: () => void this.refresh()}, "Try again");
    const anew = e.status !== 0 && h("a", {class: "button main", href: "#/"}, "Take another photo");
    this.panel.replaceChildren(
        trouble(inPageWords(e.message) + (lost ? " It is asked again every few seconds." : ""),
                h("div", {class: "stack"}, anew, undo, e.status === 0 && again)),
        optionsForm(this.kept.options, (o) => this.setOptions(o)));
  }

  private drawTools(): void {
    const choices = kTools.map(([tool, name, hint]) =>
        h("button", {class: "button tool", type: "button", title: hint,
                     "aria-pressed": String(this.tool === tool),
                     onclick: () => this.setTool(tool)}, name));
    const button = (label: string, sign: string, on: boolean, deed: () => void): HTMLElement =>
        h("button", {class: "button tool sign", type: "button", "aria-label": label, title: label,
                     disabled: !on, onclick: deed}, sign);
    this.tools.replaceChildren(
        ...choices, button("Undo", "↶", this.kept.edits.length > 0, () => this.undo()),
        button("Redo", "↷", this.kept.undone.length > 0, () => this.redo()));
    if (this.zooms.childElementCount > 0) return;
    this.zooms.append(button("Closer", "+", true, () => this.stage.zoom(1.6)),
                      button("Further away", "−", true, () => this.stage.zoom(1 / 1.6)),
                      button("Whole photo", "⤢", true, () => this.stage.fit()));
  }

  private setTool(tool: Tool): void {
    this.tool = tool;
    this.stage.setTool(tool);
    this.drawTools();
    this.drawPanel();
    const hint = kTools.find(([name]) => name === tool);
    if (hint) tell(hint[2]);
    [...this.tools.querySelectorAll("button")].find((b) => b.textContent === hint?.[1])?.focus();
  }

  private hint(view: View): string {
    return (kTools.find(([name]) => name === this.tool)?.[2] ?? "") +
        (view.boundary === "dots" ? " Between dots nothing snaps: the line stays as you draw it." : "");
  }

  private drawPanel(): void {
    const view = this.view;
    if (!view) return;
    const open = this.panel.querySelector("details")?.open ?? false;
    const options = optionsForm(this.kept.options, (o) => this.setOptions(o));
    if (options instanceof HTMLDetailsElement) options.open = open;
    this.sizes.replaceChildren(sizesTable(view, () => this.drawPanel()));
    this.panel.classList.toggle("trial", this.trial !== null);
    if (this.trial) return;  // while the line is dragged only the sizes follow
    const content = [
        h("h2", {class: "hidden"}, "Sizes"), this.sizes,
        this.tool !== "look" && h("p", {class: "hint"}, this.hint(view)),
        h("div", {class: "stack"},
          h("a", {class: "button main wide", href: "#/keep/" + this.kept.id}, "Looks right, keep it")),
        verdictText(view), options];
    this.panel.replaceChildren(...content.filter((c): c is HTMLElement => Boolean(c)));
  }
}

export function draft(id: string): () => void {
  let screen: DraftScreen | null = null;
  let left = false;
  const kept = store.find(id);
  if (kept) {
    screen = new DraftScreen(kept);
  } else {
    get<DraftState>("/api/drafts/" + encodeURIComponent(id)).then((state) => {
      if (left) return;
      const name = state.photos.map((p) => p.name).join(", ");
      const found = {id, name, begun: Date.now(), options: state.options, edits: state.edits,
                     undone: []};
      store.keep(found);
      screen = new DraftScreen(found);
    }, (e: unknown) => {
      show("Not here", frame(h("main", {class: "column"},
          trouble(e instanceof Trouble ? e.message : "This photo is not here.",
                  h("a", {class: "button main", href: "#/"}, "Take a photo")))));
    });
  }
  return () => {
    left = true;
    screen?.leave();
  };
}
