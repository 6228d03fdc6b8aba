// What the page's tests stand on: the server, a browser, and what a person does on the photo.
import assert from "node:assert/strict";
import {spawn} from "node:child_process";
import {mkdirSync, mkdtempSync, readFileSync, rmSync} from "node:fs";
import {tmpdir} from "node:os";
import {dirname, join} from "node:path";
import {fileURLToPath} from "node:url";
import {chromium} from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
export const samples = join(here, "../../samples");
const axe = readFileSync(join(here, "node_modules/axe-core/axe.min.js"), "utf8");
const pictures = process.env.PICTURES;
if (pictures) mkdirSync(pictures, {recursive: true});
const started = Date.now();
export const note = (text) => console.log(((Date.now() - started) / 1000).toFixed(1).padStart(6) + " s  " + text);

/// `panecard serve`, which can be ended at once and begun again at the same port.
export class Server {
  constructor(program) {
    this.program = program;
    this.folder = mkdtempSync(join(tmpdir(), "panecard-page-"));
    this.port = 0;
  }
  get url() { return "http://127.0.0.1:" + this.port; }
  async start() {
    this.child = spawn(this.program, ["serve", "--port", String(this.port), "--data", join(this.folder, "data"),
                                      "--library", join(this.folder, "shop.panes")], {stdio: ["ignore", "pipe", "inherit"]});
    await new Promise((done, failed) => {
      let said = "";
      this.child.stdout.on("data", (bytes) => {
        said += bytes;
        if (said.includes("ready")) done(this.port = Number(/127\.0\.0\.1:(\d+)/.exec(said)[1]));
      });
      this.child.on("exit", () => failed(new Error("the server ended: " + said)));
    });
  }
  async end(signal) {
    const gone = new Promise((done) => this.child.on("exit", done));
    this.child.kill(signal);
    await gone;
  }
  residentMb() {
    return Number(readFileSync(`/proc/${this.child.pid}/statm`, "utf8").split(" ")[1]) * 4 / 1024;
  }
  async close() {
    await this.end("SIGTERM");
    rmSync(this.folder, {recursive: true, force: true});
  }
}

export const kPhone = {viewport: {width: 390, height: 844}, deviceScaleFactor: 2, hasTouch: true, isMobile: true};
export const kDesk = {viewport: {width: 1440, height: 900}};

export const server = new Server(process.argv[2]);
await server.start();
export const browser = await chromium.launch({executablePath: "/usr/bin/chromium", args: ["--no-sandbox"]});

export async function device(options) {
  const context = await browser.newContext({...options, acceptDownloads: true});
  await context.addInitScript(listenIn);
  const page = await context.newPage();
  page.setDefaultTimeout(60_000);
  page.on("request", (r) => {
    assert.ok(r.url().startsWith(server.url) || r.url().startsWith("blob:" + server.url), "left the machine: " + r.url());
  });
  const wrong = [];
  page.on("pageerror", (e) => wrong.push(String(e)));
  page.on("console", (m) => { if (/Content Security Policy|Uncaught/.test(m.text())) wrong.push(m.text()); });
  return {context, page, wrong};
}

async function accessible(page, where) {
  // As a string: the policy forbids eval in the page, not what the browser's debugger runs.
  await page.evaluate(axe + ";0");
  const found = await page.evaluate(async () => (await axe.run()).violations.map(
      (v) => v.id + ": " + v.nodes.map((n) => n.target + " " + n.failureSummary).join(" | ")));
  assert.deepEqual(found, [], "axe-core on " + where);
}

async function targets(page, where) {
  const small = await page.evaluate(() => [...document.querySelectorAll("a, button, input, select, summary, label")]
      .filter((e) => e.checkVisibility() && !e.classList.contains("unseen-input"))
      .filter((e) => !(e instanceof HTMLInputElement && e.closest("label.choice, label.check")))
      .map((e) => [e, e.getBoundingClientRect()]).filter(([, b]) => b.height < 43.5 || b.width < 43.5)
      .map(([e, b]) => `${e.tagName} ${e.textContent} ${b.width.toFixed(0)}x${b.height.toFixed(0)}`));
  assert.deepEqual(small, [], "targets under 44 px on " + where);
}

export async function shot(page, name) {
  if (pictures) await page.screenshot({path: join(pictures, name + ".png")});
}

