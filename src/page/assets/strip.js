// What is in the bath now, told on every view: a strip that leads back to the clock, with its sound.
import {ask, clock, make, say} from './tools.js';

let audio = null;
function tone(frequency, from, length) {
  const o = audio.createOscillator();
  const g = audio.createGain();
  o.frequency.value = frequency;
  g.gain.setValueAtTime(0.0001, audio.currentTime + from);
  g.gain.exponentialRampToValueAtTime(0.5, audio.currentTime + from + 0.02);
  g.gain.exponentialRampToValueAtTime(0.0001, audio.currentTime + from + length);
  o.connect(g).connect(audio.destination);
  o.start(audio.currentTime + from);
  o.stop(audio.currentTime + from + length);
}
// Only a press may switch sound on; any will do, so that a page opened again is heard too.
function wake() {
  const Context = window.AudioContext || window.webkitAudioContext;
  if (!audio && Context) audio = new Context();
  if (audio) audio.resume();
}
document.addEventListener('pointerdown', wake);
document.addEventListener('keydown', wake);
export const silent = () => !audio || audio.state !== 'running';

const SOUNDS = {
  soon: () => { tone(660, 0, 0.18); tone(660, 0.28, 0.18); },
  out: () => { for (let i = 0; i < 6; i++) tone(i % 2 ? 1320 : 990, i * 0.35, 0.3); },
};
// Once for each dip, whatever view is open: 'soon', 'out', or nothing new. `c`: {id, paused,
// target_minutes}, `left` in minutes.
const told = new Map();
export function alarm(c, left) {
  const before = told.get(c.id) || '';
  const now = c.paused ? before : left <= 0 ? 'out' : left <= 0.5 && c.target_minutes > 0.55 ? 'soon' : '';
  // A warmer or colder bath moves the end: what was told of the old one is told again.
  told.set(c.id, now);
  if (now === before || !now || (before === 'out' && now === 'soon')) return '';
  document.body.dataset.sounded = ((document.body.dataset.sounded || '') + ' ' + now).trim();
  if (audio) SOUNDS[now]();
  say(now === 'out' ? 'Out of the bath now' : '30 seconds left');
  return now;
}

// `here()`: the state whose bath is on view, which tells of itself; 0: none.
export function bathStrip(root, here) {
  let baths = [];
  let asked = 0;
  const lines = make('div', {class: 'lines'});
  // A page that was opened again may not sound before it is pressed, and must say so.
  const quiet = make('p', {class: 'silent', hidden: 'hidden'}, 'Sound is off: press anywhere to hear the end of the dip.');
  root.replaceChildren(lines, quiet);
  async function look() {
    try {
      baths = (await ask('/api/baths')).baths;
      asked = Date.now();
    } catch { /* it is asked again */ }
    draw();
  }
  const since = (b) => (b.paused ? 0 : Math.max(0, Date.now() - asked) / 60000);
  // The plate is in the bath, and only how long it is: the plan that says when to pull it is gone.
  function drawUnreadable(line, b) {
    line.classList.add('over');
    line.firstChild.textContent = `${b.plate_title}, stage ${b.stage}: when to pull it cannot be told: ${b.trouble}`;
    line.lastChild.textContent = clock(b.elapsed_minutes + since(b)) + ' in the bath';
  }
  function drawLine(line, b) {
    line.setAttribute('href', `#/bath/${b.state}`);
    if (b.trouble) return drawUnreadable(line, b);
    const rest = b.target_minutes - b.elapsed_minutes - since(b);
    line.classList.toggle('over', rest <= 0 && !b.paused);
    line.firstChild.textContent = `${b.plate_title}, stage ${b.stage}: ${b.paused ? 'out for a moment' : rest > 0 ? 'in the bath' : 'pull it now'}`;
    line.lastChild.textContent = rest > 0 ? clock(rest) + ' left' : '+' + clock(-rest);
    return alarm(b, rest);
  }
  function draw() {
    const shown = baths.filter((b) => b.state !== here());
    root.hidden = shown.length === 0;
    quiet.hidden = !silent() || shown.every((b) => b.paused || b.trouble);
    while (lines.children.length > shown.length) lines.lastChild.remove();
    shown.forEach((b, k) => {
      if (!lines.children[k]) lines.append(make('a', {}, make('span', {class: 'what'}), make('b', {})));
      drawLine(lines.children[k], b);
    });
  }
  setInterval(draw, 500);
  setInterval(look, 10000);
  document.addEventListener('visibilitychange', () => { if (document.visibilityState === 'visible') look(); });
  return look;
}
