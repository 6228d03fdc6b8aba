// The page in Debian's Chromium, on both screen sizes: the whole way from a photo to a cut file, corrections in mm and
// how fast they show, taps, two fingers, keys alone, the library, a lost server, axe-core, a crowd. Ends with status 1 at
// the first thing that is not so.
import assert from "node:assert/strict";
import {readFileSync} from "node:fs";
import {join} from "node:path";
import {kPieceFiles, kRollFiles, opens} from "./files.mjs";
import {crowd} from "./load.mjs";
import {along, browser, comeCloseTo, device, kDesk, kPhone, look, nearest, note, onScreen, pxPerMm, samples, server, shot,
        until, view} from "./rig.mjs";

const vent = join(samples, "vent-small-card/photo.jpg");
const quarter = join(samples, "quarter-daylight-cards/photo.jpg");

/// The same picture in a file of its own: what follows the end of a JPEG image (ITU-T T.81, B.1.1.3, EOI) is not read.
function another(photo, number) {
  return {name: `again-${number}.jpg`, mimeType: "image/jpeg", buffer: Buffer.concat([readFileSync(photo), Buffer.from([number])])};
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
  await shot(page, name + "-drag");
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

async function typeKnown(page, words) {
  for (const [label, text] of Object.entries(words)) await page.getByLabel(label, {exact: true}).fill(text);
}

async function saveIt(page, name, words) {
  await page.getByRole("link", {name: "Looks right, keep it"}).click();
  await page.getByLabel("Make").waitFor();
  await look(page, name + "-save");
  await typeKnown(page, words);
  await page.getByRole("button", {name: "Save as left"}).click();
  await page.getByRole("heading", {level: 2, name: "History"}).waitFor();
  await page.waitForTimeout(200);
}

async function saved(page, button) {
  const [file] = await Promise.all([page.waitForEvent("download"),
                                    page.getByRole("button", {name: button, exact: true}).click()]);
  return file;
}

async function wholeWay(name, options, photo, words) {
  const {context, page, wrong} = await device(options);
  await page.goto(server.url + "/");
  const paint = await page.evaluate(() => performance.getEntriesByType("paint").map((p) => p.startTime)[0] ?? 0);
  await look(page, name + "-start");
  const first = await send(page, photo);
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  await until(page, () => window.outlined > 0);
  const outlined = await page.evaluate(() => window.outlined);
  note(`${name}: first paint ${paint.toFixed(0)} ms; photo of 12 megapixels to outline on screen ${outlined.toFixed(0)} ms`);
  await page.waitForTimeout(300);
  await look(page, name + "-outline");
  await correct(page, first, name);
  await look(page, name + "-corrected");
  await saveIt(page, name, words);
  await look(page, name + "-pane");
  const sides = first.sizes;
  for (const [button, kind] of kPieceFiles) {
    const file = await saved(page, button);
    assert.match(file.suggestedFilename(), new RegExp("^norden-kuma-.*" + kind.replace(".", "\\.") + "$"));
    opens(await file.path(), kind, {long: sides.long_mm.value, short: sides.short_mm.value, words: /Norden Kuma/});
  }
  await page.getByRole("link", {name: "Library"}).first().click();
  await page.getByText("Norden Kuma").first().waitFor();
  await page.getByLabel("Search").fill("nroden");
  await page.waitForTimeout(500);
  await page.getByText("Norden Kuma").first().waitFor();
  await look(page, name + "-library");
  assert.deepEqual(wrong, [], "errors in the page");
  await context.close();
}

/// Somebody who was never here: a trace that is right at first, and a phone. Letters are typed, all else is tapped.
async function newcomer() {
  const {context, page, wrong} = await device({...kPhone, colorScheme: "light"});
  await page.goto(server.url + "/");
  const [chooser] = await Promise.all([page.waitForEvent("filechooser"), page.getByText("Take a photo").tap()]);
  await chooser.setFiles(another(vent, 1));
  await page.getByRole("link", {name: "Looks right, keep it"}).tap();
  await page.getByLabel("Make").waitFor();
  await page.keyboard.type("Norden");
  await page.keyboard.press("Enter");
  await page.keyboard.type("vent");
  await page.getByRole("button", {name: "Save as right"}).tap();
  await page.getByRole("heading", {level: 2, name: "History"}).waitFor();
  const taps = await page.evaluate(() => window.taps);
  assert.ok(taps <= 3, `a newcomer needs ${taps} taps from a photo to a saved pattern`);
  await page.getByRole("heading", {level: 1, name: "Norden, vent right"}).waitFor();
  assert.deepEqual(wrong, [], "errors in the page");
  note(`newcomer: ${taps} taps from a photo to a saved pattern`);
  await context.close();
}

/// Single moves of a line that is held: from the pointer to the frame that shows the sizes.
async function howFast(photo, name, most_ms) {
  const {context, page} = await device(kDesk);
  const first = await send(page, photo);
  await until(page, () => window.outlined > 0);
  note(`${name}: to outline on screen ${(await page.evaluate(() => window.outlined)).toFixed(0)} ms`);
  await page.getByRole("button", {name: "Put right"}).click();
  const from = along(first.outline.px, 0.3);
  await comeCloseTo(page, from);
  const at = await onScreen(page, from);
  await page.mouse.move(...at);
  await page.mouse.down();
  await page.mouse.move(at[0] + 8, at[1] + 8);
  await page.waitForTimeout(500);
  await page.evaluate(() => { window.waits = []; });
  const kMoves = 24;
  for (let k = 1; k <= kMoves; ++k) {
    await page.mouse.move(at[0] + 8 - (k % 16), at[1] + 8 + (k % 8));
    await until(page, (n) => window.waits.length >= n, k);
    await page.waitForTimeout(20);
  }
  const waits = (await page.evaluate(() => window.waits)).sort((a, b) => a - b);
  await page.mouse.up();
  const half = waits[kMoves / 2], late = waits[Math.floor(0.95 * kMoves)];
  note(`${name}: drag to new sizes on screen, ${kMoves} moves: median ${half.toFixed(0)} ms, 95 % within ${late.toFixed(0)} ms`);
  assert.ok(half < most_ms, `sizes follow a drag within ${half.toFixed(0)} ms`);
  await context.close();
}

/// Two fingers, as the browser hears of them from the screen.
async function pinches() {
  const {context, page} = await device({...kPhone, colorScheme: "dark"});
  await send(page, vent);
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  const box = await page.locator(".stage").boundingBox();
  const middle = [box.x + box.width / 2, box.y + box.height / 2];
  const scale = async () => Number(/scale\(([\d.e-]+)\)/.exec(
      await page.evaluate(() => document.querySelector(".stage img").style.transform))[1]);
  const inPhoto = async ([x, y]) => {
    const [left, top, per] = await page.evaluate(() =>
        document.querySelector(".stage img").style.transform.match(/-?[\d.]+(e-?\d+)?/g).map(Number));
    return [(x - box.x - left) / per, (y - box.y - top) / per];
  };
  const before = await scale(), under = await inPhoto(middle);
  const cdp = await context.newCDPSession(page);
  const fingers = (apart) => [-1, 1].map((side, id) => ({x: middle[0] + side * apart / 2, y: middle[1], id}));
  await cdp.send("Input.dispatchTouchEvent", {type: "touchStart", touchPoints: fingers(60)});
  for (let apart = 60; apart <= 150; apart += 10) {
    await cdp.send("Input.dispatchTouchEvent", {type: "touchMove", touchPoints: fingers(apart)});
  }
  await cdp.send("Input.dispatchTouchEvent", {type: "touchEnd", touchPoints: []});
  const grown = await scale() / before, now = await inPhoto(middle);
  assert.ok(Math.abs(grown - 2.5) < 0.1, `fingers 2.5 times as far apart made it ${grown.toFixed(2)} times as large`);
  const slid = Math.hypot(now[0] - under[0], now[1] - under[1]) * await scale();
  assert.ok(slid < 3, `what lay between the fingers slid by ${slid.toFixed(1)} px`);
  assert.ok(await page.evaluate(() => visualViewport.scale) === 1, "the page itself is not zoomed");
  await shot(page, "phone-pinched");
  note(`pinch: ${grown.toFixed(2)} times as large, the spot between the fingers stays within ${slid.toFixed(1)} px`);
  await context.close();
}

/// The second measurement of a pane, and the way back to the first.
async function restores() {
  const {context, page, wrong} = await device({...kPhone, colorScheme: "dark"});
  const api = async (path) => (await context.request.get(server.url + "/api/" + path)).json();
  const {pane} = (await api("panes?q=kuma%20vent")).panes[0];
  const shape = () => api("panes/" + pane);
  const old = await shape();
  await send(page, another(quarter, 2));
  await page.getByRole("link", {name: "Looks right, keep it"}).tap();
  await typeKnown(page, {Make: "Norden", Model: "Kuma", Years: "2017-2022", Window: "vent"});
  await page.getByRole("button", {name: "Save as left"}).tap();
  await page.getByRole("button", {name: "Use the new one"}).waitFor();
  await look(page, "phone-another");
  assert.equal((await shape()).box.long_mm, old.box.long_mm, "nobody said yet that the new one is better");
  await page.getByRole("button", {name: "Use the new one"}).tap();
  await page.getByRole("heading", {level: 2, name: "History"}).waitFor();
  const fresh = await shape();
  assert.ok(fresh.box.long_mm > old.box.long_mm + 50, "the quarter pane's pattern is in force now");
  const revisions = fresh.history.filter((r) => r.of === "pane").map((r) => r.revision);
  assert.ok(revisions.length >= 2, "both revisions stand in the history");
  await look(page, "phone-history");
  await page.getByRole("button", {name: "Use again"}).last().tap();
  let back = fresh;
  for (const end = Date.now() + 20_000; back.revision === fresh.revision && Date.now() < end;) {
    await page.waitForTimeout(50);
    back = await shape();
  }
  assert.equal(back.box.long_mm, old.box.long_mm, "the first pattern is in force again");
  assert.ok(back.revision > fresh.revision, "as a revision of its own");
  assert.deepEqual(wrong, [], "errors in the page");
  note(`history: ${back.history.length} entries; an earlier pattern is in force again`);
  await context.close();
}

/// Two patterns of one pane from one photo, one of them saved as the other side.
async function compareThem() {
  const {context, page, wrong} = await device({...kPhone, colorScheme: "dark"});
  await page.goto(server.url + "/#/library");
  await page.getByRole("checkbox", {name: "Choose Norden Kuma 2017-2022, vent left"}).check();
  await page.getByRole("checkbox", {name: "Choose Norden, vent right"}).check();
  await page.getByRole("link", {name: "Lay on each other"}).click();
  await page.getByRole("heading", {name: "Laid on each other"}).waitFor();
  await look(page, "compare");
  assert.equal(await page.locator("svg.drawing path").count(), 2, "two outlines are drawn");
  const main = page.locator("main");
  const same = await main.innerText();
  await page.getByText("First one mirrored").click();
  await until(page, (was) => document.querySelector("main").innerText !== was, same);
  const turned = await main.innerText();
  const sum = (text) => [...text.matchAll(/([\d.]+) ± [\d.]+ mm/g)].reduce((all, m) => all + Number(m[1]), 0);
  assert.ok(sum(same) < 6 && sum(turned) > sum(same) + 5,
            `one pane twice differs by ${sum(same)} mm, turned over by ${sum(turned)} mm`);
  assert.deepEqual(wrong, [], "errors in the page");
  await context.close();
}

async function onFilm() {
  const {context, page, wrong} = await device({...kPhone, colorScheme: "light"});
  await page.goto(server.url + "/#/library");
  for (const name of ["Norden Kuma 2017-2022, vent left", "Norden Kuma 2017-2022, quarter left"]) {
    await page.getByRole("checkbox", {name: "Choose " + name}).check();
  }
  await page.getByRole("link", {name: "Put 2 on film"}).click();
  await page.getByRole("heading", {name: "2 panes on film"}).waitFor();
  await page.getByLabel("Width of the film").fill("1220 mm");
  await look(page, "film");
  for (const [button, kind] of kRollFiles) {
    const file = await saved(page, button);
    opens(await file.path(), kind, {within: 1220, words: /Norden Kuma/});
  }
  assert.deepEqual(wrong, [], "errors in the page");
  note("files: every kind of a pane and of a film, opened by GDAL, librsvg, hp2xx and Poppler");
  await context.close();
}

/// No mouse at all, from the first screen to the saved pattern.
async function byKeys() {
  const {context, page} = await device({...kDesk, colorScheme: "dark"});
  await page.goto(server.url + "/");
  const reach = async (what) => {
    for (let i = 0; i < 40; ++i) {
      await page.keyboard.press("Tab");
      if (await page.evaluate((w) => document.activeElement?.matches(w), what)) return;
    }
    assert.fail("no key leads to " + what);
  };
  // Asked for ahead of the key: the browser must know by then that it is not to open its own window.
  const chosen = page.waitForEvent("filechooser");
  await reach("input[type=file]");
  await page.keyboard.press("Space");
  const chooser = await chosen;
  const first = await view(page, () => chooser.setFiles(another(vent, 3)));
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
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
  await page.getByLabel("Make").waitFor();
  await page.getByLabel("Make").fill("");
  for (const word of ["Sorrel", "vent"]) {
    await page.keyboard.type(word);
    await page.keyboard.press("Enter");
  }
  await page.keyboard.press("Tab");  // from the left side to the right one
  await page.keyboard.press("Enter");
  await page.getByRole("heading", {level: 1, name: /^Sorrel.*vent right$/}).waitFor();
  assert.equal(await page.evaluate(() => window.taps), 0);
  note("keys: measured, corrected, undone and saved without a mouse");
  await context.close();
}

/// The server dies in the middle of a correction and comes back; then the page is loaded again.
async function serverGone() {
  const {context, page} = await device({...kPhone, colorScheme: "light"});
  const first = await send(page, another(vent, 4));
  await page.getByRole("link", {name: "Looks right, keep it"}).waitFor();
  await page.getByRole("button", {name: "Put right"}).click();
  await page.getByRole("button", {name: "Whole photo"}).click();
  await server.end("SIGKILL");
  await page.mouse.click(...await onScreen(page, along(first.outline.px, 0.4)));
  await page.getByText("Nothing is lost").waitFor();
  await look(page, "phone-lost");
  const later = await view(page, () => server.start());  // the page asks by itself
  assert.ok(later.warnings.some((w) => w.code === "put_right"), "the correction is made once the server is back");
  await server.end("SIGKILL");
  await server.start();
  await page.reload();
  await until(page, () => window.heard.length > 0 && window.asking === 0);
  const again = JSON.parse(/event: done\ndata: (.*)\n/.exec(await page.evaluate(() => window.heard[0]))[1]);
  assert.deepEqual(again.outline.px, later.outline.px, "and outlives a reload and another server");
  note("a server that died twice: the correction is still there");
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
  await newcomer();
  await wholeWay("phone", {...kPhone, colorScheme: "light"}, vent,
                 {Make: "Norden", Model: "Kuma", Years: "2017-2022", Window: "vent"});
  await wholeWay("desk", {...kDesk, colorScheme: "dark"}, quarter,
                 {Make: "Norden", Model: "Kuma", Years: "2017-2022", Window: "quarter"});
  await compareThem();
  await onFilm();
  await restores();
  await pinches();
  const kMost_ms = 300;  // of a build with assertions beside other work; docs/page.md has what a shop sees
  await howFast(vent, "small pane", kMost_ms);
  await howFast(quarter, "quarter pane", kMost_ms);
  await byKeys();
  await lostAndFound(vent);
  await serverGone();
  note(await crowd(server, 8, 2));
  note("all is well");
  status = 0;
} catch (e) {
  console.error(e);
} finally {
  await browser.close();
  await server.close();
}
process.exit(status);
