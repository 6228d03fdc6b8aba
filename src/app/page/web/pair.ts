// A device's first visit: the code that the computer shows.
import {post, Trouble} from "./api";
import {h, show, trouble} from "./dom";
import {frame} from "./frame";

export function pair(code: string): void {
  const status = h("div", {});
  const input = h("input", {type: "text", name: "code", autocomplete: "one-time-code", value: code,
                            autocapitalize: "characters", spellcheck: "false", required: true});
  const form = h("form", {}, h("label", {class: "field"}, "Code", input),
                 h("button", {class: "button main wide", type: "submit"}, "Pair this device"), status);
  const go = async (): Promise<void> => {
    try {
      await post("/api/pair", {code: input.value});
      location.hash = "#/";
    } catch (e) {
      status.replaceChildren(trouble(e instanceof Trouble ? e.message : "That did not work."));
    }
  };
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    void go();
  });
  show("Pair", frame(h("main", {class: "column"}, h("h1", {}, "Pair this device"),
      h("p", {class: "lead"}, "Type the code that stands in the window where panecard serve runs."),
      form)));
  if (code) void go();
}
