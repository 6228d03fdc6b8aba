// The photo with its outline: zoomed, moved, and put right with finger, mouse or keys.
import type {Edit, Point, View} from "./api";
import {nearest, pathOf, pointAt, unseenPath} from "./curve";
import {h, s, tell} from "./dom";
import {Loupe} from "./loupe";

export type Tool = "look" | "move" | "wipe";

export interface StageHooks {
  /// A correction, while it is being made (not final) and when it is.
  corrected(edit: Edit, final: boolean): void;
  /// A correction begun and given up.
  gaveUp(): void;
  undo(): void;
  redo(): void;
}

const kGrab_css = 28, kTap_css = 7;
/// Half of what a person misses a spot by under the loupe, on the screen.
const kMouse_css = 1.5, kFinger_css = 3;
const kMostScale = 8;

interface Held { id: number; at: Point; start: Point; touch: boolean }
type Deed = {kind: "pan"; from: Point} | {kind: "drag"; foot: Point; target: Point; moved: boolean} |
    {kind: "wipe"; points: Point[]} | {kind: "pinch"; apart: number; middle: Point} | null;

export class Stage {
  readonly element: HTMLElement;
  private readonly image = h("img", {alt: "", draggable: "false"});
  private readonly drawing = s("svg", {"aria-hidden": "true"});
  private readonly group = s("g");
  private readonly halo = s("path", {class: "halo"});
  private readonly line = s("path", {class: "line"});
  private readonly unseen = s("path", {class: "unseen"});
  private readonly cards = s("path", {class: "cards"});
  private readonly marks = s("g", {class: "marks"});
  private readonly spotHalo = s("path", {class: "halo"});
  private readonly spot = s("path", {class: "spot"});
  private readonly loupe = new Loupe();
  private view: View | null = null;
  private edits: Edit[] = [];
  private size: Point = [4000, 3000];
  private scale = 1;
  private shift: Point = [0, 0];
  private fitted: "photo" | "outline" | null = "photo";
  private first = true;
  private tool: Tool = "look";
  private readonly held = new Map<number, Held>();
  private deed: Deed = null;
  private cursor: {index: number; at: Point} | null = null;
  private sharp: "no" | "coming" | "yes" = "no";

  constructor(private readonly picture: string, private readonly sharpPicture: string,
              private readonly hooks: StageHooks) {
    this.group.append(this.cards, this.halo, this.line, this.unseen, this.marks,
                      this.spotHalo, this.spot);
    this.drawing.append(this.group);
    this.element = h("div", {class: "stage", tabindex: "0", role: "application",
                             "aria-label": "Photo with the outline. Plus and minus zoom, arrows " +
                                 "move. With Put right on: comma and full stop walk along the " +
                                 "outline, arrows move the spot, Enter takes it, Delete wipes."},
                     this.image, this.drawing, this.loupe.element);
    this.image.addEventListener("load", () => this.loaded());
    this.element.addEventListener("pointerdown", (e) => this.down(e));
    this.element.addEventListener("pointermove", (e) => this.move(e));
    for (const name of ["pointerup", "pointercancel"] as const) {
      this.element.addEventListener(name, (e) => this.up(e));
    }
    this.element.addEventListener("wheel", (e) => this.wheel(e), {passive: false});
    this.element.addEventListener("keydown", (e) => this.key(e));
    new ResizeObserver(() => this.resized()).observe(this.element);
  }

  showPicture(): void { if (!this.image.src) this.image.src = this.picture; }

  setView(view: View | null, edits: Edit[]): void {
    this.view = view;
    this.edits = edits;
    if (view) {
      const first = this.first;
      this.first = false;
      this.size = [view.width, view.height];
      this.showPicture();
      if (first) this.comeClose();
    }
    this.draw();
  }

  setTool(tool: Tool): void {
    this.tool = tool;
    this.element.dataset["tool"] = tool;
    this.cursor = null;
    this.draw();
  }

  zoom(factor: number): void {
    const box = this.element.getBoundingClientRect();
    this.zoomAt(factor, [box.width / 2, box.height / 2]);
  }

