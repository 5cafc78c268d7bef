// report.html in headless Chromium, opened from disk with the network off.
//   node report_test.mjs WRITE_REPORT FOLDER
// The expected numbers come from plan.json and places.json, which write_report writes beside the
// report; the report is only looked at from outside, as a person would.
import assert from 'node:assert/strict';
import {execFileSync} from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import test, {after, before} from 'node:test';
import {fileURLToPath, pathToFileURL} from 'node:url';
import {accessibility, launch, openPage, unlikeKept} from '../support/browser.mjs';

const [writeReport, root] = process.argv.slice(2);
let browser;
const made = new Map();

function report(kind, ...more) {
  const name = [kind, ...more].join('-');
  if (!made.has(name)) {
    const folder = path.join(root, name);
    fs.mkdirSync(folder, {recursive: true});
    execFileSync(writeReport, [folder, kind, ...more]);
    const json = (file) => JSON.parse(fs.readFileSync(path.join(folder, file), 'utf8'));
    made.set(name, {file: path.join(folder, 'report.html'), plan: json('plan.json'), places: json('places.json')});
  }
  return made.get(name);
}
const open = (r, options) => openPage(browser, pathToFileURL(r.file).href, options);
const clock = (minutes) => {
  const s = Math.round(minutes * 60);
  return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, '0')}`;
};
// Where a place of the plate (print view) is on the screen, from what the page shows.
async function onScreen(page, x, y, plan) {
  await page.locator('.rb-stage').scrollIntoViewIfNeeded();
  const box = await page.locator('.rb-top .rb-plate').boundingBox();
  return [box.x + (x / plan.plate.width_mm) * box.width, box.y + (y / plan.plate.height_mm) * box.height];
}
// A cell of the reading: of 'Here' or of 'Region N', which must be the one that is read.
async function read(page, of, what) {
  const heads = await page.locator('.rb-reading thead th').allInnerTexts();
  assert.ok(heads.includes(of), `reads ${heads}, wanted ${of}`);
  return page.locator(`.rb-reading [data-of="${of === 'Here' ? 'here' : 'region'}"][data-read="${what}"]`).innerText();
}

before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

test('opens from disk without error, request or sideways scrolling', async () => {
  for (const width of [1280, 390]) {
    const page = await open(report('lock'), {viewport: {width, height: 800}});
    await page.locator('.rb-reading').waitFor();
    await page.waitForTimeout(300);
    assert.deepEqual(page.trouble, []);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= width, `${wide} px of content on ${width} px`);
    await page.context().close();
  }
});

// What is not seen in the stop-out list is bitten: on a tablet it lay behind the map.
test('nothing of a stage lies outside its column, at any width', async () => {
  const page = await open(report('lock'));
  for (const width of [360, 390, 600, 780, 801, 820, 1000, 1024, 1040, 1056, 1057, 1100, 1280, 1600]) {
    await page.setViewportSize({width, height: 900});
    const outside = await page.evaluate(() => {
      const column = document.querySelector('ol.stages').getBoundingClientRect();
      return [...document.querySelectorAll('ol.stages *')].filter((e) => e.getBoundingClientRect().width > 1)
        .filter((e) => e.getBoundingClientRect().right > column.right + 1).map((e) => e.className + ': ' + e.textContent);
    });
    assert.deepEqual(outside, [], `${width} px`);
  }
  await page.context().close();
});

test('shows every stage with its dip and total first', async () => {
  const r = report('lock');
  const page = await open(r);
  const cards = await page.locator('#todo .stage').allInnerTexts();
  assert.equal(cards.length, r.plan.stages.length);
  r.plan.stages.forEach((s, i) => {
    assert.match(cards[i], new RegExp(`dip\\s+${clock(s.dip_minutes)}\\b`));
    assert.match(cards[i], new RegExp(`total\\s+${clock(s.total_minutes)}\\b`));
  });
  const lower = await page.locator('#todo .lower .chip').allInnerTexts();
  assert.deepEqual(lower.map(Number), r.plan.lower_first);
  for (const caution of r.plan.cautions) assert.ok((await page.locator('.cautions').innerText()).includes(caution));
  await page.context().close();
});

test('without script the tables and drawings are there', async () => {
  const r = report('lock');
  const page = await open(r, {javaScriptEnabled: false});
  assert.equal(await page.locator('#region-table tbody tr').count(), r.plan.regions.length);
  assert.equal(await page.locator('#stepper svg.dip').count(), r.plan.stages.length);
  for (const what of ['.glance-map img[data-layer=proof]', '#curve svg', '#histogram svg']) assert.ok(await page.locator(what).isVisible(), what);
  assert.ok(!(await page.locator('#viewer').isVisible()));
  await page.context().close();
});

test('the line between two pictures is dragged', async () => {
  const page = await open(report('lock'));
  const stage = page.locator('.rb-stage');
  await stage.scrollIntoViewIfNeeded();
  const box = await stage.boundingBox();
  const before = await stage.screenshot();
  const middle = box.y + box.height / 2;
  await page.mouse.move(box.x + box.width / 2, middle);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.4, middle, {steps: 4});
  await page.mouse.move(box.x + box.width * 0.2, middle, {steps: 4});
  await page.mouse.up();
  const slider = page.getByRole('slider');
  assert.ok(Math.abs(Number(await slider.getAttribute('aria-valuenow')) - 20) <= 1);
  await page.waitForTimeout(100);
  const cut = await page.locator('.rb-side').first().evaluate((e) => getComputedStyle(e).clipPath);
  const right = Number(/inset\(0px ([\d.]+)px/.exec(cut)[1]);
  assert.ok(Math.abs(right - 0.8 * box.width) < 4, cut);
  assert.ok(!before.equals(await stage.screenshot()), 'the picture did not change');
  await page.context().close();
});

test('pointing reads the densities of plan.json', async () => {
  const r = report('lock');
  const page = await open(r);
  const wanted = ['bite', 'burnish', 'beyond', 'soft', 'scrape'];
  for (const action of wanted) {
    const g = r.plan.regions.find((x) => x.action === action);
    const [x, y] = await onScreen(page, g.centre_mm[0], g.centre_mm[1], r.plan);
    await page.mouse.move(x, y);
    const head = 'Region ' + g.id;
    for (const [what, key] of [['now', 'density_now'], ['target', 'density_target'], ['predicted', 'density_predicted']]) {
      const shown = /^(-?\d+\.\d\d) ± (\d+\.\d\d)$/.exec(await read(page, head, what));
      assert.ok(shown, `${head} ${what}`);
      // Equal to the digits shown: half of the last one.
      assert.ok(Math.abs(shown[1] - g[key]) <= 0.005 + 1e-9, `${head} ${what}: ${shown[1]}, plan ${g[key]}`);
      assert.ok(Math.abs(shown[2] - g[key + '_sd']) <= 0.005 + 1e-9, `${head} ${what}: ± ${shown[2]}, plan ${g[key + '_sd']}`);
    }
  }
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('the tone under the pointer is that of the maps', async () => {
  const r = report('lock');
  for (const view of ['Print view', 'Plate view']) {
    const page = await open(r);
    await page.locator('#viewer').getByRole('button', {name: view}).click();
    await page.waitForTimeout(100);
    // The line's handle hangs low in the middle: out of the way.
    await page.getByRole('slider').press('Home');
    for (const p of r.places) {
      const x = view === 'Print view' ? p.x_mm : r.plan.plate.width_mm - p.x_mm;
      await page.mouse.move(...(await onScreen(page, x, p.y_mm, r.plan)));
      for (const what of ['now', 'target']) {
        const got = Number(await read(page, 'Here', what));
        const [low, high] = p[what];
        assert.ok(got >= low - 0.006 && got <= high + 0.006, `${view} ${p.x_mm}, ${p.y_mm}: ${what} ${got}, map ${low}..${high}`);
      }
      const title = await page.locator('.rb-reading h3').innerText();
      assert.equal(parseInt(title, 10) || 0, p.region);
    }
    await page.context().close();
  }
});

test('table and picture point at each other', async () => {
  const r = report('lock');
  const page = await open(r);
  const id = r.plan.regions.find((g) => g.action === 'burnish').id;
  const marked = () => page.locator('.rb-selected').getAttribute('href');
  await page.locator(`#row-${id} button.num`).click();
  assert.equal(await marked(), '#shape-' + id);
  assert.equal(await page.locator(`#row-${id} button.num`).getAttribute('aria-pressed'), 'true');
  const other = r.plan.regions.find((g) => g.action === 'bite');
  await page.mouse.click(...(await onScreen(page, other.centre_mm[0], other.centre_mm[1], r.plan)));
  assert.equal(await marked(), '#shape-' + other.id);
  assert.deepEqual(await page.locator('tr.rb-on').evaluateAll((rows) => rows.map((x) => Number(x.dataset.region))), [other.id]);
  await page.locator(`#row-${id} .what`).hover();
  assert.equal(await page.locator('.rb-hovered').getAttribute('href'), '#shape-' + id);
  await page.mouse.move(...(await onScreen(page, other.centre_mm[0], other.centre_mm[1], r.plan)));
  assert.equal(await page.locator('tr.rb-near').getAttribute('data-region'), String(other.id));
  await page.locator(`#todo .chip[data-region="${id}"]`).first().click();
  assert.equal(await marked(), '#shape-' + id);
  await page.context().close();
});

