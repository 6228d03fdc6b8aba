// Many clients at once, by hand: load.mjs PANECARD [CLIENTS] [PHOTOS EACH]. Says how long answers took and what the
// server's own process held before and after.
import {spawn} from "node:child_process";
import {mkdtempSync, readFileSync, rmSync} from "node:fs";
import {tmpdir} from "node:os";
import {dirname, join} from "node:path";
import {fileURLToPath} from "node:url";

const samples = join(dirname(fileURLToPath(import.meta.url)), "../../samples");
const [program, clients = 50, photos = 4] = process.argv.slice(2);
const folder = mkdtempSync(join(tmpdir(), "panecard-load-"));
const child = spawn(program, ["serve", "--port", "0", "--data", folder, "--library", join(folder, "shop.panes")],
                    {stdio: ["ignore", "pipe", "inherit"]});
const url = await new Promise((done) => {
  let said = "";
  child.stdout.on("data", (b) => {
    said += b;
    if (said.includes("ready")) done(/http:\S+:\d+/.exec(said)[0]);
  });
});
const resident = () => Math.round(Number(readFileSync(`/proc/${child.pid}/statm`, "utf8").split(" ")[1]) * 4 / 1024);
const photo = readFileSync(join(samples, "vent-small-card/photo.jpg"));
const post = (path, body = "{}") => fetch(url + path, {method: "POST", headers: {"X-Panecard": "1"}, body});
const times = [], wrong = [];

async function client() {
  for (let k = 0; k < Number(photos); ++k) {
    const began = Date.now();
    const {id} = await (await post("/api/drafts")).json();
    await post(`/api/drafts/${id}/photos?name=a.jpg`, photo);
    const said = await (await post(`/api/drafts/${id}/measure`)).text();
    if (!said.includes("event: done")) wrong.push(said.slice(-200));
    await post(`/api/drafts/${id}/drop`);
    times.push(Date.now() - began);
  }
}

await client();
const before = resident(), began = Date.now();
times.length = 0;
await Promise.all(Array.from({length: Number(clients)}, client));
times.sort((a, b) => a - b);
const page = Date.now();
await (await fetch(url + "/")).text();
console.log(`${times.length} photos by ${clients} clients in ${((Date.now() - began) / 1000).toFixed(0)} s; ` +
            `half within ${times[times.length >> 1]} ms, all within ${times[times.length - 1]} ms; ` +
            `${wrong.length} not measured; the server held ${before} MB before, ${resident()} MB after; ` +
            `the page itself in ${Date.now() - page} ms`);
if (wrong.length > 0) console.log(wrong[0]);
child.kill("SIGTERM");
await new Promise((done) => child.on("exit", done));
rmSync(folder, {recursive: true, force: true});
