// The whole job in headless Chromium: from an empty book to a recorded bite and the next state, on
// the samples; editing in two windows; the bath clock across a restart; WCAG; three widths.
//   node page_test.mjs REBITE SAMPLES FOLDER [PICTURES]
// With PICTURES, a picture of each view at 390, 820 and 1400 px is written there, to be looked at.
import assert from 'node:assert/strict';
import fs from 'node:fs';
import path from 'node:path';
import test, {after, before} from 'node:test';
import {launch} from '../support/browser.mjs';
import {bathTests} from './bath_steps.mjs';
import {api, changed, end, folder, go, look, openTab, pictures, sample, serve, shared} from './tabs.mjs';

before(async () => {
  fs.rmSync(folder, {recursive: true, force: true});
  fs.mkdirSync(folder, {recursive: true});
  if (pictures) fs.mkdirSync(pictures, {recursive: true});
  shared.browser = await launch();
  shared.served = await serve();
});
after(async () => {
  await shared.browser.close();
  if (shared.served) await end(shared.served);
});

let planId = 0;

test('the key is in the tab and no longer in the address; without it nothing is told', async () => {
  const page = await openTab();
  assert.ok(!page.url().includes('key='), page.url());
  await page.locator('.empty').waitFor();
  await look(page, 'plates-empty');
  const stranger = await shared.browser.newPage();
  await stranger.goto(shared.served.address.split('#')[0]);
  await stranger.locator('.trouble').waitFor();
  assert.match(await stranger.locator('.trouble').innerText(), /earlier start/);
  await stranger.close();
  await page.context().close();
});

test('the scanner is measured from a grey scale; a curve can be handed in; what is none is refused', async () => {
  const page = await openTab();
  await go(page, '#/scanner');
  await look(page, 'scanner-empty');
  await page.getByRole('button', {name: 'Measure the scanner'}).click();
  assert.match(await page.locator('.form .trouble').innerText(), /grey scale is missing/);
  await page.locator('.form .drop input').first().setInputFiles(sample('grey-scale.tif'));
  await page.getByText(/grey-scale\.tif: \d+ × \d+ px/).waitFor();
  await page.getByLabel('Name of the curve').fill('flatbed <b>test');
  await page.getByLabel('Densities of the patches').fill('0.05,0.43');
  await page.getByRole('button', {name: 'Measure the scanner'}).click();
  await page.locator('.form .outcome .trouble').waitFor();
  await page.getByLabel('Densities of the patches').fill(fs.readFileSync(sample('grey-scale.densities'), 'utf8').trim());
  await page.getByRole('button', {name: 'Measure the scanner'}).click();
  await page.locator('img.curve').waitFor({timeout: 30000});
  assert.equal(await page.locator('h1').innerText(), 'flatbed <b>test');
  await look(page, 'scanner');
  const own = page.url();
  const kept = path.join(folder, 'book-studio/scanners/1/flatbed <b>test.scanner.json');
  await go(page, '#/scanner');
  const file = page.getByLabel('A curve’s file');
  await file.setInputFiles({name: 'plan.json', mimeType: 'application/json', buffer: Buffer.from('{}')});
  await page.getByText(/this is no scanner curve/).waitFor();
  // The same curve again is not kept twice.
  await file.setInputFiles(kept);
  await page.waitForURL(own);
  await page.context().close();
});

test('a wedge is measured and named; a wrong one is refused with what to do', async () => {
  const page = await openTab();
  await go(page, '#/wedge');
  await look(page, 'wedge');
  await page.locator('.drop input').setInputFiles(sample('wedge.tif'));
  await page.getByText(/wedge\.tif: \d+ × \d+ px, 300 dpi/).waitFor();
  await page.getByLabel('Name of the batch').fill('ferric <b>test');
  await page.getByLabel('Times of the steps').fill('15,30');
  await page.getByRole('button', {name: 'Measure the wedge'}).click();
  await page.locator('.outcome .trouble').waitFor();
  assert.match(await page.locator('.outcome .trouble').innerText(), /15/);
  await page.getByLabel('Times of the steps').fill(fs.readFileSync(sample('wedge.times'), 'utf8').trim());
  await page.getByLabel('Mordant').fill('ferric chloride');
  await page.getByLabel('Temperature').fill('20C');
  await page.getByLabel('Metal').fill('copper');
  await page.getByLabel('Ground').fill('rosin');
  await page.getByRole('button', {name: 'Measure the wedge'}).click();
  await page.locator('img.curve').waitFor({timeout: 30000});
  assert.equal(await page.locator('h1').innerText(), 'ferric <b>test');
  await page.getByText('Read with the scanner curve flatbed <b>test.').waitFor();
  await look(page, 'batch');
  await page.context().close();
});

