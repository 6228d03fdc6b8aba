// The first screen: a photo in, or on with one that was begun.
import {post, Trouble, upload} from "./api";
import {h, show, tell, trouble} from "./dom";
import {frame} from "./frame";
import * as store from "./store";

const coarse = (): boolean => matchMedia("(pointer: coarse)").matches;

function picker(text: string, main: boolean, camera: boolean,
                take: (files: File[]) => void): HTMLElement {
  const input = h("input", {type: "file", accept: "image/*", class: "unseen-input",
                            multiple: !camera, capture: camera ? "environment" : null});
  input.addEventListener("change", () => {
    if (input.files && input.files.length > 0) take([...input.files]);
  });
  return h("label", {class: main ? "button main wide" : "button wide"}, text, input);
}

export async function begin(files: File[], status: HTMLElement): Promise<void> {
  const bar = h("progress", {max: "1", value: "0", "aria-label": "Upload"});
  const word = h("p", {}, "Sending the photo");
  status.replaceChildren(word, bar);
  tell("Sending the photo");
  try {
    const {id} = await post<{id: string}>("/api/drafts");
    let at = 0;
    for (const file of files) {
      await upload(`/api/drafts/${id}/photos?name=${encodeURIComponent(file.name)}`, file,
                   (share) => { bar.value = (at + share) / files.length; });
      ++at;
    }
    const name = files.map((f) => f.name).join(", ");
    store.keep({id, name, begun: Date.now(), options: {}, edits: [], undone: []});
    location.hash = "#/draft/" + id;
  } catch (e) {
    const text = e instanceof Trouble ? e.message : "The photo could not be sent.";
    const again = h("button", {class: "button", type: "button",
                               onclick: () => void begin(files, status)}, "Try again");
    status.replaceChildren(trouble(text, again));
  }
}

function openDrafts(): HTMLElement | null {
  const drafts = store.all();
  if (drafts.length === 0) return null;
  return h("section", {class: "rows", "aria-labelledby": "begun"},
           h("h2", {id: "begun"}, "Not saved yet"),
           h("ul", {}, ...drafts.map((d) =>
               h("li", {}, h("a", {class: "row", href: "#/draft/" + d.id},
                             h("span", {}, d.name),
                             h("span", {class: "quiet"}, new Date(d.begun).toLocaleString()))))));
}

export function start(): void {
  const status = h("div", {class: "status"});
  const take = (files: File[]): void => void begin(files, status);
  const buttons = coarse() ?
      [picker("Take a photo", true, true, take), picker("Choose photos", false, false, take)] :
      [picker("Choose a photo", true, false, take)];
  show("panecard", frame(
      h("main", {class: "column"},
        h("h1", {}, "Measure a pane"),
        h("p", {class: "lead"}, "Lay a reference card flat on the glass, stand square to the pane, ",
          "and take one photo with all of the glass in it."),
        h("div", {class: "stack"}, ...buttons), status, openDrafts())));
}
