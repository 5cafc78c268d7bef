// How the plan's view behaves with a very large scan: frame times while panning at full detail, and
// the memory of the window and of the program.
//   ninja -C build/test measure_page   or   node measure_page.mjs REBITE SAMPLES FOLDER [WIDTH]
// The pair is the samples magnified to WIDTH pixels (12,000: 12,000 x 9,478), made in FOLDER and kept
// for the next run; so is its plan. Prints what it measured as JSON.
import {spawn} from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import zlib from 'node:zlib';
import {launch} from '../support/browser.mjs';
import {serve} from './served.mjs';

const [rebite, samples, folder, wide] = process.argv.slice(2);
const width = Number(wide) || 12000;
const at = (name) => path.join(folder, name);
fs.mkdirSync(folder, {recursive: true});
const measured = {};

// ---- the samples' own kind of TIFF only: little-endian, grey, 16 bits, deflate, predictor 2 ----
function readGrey(file) {
  const d = fs.readFileSync(file);
  const ifd = d.readUInt32LE(4);
  const tags = new Map();
  for (let i = 0; i < d.readUInt16LE(ifd); i++) {
    const e = ifd + 2 + 12 * i;
    const [type, n] = [d.readUInt16LE(e + 2), d.readUInt32LE(e + 4)];
    const size = type === 3 ? 2 : 4;
    const from = n * size > 4 ? d.readUInt32LE(e + 8) : e + 8;
    tags.set(d.readUInt16LE(e), type > 4 ? [] : Array.from({length: n}, (_, k) => (size === 2 ? d.readUInt16LE(from + 2 * k) : d.readUInt32LE(from + 4 * k))));
  }
  const [w] = tags.get(256);
  const [h] = tags.get(257);
  if (tags.get(258)[0] !== 16 || tags.get(259)[0] !== 8 || tags.get(317)[0] !== 2) throw new Error(`${file}: another kind of TIFF than the samples`);
  const out = new Uint16Array(w * h);
  let row = 0;
  tags.get(273).forEach((offset, k) => {
    const raw = zlib.inflateSync(d.subarray(offset, offset + tags.get(279)[k]));
    const strip = new Uint16Array(raw.buffer, raw.byteOffset, raw.length / 2);
    for (let y = 0; y * w < strip.length; y++, row++) {
      for (let x = 0, sum = 0; x < w; x++) out[row * w + x] = sum = (sum + strip[y * w + x]) & 0xffff;
    }
  });
  return {w, h, grey: out};
}
function writeGrey(file, w, h, dpi, rows) {
  const head = Buffer.alloc(8 + 2 + 12 * 12 + 4 + 16);
  head.write('II*\0', 'latin1');
  head.writeUInt32LE(8, 4);
  const entries = [[256, 4, w], [257, 4, h], [258, 3, 16], [259, 3, 1], [262, 3, 1], [273, 4, head.length], [277, 3, 1], [278, 4, h], [279, 4, w * h * 2], [282, 5, head.length - 16], [283, 5, head.length - 8], [296, 3, 2]];
  head.writeUInt16LE(entries.length, 8);
  entries.forEach(([tag, type, value], i) => {
    head.writeUInt16LE(tag, 10 + 12 * i);
    head.writeUInt16LE(type, 12 + 12 * i);
    head.writeUInt32LE(1, 14 + 12 * i);
    head.writeUInt32LE(value, 18 + 12 * i);
  });
  for (const k of [16, 8]) { head.writeUInt32LE(Math.round(dpi * 1000), head.length - k); head.writeUInt32LE(1000, head.length - k + 4); }
  const fd = fs.openSync(file + '.part', 'w');
  fs.writeSync(fd, head);
  for (let y = 0; y < h; y++) fs.writeSync(fd, rows(y));
  fs.closeSync(fd);
  fs.renameSync(file + '.part', file);
}
function magnified(from, to, factor) {
  if (fs.existsSync(to)) return;
  const {w, h, grey} = readGrey(from);
  const W = Math.round(w * factor);
  const H = Math.round(h * factor);
  const row = new Uint16Array(W);
  const bytes = Buffer.from(row.buffer);
  writeGrey(to, W, H, 300 * factor, (y) => {
    const v = Math.max(0, Math.min(h - 1.001, (y + 0.5) / factor - 0.5));
    const y0 = Math.floor(v);
    for (let x = 0; x < W; x++) {
      const u = Math.max(0, Math.min(w - 1.001, (x + 0.5) / factor - 0.5));
      const x0 = Math.floor(u);
      const p = y0 * w + x0;
      const top = grey[p] + (grey[p + 1] - grey[p]) * (u - x0);
      const low = grey[p + w] + (grey[p + w + 1] - grey[p + w]) * (u - x0);
      row[x] = top + (low - top) * (v - y0);
    }
    return bytes;
  });
}

// ---- processes ----
const MiB = (kib) => Math.round(kib / 1024);
function memory(pid, file, key) {
  try { return Number(new RegExp(`^${key}:\\s+(\\d+)`, 'm').exec(fs.readFileSync(`/proc/${pid}/${file}`, 'utf8'))[1]); } catch { return 0; }
}
function seconds(pid) {
  try {
    const part = fs.readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1].split(' ');
    return (Number(part[11]) + Number(part[12])) / 100;
  } catch { return 0; }
}
// Runs to its end; its processor time and most memory, looked at ten times a second.
function run(words) {
  return new Promise((resolve, reject) => {
    const child = spawn(rebite, words, {stdio: ['ignore', 'ignore', 'pipe']});
    let said = '';
    const used = {seconds: 0, most_mib: 0};
    const looking = setInterval(() => {
      used.seconds = Math.max(used.seconds, seconds(child.pid));
      used.most_mib = Math.max(used.most_mib, MiB(memory(child.pid, 'status', 'VmHWM')));
    }, 100);
    child.stderr.on('data', (d) => { said += d; });
    child.on('exit', (code) => {
      clearInterval(looking);
      if (code === 0) resolve(used);
      else reject(new Error(`rebite ${words[0]} ended with ${code}: ${said}`));
    });
  });
}
// The processes that draw pages of this browser.
function renderers(browserFolder) {
  return fs.readdirSync('/proc').filter((p) => /^\d+$/.test(p)).filter((p) => {
    try {
      const line = fs.readFileSync(`/proc/${p}/cmdline`, 'utf8');
      return line.includes('--type=renderer') && (!browserFolder || line.includes(browserFolder));
    } catch { return false; }
  }).map(Number);
}