test('a new state is planned from two scans', async () => {
  const page = await openTab();
  await go(page, '#/new');
  await page.getByRole('button', {name: 'Make the plan'}).click();
  assert.match(await page.locator('.outcome .trouble').innerText(), /proof is missing/);
  await page.locator('.drop input').nth(0).setInputFiles(sample('proof-state-2.tif'));
  await page.locator('.drop input').nth(1).setInputFiles(sample('drawing-state-3.tif'));
  await page.getByText(/drawing-state-3\.tif: \d+ × \d+ px/).waitFor();
  await page.getByLabel('Plate', {exact: true}).fill('Lock <script>alert(1)</script>');
  await page.getByLabel('Size of the metal').fill('150x110');
  // The batch names its curve: it is taken by itself. Another one is refused, with what to do.
  const curve = page.getByLabel('Scanner curve');
  assert.equal(await curve.inputValue(), '1');
  await page.getByText('The wedge’s own: taken by itself.').waitFor();
  assert.ok(await page.getByLabel(/The wedge was read otherwise/).isHidden());
  await look(page, 'new-state');
  await curve.selectOption('0');
  await page.getByLabel(/The wedge was read otherwise/).waitFor();
  await page.getByRole('button', {name: 'Make the plan'}).click();
  await page.getByText(/The minutes would be wrong by a factor/).waitFor({timeout: 30000});
  await look(page, 'new-state-refused');
  await curve.selectOption('1');
  await page.getByRole('button', {name: 'Make the plan'}).click();
  await page.locator('.work progress').waitFor();
  await page.waitForFunction(() => location.hash.startsWith('#/plan/'), null, {timeout: 300000});
  await page.locator('.rb-stage').waitFor({timeout: 20000});
  planId = Number(page.url().split('/').pop());
  const told = (await api(page, `/api/plans/${planId}`)).body;
  assert.ok(told.stages.length >= 1 && told.regions.length > 3);
  assert.ok(told.desk.gap_after < told.desk.gap_before / 2);
  await page.waitForFunction(() => [...document.querySelectorAll('.rb-stage img')].every((i) => i.complete && i.naturalWidth > 0));
  await look(page, 'plan');
  await page.context().close();
});

