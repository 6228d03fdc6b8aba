// The page in Debian's Chromium, on both screen sizes: the whole way from a photo to a cut file, corrections in mm,
// keys alone, a lost connection, axe-core. Ends with status 1 at the first thing that is not so.
import assert from "node:assert/strict";
import {spawn} from "node:child_process";
import {mkdtempSync, mkdirSync, readFileSync, rmSync} from "node:fs";
import {tmpdir} from "node:os";
import {dirname, join} from "node:path";
import {fileURLToPath} from "node:url";
import {chromium} from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
const samples = join(here, "../../samples");
const axe = readFileSync(join(here, "node_modules/axe-core/axe.min.js"), "utf8");
const program = process.argv[2];
const pictures = process.env.PICTURES;
const folder = mkdtempSync(join(tmpdir(), "panecard-page-"));
if (pictures) mkdirSync(pictures, {recursive: true});

function serve() {
  const child = spawn(program, ["serve", "--port", "0", "--data", join(folder, "data"), "--library",
                                join(folder, "shop.panes")], {stdio: ["ignore", "pipe", "inherit"]});
  return new Promise((done, failed) => {
    let said = "";
    child.stdout.on("data", (bytes) => {
      said += bytes;
      const found = /http:\/\/127\.0\.0\.1:\d+/.exec(said);
      if (found && said.includes("ready")) done({child, url: found[0]});
    });
    child.on("exit", () => failed(new Error("the server ended: " + said)));
  });
}

const server = await serve();
const browser = await chromium.launch({executablePath: "/usr/bin/chromium", args: ["--no-sandbox"]});
const started = Date.now();
const note = (text) => console.log(((Date.now() - started) / 1000).toFixed(1).padStart(6) + " s  " + text);

async function device(options) {
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

async function look(page, name) {
  await accessible(page, name);
  await targets(page, name);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0, name + " scrolls sideways by " + wide);
  const long = await page.evaluate(() => document.querySelector(".work") ? document.documentElement.scrollHeight - innerHeight : 0);
  assert.ok(long <= 0, name + ": photo and panel do not fit the screen by " + long);
  if (pictures) await page.screenshot({path: join(pictures, name + ".png")});
}

