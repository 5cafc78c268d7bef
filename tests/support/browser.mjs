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

// Compares a picture (PNG bytes) with a kept one, robust to how a machine draws letters: both are
// reduced to `width` pixels and grey, and means over 8 x 8 pixels are compared. Returns the largest
// and the mean difference (of 255). With REBITE_NEW_REFERENCES=1 the kept file is written instead.
export async function unlikeKept(browser, file, png, width) {
  const page = await browser.newPage();
  try {
    const make = process.env.REBITE_NEW_REFERENCES;
    const kept = make ? null : fs.readFileSync(file).toString('base64');
    const got = await page.evaluate(async ([now, old, w]) => {
      async function grey(base64, wanted) {
        const image = new Image();
        image.src = 'data:image/png;base64,' + base64;
        await image.decode();
        const h = wanted ? Math.round((image.naturalHeight * wanted) / image.naturalWidth) : image.naturalHeight;
        const canvas = Object.assign(document.createElement('canvas'), {width: wanted || image.naturalWidth, height: h});
        const on = canvas.getContext('2d', {willReadFrequently: true});
        on.imageSmoothingQuality = 'high';
        on.filter = 'grayscale(1)';
        on.drawImage(image, 0, 0, canvas.width, h);
        return {canvas, width: canvas.width, height: h, bytes: on.getImageData(0, 0, canvas.width, h).data};
      }
      const a = await grey(now, w);
      if (!old) return {png: a.canvas.toDataURL('image/png').split(',')[1]};
      const b = await grey(old, 0);
      if (a.width !== b.width || Math.abs(a.height - b.height) > 2) return {size: [a.width, a.height, b.width, b.height]};
      const block = 8;
      let worst = 0;
      let at = null;
      let sum = 0;
      let count = 0;
      const high = Math.min(a.height, b.height);
      for (let y = 0; y + block <= high; y += block / 2) {
        for (let x = 0; x + block <= a.width; x += block / 2) {
          let d = 0;
          for (let j = 0; j < block; j++)
            for (let i = 0; i < block; i++) {
              const k = 4 * ((y + j) * a.width + x + i);
              d += a.bytes[k] - b.bytes[k];
            }
          d = Math.abs(d) / (block * block);
          sum += d;
          count++;
          if (d > worst) { worst = d; at = [x, y]; }
        }
      }
      return {worst, at, mean: sum / count};
    }, [Buffer.from(png).toString('base64'), kept, width]);
    if (make) fs.writeFileSync(file, Buffer.from(got.png, 'base64'));
    return make ? {worst: 0, mean: 0} : got;
  } finally {
    await page.close();
  }
}