export async function look(page, name) {
  await accessible(page, name);
  await targets(page, name);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0, name + " scrolls sideways by " + wide);
  const long = await page.evaluate(() => document.querySelector(".work") ? document.documentElement.scrollHeight - innerHeight : 0);
  assert.ok(long <= 0, name + ": photo and panel do not fit the screen by " + long);
  await shot(page, name);
}

/// What the page hears from the server, for us to hear as well: the browser keeps no body that was read as a stream.
function listenIn() {
  const ask = window.fetch;
  window.heard = [];
  window.asking = 0;
  window.taps = 0;
  window.waits = [];
  // From a photo that was chosen to the frame that shows it with its outline.
  addEventListener("change", (e) => {
    if (!e.target.matches("input[type=file]")) return;
    const from = performance.now();
    const seen = () => {
      const photo = document.querySelector(".stage img"), line = document.querySelector(".stage .line");
      if (!photo?.naturalWidth || !line.getAttribute("d")) return requestAnimationFrame(seen);
      setTimeout(() => { window.outlined = performance.now() - from; });
    };
    seen();
  }, true);
  addEventListener("pointerdown", (e) => { if (e.isTrusted) ++window.taps; }, true);
  // From a move of the pointer to the frame with the sizes that it leads to.
  let moved = null;
  addEventListener("pointermove", (e) => { if (e.isTrusted) moved = e.timeStamp; }, true);
  new MutationObserver((all) => {
    const sizes = all.some((m) => [...m.addedNodes].some((n) => n instanceof Element && n.matches(".sizes")));
    if (!sizes || moved === null) return;
    const from = moved;
    moved = null;
    requestAnimationFrame(() => setTimeout(() => window.waits.push(performance.now() - from)));
  }).observe(document, {childList: true, subtree: true});
  window.fetch = async (...what) => {
    const measuring = String(what[0]).endsWith("/measure");
    if (measuring) ++window.asking;
    try {
      const answer = await ask(...what);
      if (measuring) answer.clone().text().then((text) => { window.heard.push(text); --window.asking; });
      return answer;
    } catch (e) {
      if (measuring) --window.asking;
      throw e;
    }
  };
}

/// page.waitForFunction would need eval, which the page's policy forbids.
export async function until(page, condition, of) {
  for (const end = Date.now() + 60_000; Date.now() < end; await page.waitForTimeout(25)) {
    if (await page.evaluate(condition, of)) return;
  }
  assert.fail("never came: " + condition);
}

/// What was measured last once all is answered that the deed made the page ask.
export async function view(page, deed) {
  const before = await page.evaluate(() => window.heard.length);
  await deed();
  await until(page, (n) => window.heard.length > n && window.asking === 0, before);
  await page.waitForTimeout(60);
  await until(page, () => window.asking === 0);
  const text = await page.evaluate(() => window.heard[window.heard.length - 1]);
  const found = /event: done\ndata: (.*)\n/.exec(text);
  assert.ok(found, "not measured: " + text.slice(-300));
  return JSON.parse(found[1]);
}

export const nearest = (px, [x, y]) => {
  let best = Infinity, at = 0;
  for (let i = 0; i < px.length; i += 2) {
    const d = Math.hypot(px[i] - x, px[i + 1] - y);
    if (d < best) [best, at] = [d, i / 2];
  }
  return {distance: best, index: at};
};
export const along = (px, share) => {
  const i = Math.round(share * px.length / 2);
  return [px[2 * i], px[2 * i + 1]];
};
/// From the card in the photo, 85.60 mm long (ISO/IEC 7810, ID-1): good to some per cent anywhere on the pane.
export const pxPerMm = (v) => Math.max(...[0, 2].map((k) => Math.hypot(
    v.cards[0].px[k] - v.cards[0].px[k + 2], v.cards[0].px[k + 1] - v.cards[0].px[k + 3]))) / 85.6;

/// Where a pixel of the photo stands on the screen now.
export async function onScreen(page, [x, y]) {
  const box = await page.locator(".stage").boundingBox();
  const [left, top, scale] = await page.evaluate(() =>
      document.querySelector(".stage img").style.transform.match(/-?[\d.]+(e-?\d+)?/g).map(Number));
  return [box.x + left + scale * x, box.y + top + scale * y];
}

/// As near as a person comes before touching the line.
export async function comeCloseTo(page, at) {
  await page.getByRole("button", {name: "Whole photo"}).click();
  await page.mouse.move(...await onScreen(page, at));
  await page.mouse.wheel(0, -800);
  await page.waitForTimeout(50);
}