test('the table sorts and filters', async () => {
  const r = report('lock');
  const page = await open(r);
  const ids = () => page.locator('tbody tr[data-region]:visible').evaluateAll((rows) => rows.map((x) => Number(x.dataset.region)));
  await page.getByRole('columnheader', {name: 'Area'}).getByRole('button').click();
  const byArea = r.plan.regions.slice().sort((a, b) => a.area_mm2 - b.area_mm2).map((g) => g.id);
  assert.deepEqual(await ids(), byArea);
  await page.locator('#region-table').getByRole('button', {name: 'Lower', exact: true}).click();
  assert.deepEqual((await ids()).sort((a, b) => a - b), r.plan.lower_first.slice().sort((a, b) => a - b));
  await page.context().close();
});

test('the stages are stepped in both views', async () => {
  const r = report('lock');
  const page = await open(r);
  const stepper = page.locator('#stepper');
  const centres = {};
  for (const view of ['Plate view', 'Print view']) {
    await stepper.getByRole('button', {name: view}).click();
    await stepper.getByRole('button', {name: '1', exact: true}).click();
    for (const [i, s] of r.plan.stages.entries()) {
      if (i > 0) await stepper.getByRole('button', {name: 'Next'}).click();
      const shapes = (cls) => stepper.locator(`.rb-dip use.${cls}`).evaluateAll((us) => us.map((u) => Number(u.dataset.region)));
      assert.deepEqual(await shapes('open'), s.still_open);
      const now = await shapes('now');
      for (const id of s.stop_out_before) assert.ok(now.includes(id), `stage ${s.stage}: ${id} to stop out`);
      const text = await stepper.locator('.rb-live').innerText();
      assert.match(text, new RegExp(`dip\\s+${clock(s.dip_minutes)}\\b`));
      assert.match(text, new RegExp(`total\\s+${clock(s.total_minutes)}\\b`));
      assert.ok(text.includes(view));
    }
    assert.ok(await stepper.getByRole('button', {name: 'Next'}).isDisabled());
    const picture = await stepper.locator('.rb-dip svg').boundingBox();
    const shape = await stepper.locator('.rb-dip use[data-region="9"]').boundingBox();
    centres[view] = (shape.x + shape.width / 2 - picture.x) / picture.width;
  }
  // The plate is the print turned over: the two places of region 9 sum to the width.
  assert.ok(Math.abs(centres['Plate view'] + centres['Print view'] - 1) < 0.01, JSON.stringify(centres));
  assert.ok(Math.abs(centres['Print view'] - 0.5) > 0.05, 'region 9 is off the middle, so that the mirror shows');
  // The tones that plan.json gives after each dip, as the picture and the table show them.
  await stepper.getByRole('button', {name: 'Tone after it'}).click();
  assert.ok((await stepper.innerText()).includes('Finished: '));
  await stepper.getByRole('button', {name: '1', exact: true}).click();
  for (const [i, s] of r.plan.stages.entries()) {
    if (i > 0) await stepper.getByRole('button', {name: 'Next'}).click();
    const cells = await stepper.locator('[data-after]').evaluateAll((tds) => tds.map((td) => [Number(td.dataset.after), td.textContent]));
    assert.deepEqual(cells.map(([id]) => id), s.still_open.slice(0, 8));
    for (const [id, text] of cells) {
      const g = r.plan.regions.find((x) => x.id === id);
      assert.ok(Math.abs(parseFloat(text) - g.density_after_stage[i]) <= 0.005 + 1e-9, `stage ${s.stage}, region ${id}: ${text}`);
      const veil = Number(await stepper.locator(`.rb-dip use[data-region="${id}"]`).getAttribute('fill-opacity'));
      assert.ok(Math.abs(veil - (1 - 10 ** (-(g.density_after_stage[i] - g.density_now) / 2.2))) < 0.002, `veil of ${id}`);
    }
  }
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('keyboard alone', async () => {
  const r = report('lock');
  const page = await open(r);
  const focus = () => page.evaluate(() => document.activeElement.className + ' ' + document.activeElement.getAttribute('role'));
  for (let i = 0; i < 80 && !(await focus()).includes('rb-stage'); i++) await page.keyboard.press('Tab');
  assert.ok((await focus()).includes('rb-stage'), 'Tab reaches the picture');
  const outline = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
  assert.equal(outline, 'solid', 'the focus shows');
  await page.keyboard.press('ArrowRight');
  const first = await page.locator('.rb-where').innerText();
  await page.keyboard.press('Shift+ArrowRight');
  assert.notEqual(await page.locator('.rb-where').innerText(), first);
  // From the middle (75, 55) to region 9, which lies left of it and lower.
  for (let i = 0; i < 2; i++) await page.keyboard.press('Shift+ArrowLeft');
  for (let i = 0; i < 1; i++) await page.keyboard.press('Shift+ArrowDown');
  for (let i = 0; i < 5; i++) await page.keyboard.press('ArrowDown');
  await page.keyboard.press('Enter');
  assert.equal(await page.locator('.rb-selected').getAttribute('href'), '#shape-9');
  assert.ok((await page.locator('.rb-spoken').innerText()).startsWith('Region 9'));
  await page.keyboard.press('Tab');
  await page.keyboard.press('PageUp');
  assert.equal(await page.getByRole('slider').getAttribute('aria-valuenow'), '70');
  await page.locator('#stepper').getByRole('button', {name: 'Next'}).focus();
  await page.keyboard.press('Enter');
  assert.ok((await page.locator('.rb-times h3').innerText()).startsWith('Stage 2'));
  await page.locator('#row-8 button.num').focus();
  await page.keyboard.press('Space');
  assert.equal(await page.locator('.rb-selected').getAttribute('href'), '#shape-8');
  await page.locator('#curve svg').focus();
  await page.keyboard.press('Shift+ArrowRight');
  assert.match(await page.locator('#curve .rb-said').innerText(), /^1:00 in all/);
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('touch: a tap reads, targets are large enough', async () => {
  const r = report('lock');
  const page = await open(r, {viewport: {width: 390, height: 844}, hasTouch: true, isMobile: true, deviceScaleFactor: 2});
  const g = r.plan.regions[0];
  const [x, y] = await onScreen(page, g.centre_mm[0] - 20, g.centre_mm[1], r.plan);
  await page.touchscreen.tap(x, y);
  assert.ok(Math.abs(parseFloat(await read(page, 'Region ' + g.id, 'now')) - g.density_now) <= 0.005 + 1e-9);
  const small = await page.evaluate(() => [...document.querySelectorAll('button, select, summary, [role=slider]')]
    .filter((e) => e.offsetParent && (e.getBoundingClientRect().height < 24 || e.getBoundingClientRect().width < 24))
    .map((e) => e.outerHTML.slice(0, 80)));
  assert.deepEqual(small, []);
  await page.context().close();
});

test('on a phone the first screen holds the plan and the numbered map', async (t) => {
  const page = await open(report('lock'), {viewport: {width: 390, height: 844}, hasTouch: true, isMobile: true, deviceScaleFactor: 2});
  const box = (what) => page.locator(what).boundingBox();
  for (const stage of await page.locator('.stage').all()) {
    const b = await stage.boundingBox();
    assert.ok(b.y + b.height <= 844, `a stage ends at ${b.y + b.height}`);
  }
  const map = await box('.glance-map .stack');
  t.diagnostic(`map from ${Math.round(map.y)} to ${Math.round(map.y + map.height)} of 844 px`);
  assert.ok(map.y + map.height <= 844 + 0.25 * map.height, 'at least three quarters of the map');
  const regions = report('lock').plan.regions.length;
  const numbers = await page.locator('.glance-map .numbers text').evaluateAll((ts) => ts.map((x) => {
    const b = x.getBoundingClientRect();
    return {x0: b.left, x1: b.right, y0: b.top, y1: b.bottom, em: parseFloat(x.getAttribute('font-size')) * x.getScreenCTM().a / 1};
  }));
  assert.equal(numbers.length, regions);
  for (const [i, a] of numbers.entries()) {
    assert.ok(a.em >= 10, `a number of ${a.em} px`);
    // Boxes of letters are taller than the digits: a quarter may lie over another's.
    for (const b of numbers.slice(i + 1)) {
      const wide = Math.min(a.x1, b.x1) - Math.max(a.x0, b.x0);
      const high = Math.min(a.y1, b.y1) - Math.max(a.y0, b.y0);
      assert.ok(wide <= 1 || high <= 0.4 * a.em, `numbers over each other: ${JSON.stringify([a, b])}`);
    }
  }
  const small = await page.evaluate(() => [...document.querySelectorAll('body *')]
    .filter((e) => e.offsetParent && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) && parseFloat(getComputedStyle(e).fontSize) < 12)
    .map((e) => e.outerHTML.slice(0, 80)));
  assert.deepEqual(small, []);
  await page.context().close();
});

// Kept in tests/sheets/reference; letters are pinned to one font of fonts-dejavu-core.
test('looks as kept, desktop and phone', async (t) => {
  const kept = (name) => fileURLToPath(new URL(`./reference/${name}.png`, import.meta.url));
  for (const [name, viewport, width] of [['report-desktop', {width: 1280, height: 900}, 320], ['report-phone', {width: 390, height: 844}, 160]]) {
    const page = await open(report('lock'), {viewport});
    await page.addStyleTag({content: ':root { --serif: "DejaVu Serif", serif !important; }'});
    await page.waitForTimeout(500);
    const got = await unlikeKept(browser, kept(name), await page.screenshot({fullPage: true}), width);
    t.diagnostic(`${name}: ${JSON.stringify(got)}`);
    assert.ok(!got.size, `${name}: size ${got.size}`);
    assert.ok(got.worst <= 30 && got.mean <= 2, `${name}: differs by ${got.worst} at ${got.at}, ${got.mean} on average`);
    await page.context().close();
  }
});

// The local page serves tiles: a scan of 12,000 x 9,000 pixels under the same viewer.
test('pans over a scan of 12,000 x 9,000 pixels in tiles', async (t) => {
  const page = await open(report('lock'));
  const got = await page.evaluate(async () => {
    const data = JSON.parse(document.getElementById('rebite-data').textContent);
    const tile = 512;
    const made = new Map();
    const address = (level) => (col, row) => {
      const key = [level, col, row].join();
      if (!made.has(key)) {
        const c = Object.assign(document.createElement('canvas'), {width: tile, height: tile});
        const on = c.getContext('2d');
        on.fillStyle = `hsl(${(col * 37 + row * 61) % 360} 30% 60%)`;
        on.fillRect(0, 0, tile, tile);
        made.set(key, c.toDataURL('image/jpeg', 0.8));
      }
      return made.get(key);
    };
    const level = (k) => ({px_per_mm: 80 / 2 ** k, width: 12000 >> k, height: 9000 >> k, tile: k === 5 ? 512 : tile, address: address(k)});
    data.plate = {width_mm: 150, height_mm: 112.5};
    data.layers = ['proof', 'drawing'].map((id) => ({id, name: id, about: '', levels: [5, 4, 3, 2, 1, 0].map(level)}));
    const root = document.createElement('div');
    document.querySelector('main').prepend(root);
    const viewer = Rebite.viewer(root, data, {right: 'drawing'});
    const stage = root.querySelector('.rb-stage');
    const frame = () => new Promise(requestAnimationFrame);
    await frame();
    root.querySelector('[aria-label="Full detail of the scan"]').click();
    for (let i = 0; i < 20; i++) await frame();
    const send = (type, x, y) => stage.dispatchEvent(new PointerEvent(type, {pointerId: 1, clientX: x, clientY: y, bubbles: true, button: 0}));
    stage.setPointerCapture = () => {};
    const b = stage.getBoundingClientRect();
    const frames = [];
    let most = 0;
    for (let pass = 0; pass < 2; pass++) {
      const dir = pass === 0 ? -1 : 1;
      let x = b.left + b.width / 2 - dir * 300;
      let y = b.top + 200;
      send('pointerdown', x, y);
      let before = performance.now();
      for (let i = 0; i < 60; i++) {
        x += dir * 12;
        y += dir * 4;
        send('pointermove', x, y);
        await frame();
        const now = performance.now();
        frames.push(now - before);
        before = now;
        most = Math.max(most, root.querySelectorAll('.rb-layer img').length);
      }
      send('pointerup', x, y);
    }
    frames.sort((p, q) => p - q);
    viewer.destroy();
    root.remove();
    return {median: frames[60], p95: frames[114], tiles: made.size, most};
  });
  t.diagnostic(JSON.stringify(got));
  assert.ok(got.tiles > 8, 'tiles were asked for');
  assert.ok(got.most <= 80, `${got.most} pictures at once`);
  // Loose, since the tests share the machine: smooth is 60 frames a second.
  assert.ok(got.median < 100, `${got.median} ms a frame`);
  await page.context().close();
});

test('the curve and the histogram are read', async () => {
  const r = report('lock');
  const page = await open(r);
  const curve = page.locator('#curve svg');
  await curve.scrollIntoViewIfNeeded();
  const box = await curve.boundingBox();
  await page.mouse.move(box.x + box.width * 0.5, box.y + box.height * 0.5);
  assert.match(await page.locator('#curve .rb-said').innerText(), /^\d+:\d\d in all on bare metal: tone \d\.\d\d, between \d\.\d\d and \d\.\d\d\.$/);
  assert.deepEqual(await curve.locator('.dipname').allTextContents(),
    r.plan.stages.map((s) => clock(s.total_minutes)));
  const bars = page.locator('#histogram svg');
  await bars.focus();
  await page.keyboard.press('ArrowRight');
  assert.match(await page.locator('#histogram .rb-said').innerText(), /^Gap 0\.00 to \+0\.05: \d+ % of the plate now/);
  await page.context().close();
});

test('WCAG 2.2 AA by axe-core, desktop and phone', async (t) => {
  for (const width of [1280, 390]) {
    const page = await open(report('lock'), {viewport: {width, height: 800}});
    await page.waitForTimeout(300);
    const found = await accessibility(page);
    t.diagnostic(`${width} px: ${found.passes} rules passed`);
    assert.deepEqual(found.lines, []);
    await page.context().close();
  }
});

test('colours keep the contrast that WCAG 2.2 asks for', async (t) => {
  const page = await open(report('lock'));
  const colours = await page.evaluate(() => {
    const style = getComputedStyle(document.documentElement);
    return Object.fromEntries(['paper', 'panel', 'ink', 'quiet', 'edge', 'accent', 'accent-wash'].map((n) => [n, style.getPropertyValue('--' + n).trim()]));
  });
  // Relative luminance and contrast ratio: WCAG 2.2, definitions.
  const luminance = (hex) => {
    const [r, g, b] = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (a, b) => {
    const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  colours.white = '#ffffff';
  for (const [front, back, least] of [['ink', 'paper', 7], ['quiet', 'paper', 4.5], ['quiet', 'panel', 4.5], ['accent', 'paper', 4.5],
    ['white', 'accent', 4.5], ['ink', 'accent-wash', 7], ['quiet', 'accent-wash', 4.5], ['edge', 'paper', 3]]) {
    const got = ratio(colours[front], colours[back]);
    t.diagnostic(`${front} on ${back}: ${got.toFixed(2)}`);
    assert.ok(got >= least, `${front} on ${back} ${got}`);
  }
  await page.context().close();
});

test('names that try to be markup stay text', async () => {
  const page = await open(report('hostile'));
  await page.waitForTimeout(200);
  assert.notEqual(await page.title(), 'broken');
  assert.ok((await page.locator('h1').innerText()).startsWith('</title><script>'));
  assert.equal(await page.locator('main img[src=x], main b[onclick]').count(), 0);
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('plans of other kinds', async (t) => {
  const says = {one: /1 region to bite in 1 stage/, many: /regions to bite/, none: /Nothing to bite and nothing to lower/,
    large: /regions to bite in/, unknown: /without a wedge there are no minutes/,
    short: /should be darker, but no dip that you can time is short enough/};
  for (const kind of Object.keys(says)) {
    const r = report(kind);
    const size = fs.statSync(r.file).size;
    const page = await open(r);
    await page.waitForTimeout(500);
    t.diagnostic(`${kind}: ${(size / 1e6).toFixed(2)} MB, ${r.plan.regions.length} regions`);
    assert.ok(size < 20e6, `${kind}: ${size} bytes`);
    assert.match(await page.locator('.headline').innerText(), says[kind]);
    assert.deepEqual(page.trouble, [], kind);
    await page.context().close();
  }
});

test('a large plate is seen in full scan detail', async () => {
  const page = await open(report('large'));
  const tiles = page.locator('.rb-layer img:not(.rb-whole)');
  assert.equal(await tiles.count(), 0);
  await page.getByRole('button', {name: 'Full detail'}).click();
  await page.waitForTimeout(800);
  assert.ok((await tiles.count()) > 0, 'no tile');
  // One pixel of the tile to one of the screen, or nearly.
  const scale = await tiles.first().evaluate((i) => i.naturalWidth / i.getBoundingClientRect().width);
  assert.ok(scale > 0.9 && scale < 1.1, `scale ${scale}`);
  await page.getByRole('button', {name: 'Whole plate'}).click();
  await page.waitForTimeout(300);
  assert.equal(await tiles.count(), 0, 'tiles out of use are let go');
  await page.context().close();
});

test('inches and Fahrenheit', async () => {
  const page = await open(report('lock', 'in'));
  const text = await page.locator('body').innerText();
  assert.match(text, /5\.91 × 4\.33 in/);
  assert.match(text, /68 °F/);
  assert.ok(!/\d (mm|cm²|°C)\b/.test(text), 'metric units left over: ' + /.{20}\d (mm|cm²|°C)\b/.exec(text));
  await page.context().close();
});

test('on paper the still pictures stand in for the viewer', async () => {
  const r = report('lock');
  const page = await open(r);
  await page.waitForTimeout(300);
  await page.emulateMedia({media: 'print'});
  assert.ok(!(await page.locator('#viewer').isVisible()));
  assert.ok(await page.locator('.glance-map img[data-layer=proof]').isVisible());
  assert.equal(await page.locator('#stepper ol.dips svg.dip:visible').count(), r.plan.stages.length);
  assert.ok((await page.pdf({format: 'A4'})).length > 20000);
  await page.context().close();
});