test('the plan is changed by hand, undone, made again; plan.json has it; the original stays', async () => {
  const page = await openTab();
  await go(page, `#/plan/${planId}`);
  await page.locator('.rb-stage').waitFor();
  const before = (await api(page, `/api/plans/${planId}`)).body;
  const bitten = before.regions.filter((r) => r.action === 'bite').sort((a, b) => b.area_mm2 - a.area_mm2)[0];
  await page.locator(`.rb-table tr[data-region="${bitten.id}"] button.num`).click();
  const start = Date.now();
  await page.getByRole('button', {name: 'Hold it'}).click();
  await page.waitForFunction((id) => !location.hash.endsWith('/' + id), planId);
  const took = Date.now() - start;
  console.log(`# a change by hand took ${took} ms, from the press to the new plan`);
  const now = Number(page.url().split('/').pop());
  const held = (await api(page, `/api/plans/${now}`)).body;
  assert.equal(held.regions.find((r) => r.id === bitten.id).action, 'hold');
  assert.ok(held.desk.gap_after > before.desk.gap_after);
  assert.match(await page.locator('.banner').innerText(), /Changed by hand/);

  const saved = page.waitForEvent('download');
  await page.getByRole('button', {name: 'plan.json'}).click();
  const json = JSON.parse(fs.readFileSync(await (await saved).path(), 'utf8'));
  assert.deepEqual(json.edits, [{do: 'set', region: bitten.id, action: 'hold'}]);
  assert.equal(json.regions.find((r) => r.id === bitten.id).action, 'hold');

  await page.getByRole('button', {name: 'Undo'}).click();
  await page.waitForFunction((id) => location.hash.endsWith('/' + id), planId);
  await page.getByRole('button', {name: 'Redo'}).click();
  await page.waitForFunction((id) => location.hash.endsWith('/' + id), now);
  // Its tone: it is still chosen.
  await page.getByLabel('Tone wanted, D').fill('0.55');
  await page.getByRole('button', {name: 'Set tone'}).click();
  await page.waitForFunction((id) => !location.hash.endsWith('/' + id), now);
  const toned = (await api(page, `/api/plans/${Number(page.url().split('/').pop())}`)).body;
  assert.ok(Math.abs(toned.regions.find((r) => r.id === bitten.id).target - 0.55) < 1e-6);
  // The original can be seen, and not changed.
  await page.getByRole('link', {name: 'See the original'}).click();
  await page.getByText('This is the original plan').waitFor();
  await page.waitForFunction(() => document.querySelector('.rb-stage'));
  assert.equal((await api(page, `/api/plans/${planId}`)).body.regions.find((r) => r.id === bitten.id).action, 'bite');
  assert.ok(await page.getByRole('button', {name: 'Undo'}).isDisabled());
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('a region is cut by a drawn line, two are joined, a place is painted leave alone', async () => {
  const page = await openTab();
  const current = (await api(page, `/api/plans/${planId}`)).body.desk.current;
  await go(page, `#/plan/${current}`);
  await page.locator('.rb-stage').waitFor();
  const told = (await api(page, `/api/plans/${current}`)).body;
  const r = told.regions.slice().sort((a, b) => b.area_mm2 - a.area_mm2)[0];
  await page.locator(`.rb-table tr[data-region="${r.id}"] button.num`).click();
  await page.getByRole('button', {name: 'Cut', exact: true}).click();
  await page.locator('.rb-stage').scrollIntoViewIfNeeded();
  const box = await page.locator('.rb-top .rb-plate').boundingBox();
  const at = (x, y) => [box.x + (x / told.plate.width_mm) * box.width, box.y + (y / told.plate.height_mm) * box.height];
  // From the upper to the lower edge of the plate, through the region's middle.
  await page.mouse.move(...at(r.centre_mm[0], 0.5));
  await page.mouse.down();
  for (let k = 1; k <= 10; k++) await page.mouse.move(...at(r.centre_mm[0], 0.5 + (k * (told.plate.height_mm - 1)) / 10));
  await page.mouse.up();
  const id = await changed(page, current);
  const cut = (await api(page, `/api/plans/${id}`)).body;
  assert.ok(cut.regions.length > told.regions.length, 'cut');
  const area = (d) => d.regions.reduce((sum, x) => sum + x.area_mm2, 0);
  assert.ok(Math.abs(area(cut) - area(told)) < 1, `${area(cut)} against ${area(told)}`);
  // Joined again with a piece: by the form, as a keyboard would.
  const piece = cut.regions[cut.regions.length - 1].id;
  await page.getByRole('button', {name: 'Choose', exact: true}).click();
  assert.match(await page.locator('.one h3').innerText(), new RegExp(`^Region ${r.id} `));   // still chosen
  await page.getByLabel('Join with').selectOption(String(piece));
  await page.locator('.one').getByRole('button', {name: 'Join'}).click();
  await changed(page, id);
  const joined = (await api(page, `/api/plans/${Number(page.url().split('/').pop())}`)).body;
  assert.equal(joined.regions.length, cut.regions.length - 1);
  // Painted.
  const before = Number(page.url().split('/').pop());
  await page.getByRole('button', {name: 'Leave alone', exact: true}).click();
  await page.locator('.rb-stage').scrollIntoViewIfNeeded();
  const box2 = await page.locator('.rb-top .rb-plate').boundingBox();
  const middle = [box2.x + (r.centre_mm[0] / told.plate.width_mm) * box2.width, box2.y + (r.centre_mm[1] / told.plate.height_mm) * box2.height];
  await page.mouse.move(...middle);
  await page.mouse.down();
  await page.mouse.move(middle[0] + 12, middle[1] + 4);
  await page.mouse.up();
  await changed(page, before);
  const left = (await api(page, `/api/plans/${Number(page.url().split('/').pop())}`)).body;
  assert.ok(area(left) < area(joined) - 5, 'leave alone');
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

test('two windows change one plan: nothing is lost', async () => {
  const a = await openTab();
  const b = await openTab();
  const current = (await api(a, `/api/plans/${planId}`)).body.desk.current;
  for (const p of [a, b]) {
    await go(p, `#/plan/${current}`);
    await p.locator('.rb-stage').waitFor();
  }
  const regions = (await api(a, `/api/plans/${current}`)).body.regions.filter((r) => r.action === 'bite');
  const [x, y] = [regions[0].id, regions[1].id];
  const hold = async (p, id) => {
    await p.locator(`.rb-table tr[data-region="${id}"] button.num`).click();
    await p.getByRole('button', {name: 'Hold it'}).click();
  };
  await hold(a, x);
  await a.waitForFunction((id) => !location.hash.endsWith('/' + id), current);
  await hold(b, y);
  await b.locator('.editing .trouble').waitFor();
  assert.match(await b.locator('.editing .trouble').innerText(), /another window/);
  await b.getByRole('button', {name: 'Make mine on top of it'}).click();
  const theirs = Number(a.url().split('/').pop());
  await b.waitForFunction(([x, y]) => !location.hash.endsWith('/' + x) && !location.hash.endsWith('/' + y), [theirs, current]);
  const last = (await api(b, `/api/plans/${Number(b.url().split('/').pop())}`)).body;
  for (const id of [x, y]) assert.equal(last.regions.find((r) => r.id === id).action, 'hold');
  await a.context().close();
  await b.context().close();
});

test('every sheet of the plan can be taken: of the right kind, under its name', async () => {
  const page = await openTab();
  await go(page, `#/plan/${planId}`);
  await page.locator('.rb-stage').waitFor();
  const png = /^\x89PNG\r\n\x1a\n/;
  const sheets = [['Bench map, to print at 100 %', 'bench-map.pdf', 'application/pdf', /^%PDF-1\.\d[^]*%%EOF\s*$/],
    ['Map', 'map.png', 'image/png', png],
    ['Next proof', 'next-proof.png', 'image/png', png],
    ['Report, for another machine', 'report.html', 'text/html; charset=utf-8', /^<!doctype html>[^]*<\/html>\s*$/i],
    ['plan.json', 'plan.json', 'application/json', /^\{[^]*"regions"[^]*\}\s*$/],
    ['Map as SVG', 'map.svg', 'image/svg+xml', /<svg[^]*<\/svg>\s*$/],
    ['Regions', 'regions.png', 'image/png', png]];
  assert.deepEqual(await page.locator('.exports button').allInnerTexts(), sheets.map(([words]) => words));
  for (const [words, name, type, content] of sheets) {
    const answered = page.waitForResponse(/\/files\/\d$/);
    const saved = page.waitForEvent('download', {timeout: 60000});
    await page.locator('.exports').getByRole('button', {name: words, exact: true}).click();
    assert.equal((await answered).headers()['content-type'], type, name);
    const file = await saved;
    assert.equal(file.suggestedFilename(), name);
    const bytes = fs.readFileSync(await file.path());
    console.log(`# ${name}: ${bytes.length} bytes`);
    assert.ok(bytes.length > 1000, name);
    assert.match(bytes.toString('latin1'), content, name);
  }
  assert.deepEqual(page.trouble, []);
  await page.context().close();
});

bathTests();

test('a plan whose measures are not kept says why it cannot be changed here, and what to do', async () => {
  await end(shared.served);   // it has read them already
  const kept = path.join(folder, `book-studio/plans/${planId}`);
  fs.renameSync(kept, kept + '-away');
  shared.served = await serve();
  const page = await openTab();
  await go(page, `#/plan/${planId}`);
  const told = await page.locator('.trouble').innerText();
  assert.match(told, /cannot be shown or changed in the page.*--edit/s);
  assert.match(told, /New state/);
  page.trouble = page.trouble.filter((t) => !t.includes('404'));   // the answer that is shown
  await look(page, 'plan-not-kept');
  fs.renameSync(kept + '-away', kept);
  await page.context().close();
});

test('the next state: the proof that came of it, and the states side by side', async () => {
  const page = await openTab();
  await go(page, `#/plan/${planId}`);
  await page.locator('.rb-stage').waitFor();
  const saved = page.waitForEvent('download');
  await page.getByRole('button', {name: 'Next proof', exact: true}).click();
  const proof = path.join(folder, 'proof-state-3.png');
  await (await saved).saveAs(proof);
  await go(page, '#/new/1');
  await page.locator('.drop input').nth(0).setInputFiles(proof);
  await page.locator('.drop input').nth(1).setInputFiles(sample('drawing-state-3.tif'));
  await page.getByText(/drawing-state-3\.tif: \d+ × \d+ px/).waitFor();
  assert.match(await page.getByLabel('Size of the metal').getAttribute('placeholder'), /150 × 110 mm, remembered/);
  await page.getByRole('button', {name: 'Make the plan'}).click();
  await page.waitForFunction(() => location.hash.startsWith('#/plan/'), null, {timeout: 300000});
  await go(page, '#/plate/1');
  await page.locator('.state').nth(1).waitFor();
  assert.equal(await page.locator('.state').count(), 2);
  await page.locator('.state canvas').nth(1).waitFor();
  assert.match(await page.locator('.state').first().innerText(), /Bitten, stage 1/);
  await look(page, 'plate');
  await go(page, '#/plates');
  assert.equal(await page.locator('.plates h2').innerText(), 'Lock <script>alert(1)</script>');
  await look(page, 'plates');
  await page.context().close();
});

test('Ctrl-C ends it at once', async () => {
  const start = Date.now();
  await end(shared.served);
  shared.served = null;
  assert.ok(Date.now() - start < 3000);
});
