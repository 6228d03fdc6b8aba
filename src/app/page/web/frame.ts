// What stands around every screen.
import {h, type Child} from "./dom";

function mark(): HTMLElement {
  return h("a", {class: "mark", href: "#/"}, h("img", {src: "/icon.svg", alt: "", width: 24, height: 24}),
           "panecard");
}

export function frame(...content: Child[]): HTMLElement {
  return h("div", {class: "frame"},
           h("header", {class: "bar"}, mark(),
             h("nav", {"aria-label": "Main"},
               h("a", {class: "button plain", href: "#/library"}, "Library"))),
           ...content);
}
