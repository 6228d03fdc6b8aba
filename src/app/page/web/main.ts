// Which screen stands, by the address behind the #.
import {get} from "./api";
import {choose, compare} from "./compare";
import {h, show, trouble} from "./dom";
import {draft} from "./draft";
import {film} from "./film";
import {frame} from "./frame";
import {keep} from "./keep";
import {library} from "./library";
import {pair} from "./pair";
import {pane} from "./pane";
import {start} from "./start";

type Leave = (() => void) | void | Promise<void>;
let leave: Leave;

const screens: Record<string, (first: string, second: string) => Leave> = {
  "": start,
  draft,
  keep,
  library,
  pane,
  alike: choose,
  compare: (first, second) => compare(first, second),
  film,
  pair,
};

function failed(): void {
  show("Not here", frame(h("main", {class: "column"}, trouble("There is no such page.",
      h("a", {class: "button main", href: "#/"}, "To the start")))));
}

function route(): void {
  if (typeof leave === "function") leave();
  const [, screen = "", first = "", second = ""] = location.hash.split("/");
  const open = screens[screen];
  leave = open ? open(first, second) : failed();
  if (leave instanceof Promise) leave.catch(failed);
  window.scrollTo(0, 0);
}

addEventListener("hashchange", route);
route();
if (!location.hash.startsWith("#/pair")) {
  get<{paired: boolean}>("/api/hello").then((hello) => {
    if (!hello.paired) location.hash = "#/pair";
  }, () => undefined);
}
