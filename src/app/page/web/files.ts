// Files made by the server, saved by the browser; trouble is said in words, not saved as a file.
import {Trouble} from "./api";
import {h, trouble} from "./dom";

async function fetchFile(path: string): Promise<void> {
  let response: Response;
  try {
    response = await fetch(path);
  } catch {
    throw new Trouble(0, "The computer does not answer; try again.");
  }
  if (!response.ok) {
    const said = (await response.json().catch(() => ({error: ""}))) as {error: string};
    throw new Trouble(response.status, said.error || "That could not be made.");
  }
  const name = /filename="([^"]+)"/.exec(response.headers.get("Content-Disposition") ?? "")?.[1];
  const url = URL.createObjectURL(await response.blob());
  const link = h("a", {href: url, download: name ?? "file"});
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

export function fileButtons(files: [string, string][], path: (kind: string) => string): HTMLElement {
  const status = h("div", {});
  const button = ([kind, text]: [string, string]): HTMLElement => {
    const b = h("button", {class: "button", type: "button"}, text);
    b.addEventListener("click", () => {
      b.disabled = true;
      status.replaceChildren();
      fetchFile(path(kind)).catch((e: unknown) => {
        status.replaceChildren(trouble(e instanceof Trouble ? e.message : "That did not work."));
      }).finally(() => { b.disabled = false; });
    });
    return b;
  };
  return h("div", {}, h("div", {class: "line"}, ...files.map(button)), status);
}