  /// To the outline, with some of what lies around it.
  private comeClose(): void {
    const px = this.view?.outline.px ?? [];
    const xs = px.filter((_, i) => i % 2 === 0), ys = px.filter((_, i) => i % 2 === 1);
    const low: Point = [Math.min(...xs), Math.min(...ys)];
    const high: Point = [Math.max(...xs), Math.max(...ys)];
    const box = this.element.getBoundingClientRect();
    if (box.width === 0) return;
    const kMargin = 1.3;
    this.scale = Math.min(box.width / (high[0] - low[0]), box.height / (high[1] - low[1])) / kMargin;
    this.shift = [(box.width - this.scale * (low[0] + high[0])) / 2,
                  (box.height - this.scale * (low[1] + high[1])) / 2];
    this.fitted = "outline";
    this.place();
  }

  fit(): void {
    const box = this.element.getBoundingClientRect();
    if (box.width === 0) return;
    this.scale = Math.min(box.width / this.size[0], box.height / this.size[1]);
    this.shift = [(box.width - this.scale * this.size[0]) / 2,
                  (box.height - this.scale * this.size[1]) / 2];
    this.fitted = "photo";
    this.place();
  }

  private loaded(): void {
    if (!this.view && this.sharp === "no") {
      this.size = [this.image.naturalWidth, this.image.naturalHeight];
      this.fit();
    }
    this.place();
  }

  private resized(): void {
    if (this.fitted === "photo") this.fit();
    else if (this.fitted === "outline") this.comeClose();
    else this.place();
  }

  private place(): void {
    const [x, y] = this.shift;
    this.image.width = this.size[0];
    this.image.height = this.size[1];
    this.image.style.transform = `translate(${x}px, ${y}px) scale(${this.scale})`;
    this.group.setAttribute("transform", `translate(${x} ${y}) scale(${this.scale})`);
    this.drawMarks();
    const shown = this.image.naturalWidth / this.size[0];
    if (this.view && this.sharp === "no" && this.scale * devicePixelRatio > 1.2 * shown) {
      this.sharpen();
    }
  }

  /// The photo with every pixel, once somebody looks that closely.
  private sharpen(): void {
    this.sharp = "coming";
    const full = new Image();
    full.addEventListener("load", () => {
      this.sharp = "yes";
      this.image.src = full.src;
    });
    full.src = this.sharpPicture;
  }

  private draw(): void {
    const view = this.view;
    const px = view ? view.outline.px : [];
    const path = px.length > 0 ? pathOf(px) : "";
    this.halo.setAttribute("d", path);
    this.line.setAttribute("d", path);
    this.unseen.setAttribute("d", view ? unseenPath(px, view.outline.seen) : "");
    this.cards.setAttribute("d", view ? view.cards.map((c) => pathOf(c.px)).join("") : "");
    this.drawMarks();
  }

  private drawMarks(): void {
    const r = 5 / this.scale;
    this.marks.replaceChildren(...this.edits.flatMap((edit) => edit.kind === "through" ?
        edit.points.map(([x, y]) => s("circle", {cx: x, cy: y, r})) : []));
    const at = this.spotAt();
    const arm = 14 / this.scale, gap = 4 / this.scale;
    this.setSpot(at ? `M${at[0] - arm} ${at[1]}h${arm - gap}m${2 * gap} 0h${arm - gap}` +
        `M${at[0]} ${at[1] - arm}v${arm - gap}m0 ${2 * gap}v${arm - gap}` : "");
  }

  private setSpot(path: string): void {
    for (const drawn of [this.spotHalo, this.spot]) drawn.setAttribute("d", path);
  }

  private spotAt(): Point | null {
    if (this.deed?.kind === "drag") return this.deed.target;
    return this.cursor ? this.cursor.at : null;
  }

  private inPhoto(css: Point): Point {
    return [(css[0] - this.shift[0]) / this.scale, (css[1] - this.shift[1]) / this.scale];
  }