/// What the page hears from the server, for us to hear as well: the browser keeps no body that was read as a stream.
function listenIn() {
  const ask = window.fetch;
  window.heard = [];
  window.asking = 0;
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
async function until(page, condition, of) {
  for (const end = Date.now() + 60_000; Date.now() < end; await page.waitForTimeout(25)) {
    if (await page.evaluate(condition, of)) return;
  }
  assert.fail("never came: " + condition);
}

/// What was measured last once all is answered that the deed made the page ask.
async function view(page, deed) {
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

const nearest = (px, [x, y]) => {
  let best = Infinity, at = 0;
  for (let i = 0; i < px.length; i += 2) {
    const d = Math.hypot(px[i] - x, px[i + 1] - y);
    if (d < best) [best, at] = [d, i / 2];
  }
  return {distance: best, index: at};
};
const along = (px, share) => {
  const i = Math.round(share * px.length / 2);
  return [px[2 * i], px[2 * i + 1]];
};
/// From the card in the photo, 85.60 mm long (ISO/IEC 7810, ID-1): good to some per cent anywhere on the pane.
const pxPerMm = (v) => Math.max(...[0, 2].map((k) => Math.hypot(
    v.cards[0].px[k] - v.cards[0].px[k + 2], v.cards[0].px[k + 1] - v.cards[0].px[k + 3]))) / 85.6;

/// Where a pixel of the photo stands on the screen now.
async function onScreen(page, [x, y]) {
  const box = await page.locator(".stage").boundingBox();
  const [left, top, scale] = await page.evaluate(() =>
      document.querySelector(".stage img").style.transform.match(/-?[\d.]+(e-?\d+)?/g).map(Number));
  return [box.x + left + scale * x, box.y + top + scale * y];
}

/// As near as a person comes before touching the line.
async function comeCloseTo(page, at) {
  await page.getByRole("button", {name: "Whole photo"}).click();
  await page.mouse.move(...await onScreen(page, at));
  await page.mouse.wheel(0, -800);
  await page.waitForTimeout(50);
}

async function send(page, photo) {
  await page.goto(server.url + "/");
  return view(page, () => page.locator("input[type=file]").first().setInputFiles(photo));
}

async function correct(page, first, name) {
  const per = pxPerMm(first);
  await page.getByRole("button", {name: "Put right"}).click();
  // 8 mm outwards from the middle of the pane, at a place on the way round.
  const from = along(first.outline.px, 0.3);
  const centre = [first.width / 2, first.height / 2];
  const out = [from[0] - centre[0], from[1] - centre[1]], length = Math.hypot(...out);
  const to = from.map((c, k) => c + 8 * per * out[k] / length);
  await comeCloseTo(page, from);
  const a = await onScreen(page, from), b = await onScreen(page, to);
  await page.mouse.move(...a);
  await page.mouse.down();
  await page.mouse.move((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, {steps: 3});
  await page.mouse.move(...b, {steps: 3});
  await page.waitForTimeout(400);
  if (pictures) await page.screenshot({path: join(pictures, name + "-drag.png")});
  let moved = await view(page, () => page.mouse.up());
  const settle = async () => { await page.waitForTimeout(300); };
  await settle();
  const off = nearest(moved.outline.px, to).distance / per;
  assert.ok(off < 2.5, `the line passes ${off.toFixed(2)} mm from where it was dragged to`);
  const far = along(first.outline.px, 0.8);
  const kept = nearest(moved.outline.px, far).distance / per;
  assert.ok(kept < 0.5, `elsewhere it moved by ${kept.toFixed(2)} mm`);
  note(`${name}: dragged 8 mm, passes ${off.toFixed(2)} mm from there`);
  const back = await view(page, () => page.getByRole("button", {name: "Undo"}).click());
  assert.deepEqual(back.outline.px, first.outline.px, "undo brings the very outline back");
  const again = await view(page, () => page.getByRole("button", {name: "Redo"}).click());
  assert.deepEqual(again.outline.px, moved.outline.px, "redo as well");
  const last = await view(page, () => page.getByRole("button", {name: "Undo"}).click());
  // A stroke along the line: that stretch is bridged.
  await page.getByRole("button", {name: "Wipe"}).click();
  await page.getByRole("button", {name: "Whole photo"}).click();
  const stroke = [];
  for (const share of [0.55, 0.57, 0.59, 0.61]) stroke.push(await onScreen(page, along(last.outline.px, share)));
  await page.mouse.move(...stroke[0]);
  await page.mouse.down();
  for (const p of stroke.slice(1)) await page.mouse.move(...p, {steps: 4});
  const wiped = await view(page, () => page.mouse.up());
  assert.ok(wiped.seen_fraction < first.seen_fraction - 0.02, "a wiped stretch is not seen");
  const tapped = along(first.outline.px, 0.58);
  await page.getByRole("button", {name: "Put right"}).click();
  await comeCloseTo(page, tapped);
  const seen = await view(page, async () => page.mouse.click(...await onScreen(page, tapped)));
  assert.ok(seen.seen_fraction > wiped.seen_fraction, "a tap on the edge finds it again");
  const error = nearest(seen.outline.px, tapped).distance / per;
  assert.ok(error < 1, `after the tap the line is ${error.toFixed(2)} mm from the edge`);
  await settle();
}

async function saveIt(page, name, words) {
  await page.getByRole("link", {name: "Looks right, keep it"}).click();
  await page.getByLabel("Make").waitFor();
  await look(page, name + "-save");
  for (const [label, text] of Object.entries(words)) await page.getByLabel(label).fill(text);
  await page.getByRole("button", {name: "Save"}).click();
  await page.getByRole("heading", {level: 2, name: "History"}).waitFor();
  await page.waitForTimeout(200);
}

async function wholeWay(name, options, photo, words) {
  const {context, page, wrong} = await device(options);
  await page.goto(server.url + "/");
  const paint = await page.evaluate(() => performance.getEntriesByType("paint").map((p) => p.startTime)[0] ?? 0);
  await look(page, name + "-start");
  const began = Date.now();
  const first = await send(page, photo);
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  note(`${name}: first paint ${paint.toFixed(0)} ms; photo to outline on screen ${Date.now() - began} ms`);
  await page.waitForTimeout(300);
  await look(page, name + "-outline");
  await correct(page, first, name);
  await look(page, name + "-corrected");
  await saveIt(page, name, words);
  await look(page, name + "-pane");
  const [file] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", {name: "Cut file DXF"}).click()]);
  const dxf = readFileSync(await file.path(), "latin1");
  assert.match(dxf, /^(\s*999\r?\n.*\r?\n)*\s*0\r?\nSECTION/, "a DXF file begins with a section, after comments (group code 999)");
  assert.match(file.suggestedFilename(), /^norden-kuma-.*piece\.dxf$/);
  await page.getByRole("link", {name: "Library"}).first().click();
  await page.getByText("Norden Kuma").first().waitFor();
  await page.getByLabel("Search").fill("nroden");
  await page.waitForTimeout(500);
  await page.getByText("Norden Kuma").first().waitFor();
  await look(page, name + "-library");
  assert.deepEqual(wrong, [], "errors in the page");
  await context.close();
}

async function compareThem(options) {
  const {context, page, wrong} = await device(options);
  await page.goto(server.url + "/#/library");
  await page.getByRole("checkbox").first().check();
  await page.getByRole("checkbox").nth(1).check();
  await page.getByRole("link", {name: "Lay on each other"}).click();
  await page.getByRole("heading", {name: "Laid on each other"}).waitFor();
  await look(page, "compare");
  await page.goto(server.url + "/#/film/1,2");
  await page.getByRole("heading", {name: "2 panes on film"}).waitFor();
  await look(page, "film");
  const [file] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", {name: "Job sheet"}).click()]);
  assert.ok(readFileSync(await file.path(), "latin1").startsWith("%PDF"), "a job sheet");
  assert.deepEqual(wrong, [], "errors in the page");
  await context.close();
}

/// No mouse at all; only the system's own file chooser is left out.
async function byKeys(photo) {
  const {context, page} = await device({viewport: {width: 1440, height: 900}});
  const first = await send(page, photo);
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  const reach = async (what) => {
    for (let i = 0; i < 40; ++i) {
      await page.keyboard.press("Tab");
      if (await page.evaluate((w) => document.activeElement?.matches(w), what)) return;
    }
    assert.fail("no key leads to " + what);
  };
  await reach(".tools button:nth-of-type(2)");
  await page.keyboard.press("Enter");
  for (let i = 0; i < 5; ++i) await page.keyboard.press("Shift+Tab");  // past the other tool and the zoom to the photo
  assert.ok(await page.evaluate(() => document.activeElement?.classList.contains("stage")), "the photo has the focus");
  for (const key of [".", ".", ">", "Shift+ArrowUp"]) await page.keyboard.press(key);
  const moved = await view(page, () => page.keyboard.press("Enter"));
  assert.notDeepEqual(moved.outline.px, first.outline.px);
  const back = await view(page, () => page.keyboard.press("Control+z"));
  assert.deepEqual(back.outline.px, first.outline.px);
  await reach("a.main");
  await page.keyboard.press("Enter");
  await page.getByLabel("Window").waitFor();
  await page.keyboard.press("Shift+Tab");
  note("keys: corrected, undone and on to saving without a mouse");
  await context.close();
}

async function lostAndFound(photo) {
  const {context, page} = await device({viewport: {width: 390, height: 844}});
  const first = await send(page, photo);
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  await page.getByRole("button", {name: "Put right"}).click();
  await page.getByRole("button", {name: "Whole photo"}).click();
  await context.setOffline(true);
  await page.mouse.click(...await onScreen(page, along(first.outline.px, 0.4)));
  await page.getByText("Nothing is lost").waitFor();
  await context.setOffline(false);
  await page.reload();
  await until(page, () => window.heard.length > 0 && window.asking === 0);
  const later = JSON.parse(/event: done\ndata: (.*)\n/.exec(await page.evaluate(() => window.heard[0]))[1]);
  assert.ok(later.warnings.some((w) => w.code === "put_right"), "the correction outlived the loss and the reload");
  note("a lost connection and a reload: the correction is still there");
  await context.close();
}

let status = 1;
try {
  const vent = join(samples, "vent-small-card/photo.jpg");
  await wholeWay("phone", {viewport: {width: 390, height: 844}, deviceScaleFactor: 2, hasTouch: true, colorScheme: "light"}, vent,
                 {Make: "Norden", Model: "Kuma", Years: "2017-2022", Window: "vent"});
  await wholeWay("desk", {viewport: {width: 1440, height: 900}, colorScheme: "dark"},
                 join(samples, "quarter-daylight-cards/photo.jpg"), {Make: "Norden", Model: "Kuma", Years: "2017-2022", Window: "quarter"});
  await compareThem({viewport: {width: 390, height: 844}, colorScheme: "dark"});
  await byKeys(vent);
  await lostAndFound(vent);
  note("all is well");
  status = 0;
} catch (e) {
  console.error(e);
} finally {
  await browser.close();
  server.child.removeAllListeners("exit");
  server.child.kill("SIGTERM");
  await new Promise((done) => server.child.on("exit", done));
  rmSync(folder, {recursive: true, force: true});
}
process.exit(status);
