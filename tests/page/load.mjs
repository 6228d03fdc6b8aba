// Many clients at once: a crowd for browser.mjs, and by hand, load.mjs PANECARD [CLIENTS] [PHOTOS EACH].
import assert from "node:assert/strict";
import {readFileSync} from "node:fs";
import {join} from "node:path";
import {fileURLToPath} from "node:url";

/// So many clients with so many photos each, twice: the server's own process may not grow from the first time to the
/// second. Says how long answers took and what it held.
export async function crowd(server, clients, photos) {
  const url = server.url;
  const photo = readFileSync(join(fileURLToPath(import.meta.url), "../../../samples/vent-small-card/photo.jpg"));
  const post = (path, body = "{}") => fetch(url + path, {method: "POST", headers: {"X-Panecard": "1"}, body});
  const times = [], wrong = [];
  const client = async () => {
    for (let k = 0; k < photos; ++k) {
      const began = Date.now();
      const {id} = await (await post("/api/drafts")).json();
      await post(`/api/drafts/${id}/photos?name=a.jpg`, photo);
      const said = await (await post(`/api/drafts/${id}/measure`)).text();
      if (!said.includes("event: done")) wrong.push(said.slice(-200));
      await post(`/api/drafts/${id}/drop`);
      times.push(Date.now() - began);
    }
  };
  const all = () => Promise.all(Array.from({length: clients}, client));
  const held = [server.residentMb()], began = Date.now();
  for (let round = 0; round < 2; ++round) {
    await all();
    held.push(server.residentMb());
  }
  times.sort((a, b) => a - b);
  assert.deepEqual(wrong, [], "every photo is measured");
  const kMostGrowth_mb = 3;
  assert.ok(held[2] - held[1] < kMostGrowth_mb, `the server grew from ${held[1].toFixed(1)} to ${held[2].toFixed(1)} MB`);
  return `${times.length} photos by ${clients} clients in ${((Date.now() - began) / 1000).toFixed(0)} s; half within ` +
      `${times[times.length >> 1]} ms, all within ${times.at(-1)} ms; the server held ` +
      held.map((mb) => mb.toFixed(1)).join(", ") + " MB before, halfway and at the end";
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const {browser, server} = await import("./rig.mjs");
  await browser.close();
  const [clients = 50, photos = 6] = process.argv.slice(3).map(Number);
  console.log(await crowd(server, clients, photos));
  await server.close();
}
