// Which view is shown. The address after # is the view: #/plates, #/plate/3, #/plan/7, #/bath/2 ...
import {ask, make, pictures, say, takeKey, trouble} from './tools.js';
import {platesView, plateView} from './plates.js';
import {newStateView} from './new_state.js';
import {planView} from './plan.js';
import {wedgeView, batchView} from './wedge.js';
import {scannerView} from './scanner.js';
import {bathView} from './bath.js';
import {bathStrip} from './strip.js';

const main = document.getElementById('main');
const views = {plates: platesView, plate: plateView, new: newStateView, plan: planView, wedge: wedgeView, scanner: scannerView, batch: batchView, bath: bathView};
const lookAtBaths = bathStrip(document.getElementById('strip'), () => (/^#\/bath\//.test(location.hash) ? Number(location.hash.split('/')[2]) : 0));
let leave = null;
let turn = 0;

async function show() {
  const [, name = 'plates', id = ''] = location.hash.split('/');
  const view = views[name] || platesView;
  const mine = ++turn;
  if (leave) leave();
  leave = null;
  for (const a of document.querySelectorAll('header nav a')) {
    if (a.dataset.view === name) a.setAttribute('aria-current', 'page');
    else a.removeAttribute('aria-current');
  }
  document.body.className = 'view-' + name;
  const root = make('div', {class: 'view'});
  try {
    const left = await view(root, Number(id) || 0);
    if (mine !== turn) {
      if (left) left();
      return;
    }
    leave = left || null;
  } catch (e) {
    root.replaceChildren(make('h1', {}, 'That did not work'), trouble(e), make('p', {}, make('a', {href: '#/plates'}, 'To the plates')));
    if (mine !== turn) return;
  }
  main.replaceChildren(root);
  root.dispatchEvent(new CustomEvent('shown'));
  const head = root.querySelector('h1');
  document.title = (head ? head.textContent + ' · ' : '') + 'Rebite';
  if (head && mine > 1) {
    head.tabIndex = -1;
    head.focus({preventScroll: true});
    window.scrollTo(0, 0);
  }
  say(head ? head.textContent : '');
  lookAtBaths();
}

takeKey();
window.addEventListener('hashchange', () => {
  if (/[#&]key=/.test(location.hash)) takeKey();
  if (location.hash.startsWith('#/')) show();
});
try {
  pictures.key = (await ask('/api/keys')).picture;
  await show();
} catch (e) {
  main.replaceChildren(make('h1', {}, 'Rebite'), trouble(e));
}
