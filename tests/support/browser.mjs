// What the browser tests share: Chromium from Debian, with the network off.
import {createRequire} from 'node:module';
import path from 'node:path';
import fs from 'node:fs';

const require = createRequire(path.join(process.env.REBITE_NODE, 'here.js'));
const {chromium} = require('playwright-core');

export function launch() {
  return chromium.launch({
    executablePath: process.env.REBITE_CHROMIUM || '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-gpu', '--disable-background-networking', '--no-first-run',
      '--disable-component-update', '--disable-sync'],
  });
}

// A page that keeps what must not happen: errors, and requests that leave the disk.
export async function openPage(browser, address, options = {}) {
  const context = await browser.newContext({viewport: {width: 1280, height: 900}, ...options});
  if (!options.online) await context.setOffline(true);
  const page = await context.newPage();
  page.trouble = [];
  page.on('console', (m) => {
    if (m.type() === 'error' || m.type() === 'warning') page.trouble.push(`${m.type()}: ${m.text()}`);
  });
  page.on('pageerror', (e) => page.trouble.push('error: ' + e.message));
  page.on('request', (r) => {
    if (!options.online && !/^(file|data):/.test(r.url())) page.trouble.push('asked for ' + r.url());
  });
  await page.goto(address);
  return page;
}

// Violations of WCAG 2.2 A and AA as axe-core finds them, as readable lines.
export async function accessibility(page) {
  const source = fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
  await page.evaluate(source);
  const result = await page.evaluate(() => window.axe.run(document, {
    runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  }));
  return {
    passes: result.passes.length,
    lines: result.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${n.target.join(' ')} ${n.failureSummary}`)),
  };
}
