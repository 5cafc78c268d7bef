// What the page's browser tests share: the program, its tabs, and what must hold for every view.
import assert from 'node:assert/strict';
import path from 'node:path';
import {accessibility} from '../support/browser.mjs';
import * as served from './served.mjs';

export const [rebite, samples, folder, pictures] = process.argv.slice(2);
export const book = path.join(folder, 'book.sqlite');
export const sample = (name) => path.join(samples, name);
// The browser, and the page's program that runs now (null: none).
export const shared = {browser: null, served: null};

export const serve = () => served.serve(rebite, book);
export function end(s, signal = 'SIGINT') {
  return new Promise((resolve) => {
    s.child.removeAllListeners('exit');
    s.child.on('exit', (code) => resolve(code));
    s.child.kill(signal);
  });
}
export async function openTab(options = {}) {
  const context = await shared.browser.newContext({viewport: {width: 1280, height: 900}, acceptDownloads: true, ...options});
  const page = await context.newPage();
  page.trouble = [];
  page.on('console', (m) => { if (m.type() === 'error' && !/409|400 \(/.test(m.text())) page.trouble.push(m.text()); });
  page.on('pageerror', (e) => page.trouble.push('error: ' + e.message));
  page.on('request', (r) => { if (!r.url().startsWith(shared.served.address.split('/#')[0]) && !/^(data|blob):/.test(r.url())) page.trouble.push('asked for ' + r.url()); });
  await page.goto(shared.served.address);
  await page.locator('h1').first().waitFor();
  return page;
}
// A view, and what must hold for each: no errors, no sideways scrolling, WCAG.
export async function look(page, name) {
  await page.waitForTimeout(300);
  for (const width of [390, 820, 1400]) {
    await page.setViewportSize({width, height: 900});
    await page.waitForTimeout(150);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= width, `${name}: ${wide} px of content on ${width} px`);
    const cut = await page.locator('.bath-clock').evaluateAll((all) => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent));
    assert.deepEqual(cut, [], `${name}: the clock is cut at ${width} px`);
    if (pictures) await page.screenshot({path: path.join(pictures, `${name}-${width}.png`), fullPage: true});
  }
  const checked = await accessibility(page);
  assert.deepEqual(checked.lines, [], name);
  assert.ok(checked.passes > 10);
  assert.deepEqual(page.trouble, [], name);
  await page.setViewportSize({width: 1280, height: 900});
}
export const go = async (page, hash) => {
  await page.evaluate((h) => { location.hash = h; }, hash);
  await page.waitForFunction((h) => document.body.className === 'view-' + h.split('/')[1], hash);
  await page.waitForFunction(() => document.querySelector('#main .view h1'));
};
// The plan after a change, or what it was refused for.
export async function changed(page, from) {
  await page.waitForFunction((id) => !location.hash.endsWith('/' + id) || document.querySelector('.editing .trouble'), from);
  const refused = await page.locator('.editing .trouble').allInnerTexts();
  assert.deepEqual(refused, []);
  return Number(page.url().split('/').pop());
}
export const minutes = (text) => text.replace('+', '').split(':').map(Number).reduce((a, b) => a * 60 + b, 0) / 60;
export const api = (page, address, form) => page.evaluate(async ([a, f]) => {
  const options = {headers: {'X-Rebite-Key': sessionStorage.getItem('rebite-key')}};
  if (f) Object.assign(options, {method: 'POST', body: JSON.stringify(f)}), options.headers['Content-Type'] = 'application/json';
  const r = await fetch(a, options);
  return {status: r.status, body: await r.json()};
}, [address, form]);