const factor = width / readGrey(path.join(samples, 'proof-state-2.tif')).w;
const [proof, drawing] = [at(`proof-${width}.tif`), at(`drawing-${width}.tif`)];
magnified(path.join(samples, 'proof-state-2.tif'), proof, factor);
magnified(path.join(samples, 'drawing-state-3.tif'), drawing, factor);
const book = at(`book-${width}.sqlite`);
if (!fs.existsSync(at(`plan-${width}.json`))) {
  fs.rmSync(book, {force: true});
  await run(['wedge', path.join(samples, 'wedge.tif'), '--times', fs.readFileSync(path.join(samples, 'wedge.times'), 'utf8').trim(), '--out', at('b.batch.json')]);
  const planned = await run(['plan', proof, drawing, '--batch', at('b.batch.json'), '--plate', '150x110', '--out', at('plan'), '--record', 'Large', '--book', book]);
  fs.writeFileSync(at(`plan-${width}.json`), JSON.stringify(planned));
}
measured.planned = JSON.parse(fs.readFileSync(at(`plan-${width}.json`), 'utf8'));

const served = await serve(rebite, book);
const before = renderers();
const browser = await launch();
try {
  const page = await (await browser.newContext({viewport: {width: 1400, height: 1000}})).newPage();
  await page.goto(served.address);
  await page.locator('.plates').waitFor();
  const cold = seconds(served.child.pid);
  const opened = Date.now();
  await page.getByRole('link', {name: 'The plan'}).first().click();
  const loaded = () => page.waitForFunction(() => {
    const all = [...document.querySelectorAll('.rb-stage img')];
    return all.length > 0 && all.every((i) => i.complete && i.naturalWidth > 0);
  });
  await loaded();
  measured.opened_ms = Date.now() - opened;
  measured.opened_program_seconds = Number((seconds(served.child.pid) - cold).toFixed(2));
  await page.getByRole('button', {name: 'Full detail of the scan'}).click();
  await page.locator('.rb-stage').scrollIntoViewIfNeeded();
  await page.waitForTimeout(500);
  await loaded();
  const box = await page.locator('.rb-stage').boundingBox();
  const [cx, cy] = [box.x + box.width / 2, box.y + Math.min(box.height, 900) / 2];
  await page.evaluate(() => {
    window.frames_ms = [];
    window.tasks_ms = [];   // the page's own work, where it held up the window for more than 50 ms
    new PerformanceObserver((list) => window.tasks_ms.push(...list.getEntries().map((e) => e.duration))).observe({type: 'longtask'});
    let last = performance.now();
    const frame = (now) => { window.frames_ms.push(now - last); last = now; window.measuring && requestAnimationFrame(frame); };
    window.measuring = true;
    requestAnimationFrame(frame);
  });
  // A hand that drags across the plate: to and fro, so that new tiles come into sight all the time.
  for (let sweep = 0; sweep < 12; sweep++) {
    const [dx, dy] = [[-1, -0.3], [-1, 0.6], [1, 0.8], [0.4, -1]][sweep % 4];
    await page.mouse.move(cx - dx * 250, cy - dy * 150);
    await page.mouse.down();
    for (let i = 1; i <= 40; i++) {
      await page.mouse.move(cx - dx * 250 + (dx * 500 * i) / 40, cy - dy * 150 + (dy * 300 * i) / 40);
      await page.waitForTimeout(16);
    }
    await page.mouse.up();
  }
  const [frames, tasks] = await page.evaluate(() => { window.measuring = false; return [window.frames_ms, window.tasks_ms]; });
  frames.shift();
  const sorted = frames.slice().sort((a, b) => a - b);
  const share = (q) => Number(sorted[Math.min(sorted.length - 1, Math.floor(q * sorted.length))].toFixed(1));
  measured.panning = {frames: frames.length, median_ms: share(0.5), p99_ms: share(0.99), worst_ms: share(1), over_100_ms: frames.filter((f) => f > 100).length,
    own_work_over_50_ms: tasks.length, own_work_worst_ms: Math.round(Math.max(0, ...tasks))};
  measured.load = Number(fs.readFileSync('/proc/loadavg', 'utf8').split(' ')[0]);
  await page.waitForTimeout(1000);
  const windows = renderers().filter((p) => !before.includes(p));
  const metrics = await (await page.context().newCDPSession(page)).send('Runtime.getHeapUsage');
  measured.window_mib = Math.max(...windows.map((p) => MiB(memory(p, 'smaps_rollup', 'Pss'))));
  measured.window_script_mib = Math.round(metrics.usedSize / 1048576);
  measured.program_mib = MiB(memory(served.child.pid, 'status', 'VmRSS'));
  measured.program_most_mib = MiB(memory(served.child.pid, 'status', 'VmHWM'));
} finally {
  await browser.close();
  served.child.removeAllListeners('exit');
  served.child.kill('SIGINT');
}
console.log(JSON.stringify(measured, null, 1));
