// What the server is asked for.

export interface Size { value: number; u95: number }
export interface Finding { code: string; text: string }
export interface Piece {
  name: string; kind: string; first: number; last: number; seen: boolean; length: Size;
  radius?: Size;
}
export interface View {
  boundary: string; width: number; height: number;
  outline: {px: number[]; seen: number[]; u95_mm: number[]};
  pieces: Piece[];
  cards: {kind: string; id: number; px: number[]}[];
  sizes: {long_mm: Size; short_mm: Size; perimeter_mm: Size; area_mm2: Size; diagonals_mm: Size[]};
  seen_fraction: number; bent: number; verdict: string; verdict_inch: string;
  warnings: Finding[]; lens: string;
}
export type Point = [number, number];
export interface Edit { kind: "through" | "bridge"; points: Point[]; reach_px: number }
/// picture: the small copy of the photo is there to be shown.
export interface Progress { text: string; picture?: boolean }
export type Options = Record<string, string>;
export interface DraftState {
  photos: {file: string; name: string}[]; options: Options; edits: Edit[];
}

/// What went wrong, in words for a person. status 0: the server was not reached.
export class Trouble extends Error {
  constructor(readonly status: number, text: string) { super(text); }
}
const kLost = "The computer that does the measuring does not answer. Nothing is lost: check that " +
    "panecard serve runs and that you are in its network, then try again.";

async function failure(response: Response): Promise<Trouble> {
  let text = "That did not work (" + response.status + ").";
  try {
    text = ((await response.json()) as {error: string}).error || text;
  } catch { /* not ours: the number has to do */ }
  if (response.status === 401) location.hash = "#/pair";
  return new Trouble(response.status, text);
}

async function ask(path: string, init?: RequestInit): Promise<Response> {
  let response: Response;
  try {
    response = await fetch(path, init);
  } catch (e) {
    if (e instanceof DOMException && e.name === "AbortError") throw e;
    throw new Trouble(0, kLost);
  }
  if (!response.ok) throw await failure(response);
  return response;
}

export async function get<T>(path: string): Promise<T> {
  return (await (await ask(path)).json()) as T;
}

const kOurs = {"X-Panecard": "1", "Content-Type": "application/json"};

export async function post<T>(path: string, body: unknown = {}): Promise<T> {
  const response =
      await ask(path, {method: "POST", headers: kOurs, body: JSON.stringify(body)});
  return (await response.json()) as T;
}

/// fetch() says nothing about how far an upload is; XMLHttpRequest does.
export function upload(path: string, photo: Blob, progress: (share: number) => void): Promise<void> {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("X-Panecard", "1");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.addEventListener("progress", (e) => {
      if (e.lengthComputable && e.total > 0) progress(e.loaded / e.total);
    });
    request.addEventListener("load", () => {
      if (request.status === 200) return done();
      if (request.status === 401) location.hash = "#/pair";
      let text = "The photo was not taken (" + request.status + ").";
      try {
        text = (JSON.parse(request.responseText) as {error: string}).error || text;
      } catch { /* not ours */ }
      failed(new Trouble(request.status, text));
    });
    request.addEventListener("error", () => failed(new Trouble(0, kLost)));
    request.send(photo);
  });
}

interface ServerEvent { name: string; data: string }

function eventIn(block: string): ServerEvent {
  const out: ServerEvent = {name: "message", data: ""};
  for (const line of block.split("\n")) {
    if (line.startsWith("event: ")) out.name = line.slice(7);
    if (line.startsWith("data: ")) out.data += line.slice(6);
  }
  return out;
}

/// Server-sent events as the answer to a POST: progress until the view is there.
/// @param trial  the last correction is still being made: nothing to be kept
export async function measure(id: string, options: Options, edits: Edit[], trial: boolean,
                              progress: (now: Progress) => void): Promise<View> {
  const response = await ask("/api/drafts/" + id + "/measure", {
    method: "POST", headers: kOurs, body: JSON.stringify({options, edits, trial}),
  });
  const reader = response.body!.getReader();
  const decoder = new TextDecoder();
  let text = "";
  for (;;) {
    let part: ReadableStreamReadResult<Uint8Array>;
    try {
      part = await reader.read();
    } catch {
      throw new Trouble(0, kLost);
    }
    if (part.done) break;
    text += decoder.decode(part.value, {stream: true});
    for (let end = text.indexOf("\n\n"); end >= 0; end = text.indexOf("\n\n")) {
      const event = eventIn(text.slice(0, end));
      text = text.slice(end + 2);
      const data = JSON.parse(event.data) as unknown;
      if (event.name === "progress") progress(data as Progress);
      if (event.name === "failed") throw new Trouble(422, (data as {error: string}).error);
      if (event.name === "done") return data as View;
    }
  }
  throw new Trouble(0, kLost);
}