  private here(e: MouseEvent): Point {
    const box = this.element.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  private zoomAt(factor: number, css: Point): void {
    const box = this.element.getBoundingClientRect();
    const least = 0.8 * Math.min(box.width / this.size[0], box.height / this.size[1]);
    const scale = Math.min(kMostScale, Math.max(least, this.scale * factor));
    const at = this.inPhoto(css);
    this.scale = scale;
    this.shift = [css[0] - scale * at[0], css[1] - scale * at[1]];
    this.fitted = null;
    this.place();
  }

  private wheel(e: WheelEvent): void {
    e.preventDefault();
    const step = e.deltaMode === WheelEvent.DOM_DELTA_LINE ? 16 * e.deltaY : e.deltaY;
    this.zoomAt(Math.exp(-0.0018 * step), this.here(e));
  }

  private down(e: PointerEvent): void {
    if (e.button !== 0) return;
    const at = this.here(e);
    this.element.setPointerCapture(e.pointerId);
    this.held.set(e.pointerId, {id: e.pointerId, at, start: at, touch: e.pointerType === "touch"});
    if (this.held.size === 2) return this.beginPinch();
    if (this.held.size > 2) return;
    const photo = this.inPhoto(at);
    const px = this.view?.outline.px;
    if (this.tool === "wipe" && px) {
      this.deed = {kind: "wipe", points: [photo]};
    } else if (this.tool === "move" && px) {
      const foot = nearest(px, photo);
      const near = foot.distance * this.scale < kGrab_css;
      const from = pointAt(px, foot.index);
      this.deed = near ? {kind: "drag", foot: from, target: from, moved: false} :
                         {kind: "pan", from: this.shift};
    } else {
      this.deed = {kind: "pan", from: this.shift};
    }
  }

  private beginPinch(): void {
    if (this.deed?.kind === "drag" && this.deed.moved) this.hooks.gaveUp();
    this.loupe.hide();
    const [a, b] = [...this.held.values()];
    if (!a || !b) return;
    this.deed = {kind: "pinch", apart: Math.hypot(a.at[0] - b.at[0], a.at[1] - b.at[1]),
                 middle: [(a.at[0] + b.at[0]) / 2, (a.at[1] + b.at[1]) / 2]};
  }

  private pinch(deed: {apart: number; middle: Point}): void {
    const [a, b] = [...this.held.values()];
    if (!a || !b) return;
    const apart = Math.max(1, Math.hypot(a.at[0] - b.at[0], a.at[1] - b.at[1]));
    const middle: Point = [(a.at[0] + b.at[0]) / 2, (a.at[1] + b.at[1]) / 2];
    this.shift = [this.shift[0] + middle[0] - deed.middle[0],
                  this.shift[1] + middle[1] - deed.middle[1]];
    this.zoomAt(apart / Math.max(1, deed.apart), middle);
    this.deed = {kind: "pinch", apart, middle};
  }

  private move(e: PointerEvent): void {
    const held = this.held.get(e.pointerId);
    const deed = this.deed;
    if (!held || !deed) return;
    held.at = this.here(e);
    if (deed.kind === "pinch") return this.pinch(deed);
    const way: Point = [held.at[0] - held.start[0], held.at[1] - held.start[1]];
    if (deed.kind === "pan") {
      if (this.tool !== "look" && Math.hypot(...way) < kTap_css) return;
      this.shift = [deed.from[0] + way[0], deed.from[1] + way[1]];
      this.fitted = null;
      this.place();
    } else if (deed.kind === "drag") {
      if (!deed.moved && Math.hypot(...way) < kTap_css) return;
      deed.moved = true;
      deed.target = [deed.foot[0] + way[0] / this.scale, deed.foot[1] + way[1] / this.scale];
      this.drawMarks();
      this.showLoupe(deed.target, held.at);
      this.hooks.corrected(this.through(deed.target, held.touch), false);
    } else {
      deed.points.push(this.inPhoto(held.at));
      this.setSpot(pathOf(deed.points.flat(), false));
      this.showLoupe(this.inPhoto(held.at), held.at);
    }
  }

  private up(e: PointerEvent): void {
    const held = this.held.get(e.pointerId);
    const deed = this.deed;
    this.held.delete(e.pointerId);
    if (!held || !deed) return;
    if (deed.kind === "pinch") {
      if (this.held.size === 0) this.deed = null;
      return;
    }
    this.deed = null;
    this.loupe.hide();
    const still = Math.hypot(held.at[0] - held.start[0], held.at[1] - held.start[1]) < kTap_css;
    const away = e.type === "pointercancel";
    if (deed.kind === "drag" && deed.moved) {
      if (away) this.hooks.gaveUp();
      else this.hooks.corrected(this.through(deed.target, held.touch), true);
    } else if (deed.kind === "wipe" && !still && !away) {
      this.hooks.corrected(this.wiped(deed.points), true);
    } else if (this.tool === "move" && still && !away && this.view) {
      this.hooks.corrected(this.through(this.inPhoto(held.at), held.touch), true);
    }
    this.drawMarks();
  }

  private through(at: Point, touch: boolean): Edit {
    return {kind: "through", points: [at],
            reach_px: (touch ? kFinger_css : kMouse_css) / this.scale};
  }

  /// A long stroke in few points: the server only asks which stretch it runs along.
  private wiped(points: Point[]): Edit {
    const most = 60, step = Math.max(1, Math.ceil(points.length / most));
    const few = points.filter((_, i) => i % step === 0);
    few.push(points[points.length - 1]!);
    return {kind: "bridge", points: few, reach_px: kGrab_css / this.scale};
  }

  private showLoupe(at: Point, finger: Point): void {
    const box = this.element.getBoundingClientRect();
    const left = finger[0] > box.width / 2 || finger[1] > box.height / 2;
    this.loupe.show(this.image, this.size, at, 3 * this.scale, this.view?.outline.px ?? [], left);
  }

  private key(e: KeyboardEvent): void {
    const command = e.ctrlKey || e.metaKey;
    if (command && e.key.toLowerCase() === "z") {
      e.preventDefault();
      if (e.shiftKey) this.hooks.redo();
      else this.hooks.undo();
    } else if (command && e.key.toLowerCase() === "y") {
      e.preventDefault();
      this.hooks.redo();
    } else if (!command && !e.altKey && this.plainKey(e.key, e.shiftKey)) {
      e.preventDefault();
    }
  }

  private plainKey(key: string, shift: boolean): boolean {
    const arrows: Record<string, Point> = {ArrowLeft: [-1, 0], ArrowRight: [1, 0],
                                           ArrowUp: [0, -1], ArrowDown: [0, 1]};
    const way = arrows[key];
    if (key === "+" || key === "=") this.zoom(1.4);
    else if (key === "-") this.zoom(1 / 1.4);
    else if (key === "0") this.fit();
    else if (way && this.cursor) this.nudge(way, shift ? 10 : 1);
    else if (way) this.pan(way);
    else if (this.tool !== "look" && this.view) return this.cursorKey(key, shift);
    else return false;
    return true;
  }

  private pan(way: Point): void {
    this.shift = [this.shift[0] - 60 * way[0], this.shift[1] - 60 * way[1]];
    this.fitted = null;
    this.place();
  }

  private nudge(way: Point, by: number): void {
    if (!this.cursor) return;
    this.cursor.at = [this.cursor.at[0] + by * way[0], this.cursor.at[1] + by * way[1]];
    this.drawMarks();
  }

  private cursorKey(key: string, shift: boolean): boolean {
    const px = this.view!.outline.px;
    const n = px.length / 2;
    if (key === "," || key === "." || key === "<" || key === ">") {
      const by = Math.max(1, Math.round(n / (shift ? 24 : 240)));
      const ahead = key === "." || key === ">";
      const index = ((this.cursor?.index ?? 0) + (ahead ? by : -by) + n) % n;
      this.cursor = {index, at: pointAt(px, index)};
      this.follow(this.cursor.at);
      tell("Spot " + Math.round(100 * index / n) + " % of the way round");
    } else if (key === "Enter" && this.cursor) {
      this.hooks.corrected(this.through(this.cursor.at, false), true);
    } else if ((key === "Delete" || key === "Backspace") && this.cursor) {
      const reach = Math.round(n / 40), at = this.cursor.index;
      const points = [-reach, -reach / 2, 0, reach / 2, reach].map(
          (k) => pointAt(px, at + Math.round(k)));
      this.hooks.corrected({kind: "bridge", points, reach_px: kGrab_css / this.scale}, true);
    } else if (key === "Escape" && this.cursor) {
      this.cursor = null;
      this.drawMarks();
    } else {
      return false;
    }
    return true;
  }

  /// Keeps the spot in sight when it walks.
  private follow(at: Point): void {
    const box = this.element.getBoundingClientRect();
    const css: Point = [this.shift[0] + this.scale * at[0], this.shift[1] + this.scale * at[1]];
    const margin = 40;
    const inside = css[0] > margin && css[1] > margin && css[0] < box.width - margin &&
        css[1] < box.height - margin;
    if (!inside && !this.fitted) {
      this.shift = [this.shift[0] + box.width / 2 - css[0],
                    this.shift[1] + box.height / 2 - css[1]];
    }
    this.place();
  }
}
