// The book: every plate with what comes next; and one plate with its states side by side.
import {ask, button, clock, make, pictures, size, statePicture, tilePicture} from './tools.js';

export async function platesView(root) {
  const book = await ask('/api/book');
  root.append(make('h1', {}, 'Plates'));
  const list = make('ul', {class: 'plates'});
  for (const p of book.plates) {
    const picture = p.has_picture
      ? make('img', {src: statePicture(p.state_id, 'proof'), alt: `Proof of state ${p.last_state}`, loading: 'lazy'})
      : make('div', {class: 'noproof'}, 'no proof yet');
    const words = make('div', {class: 'words'}, make('h2', {}, make('a', {href: `#/plate/${p.id}`}, p.title)),
      make('p', {}, `${size(p.size_mm)} · ${p.states === 1 ? '1 state' : p.states + ' states'}${p.last_date ? ' · ' + p.last_date : ''}`),
      make('p', {class: 'next'}, 'Next: ', make('b', {}, p.next)));
    const go = make('p', {class: 'go'});
    if (p.in_bath) go.append(make('a', {class: 'button strong', href: `#/bath/${p.state_id}`}, 'To the bath'));
    else if (p.plan) go.append(make('a', {class: 'button', href: `#/plan/${p.plan}`}, 'The plan'), ' ', make('a', {class: 'button', href: `#/bath/${p.state_id}`}, 'The bath'));
    go.append(' ', make('a', {class: 'button', href: `#/new/${p.id}`}, 'New state'));
    words.append(go);
    list.append(make('li', {}, picture, words));
  }
  if (book.plates.length) root.append(list);
  else {
    root.append(make('div', {class: 'empty'},
      make('p', {}, 'The book is empty. In this order:'),
      make('ol', {}, make('li', {}, make('a', {href: '#/scanner'}, 'Measure your scanner'), ' with a grey scale, if you have one.'),
        make('li', {}, make('a', {href: '#/wedge'}, 'Measure a wedge'), ' of the bath you use: it says what so many minutes do.'),
        make('li', {}, make('a', {href: '#/new'}, 'Hand in a proof and the drawing'), ' that was painted over a second impression: the plan comes of them.'),
        make('li', {}, 'Bite by the plan, print, and hand in the next proof.'))));
  }
  root.append(make('h2', {}, 'Batches'));
  const batches = make('ul', {class: 'batches'});
  for (const b of book.batches) {
    batches.append(make('li', {}, make('a', {href: `#/batch/${b.id}`}, b.name), make('span', {class: 'quiet'},
      [b.mordant, b.strength, b.metal, b.useful_until ? `useful until ${b.useful_until}` : 'no wedge yet'].filter(Boolean).map((t) => ' · ' + t).join(''))));
  }
  root.append(book.batches.length ? batches : make('p', {class: 'quiet'}, 'None yet.'), make('p', {}, make('a', {class: 'button', href: '#/wedge'}, 'Measure a wedge')));
  root.append(make('p', {class: 'quiet'}, `Book: ${book.book}`));
}

// ---- one plate ----

// OpenSeadragon would write a style sheet into the page, which the page's rules forbid, unless it
// finds one marked so: an element of that name that is none.
const noStyle = document.createElementNS('urn:rebite', 'style');
noStyle.setAttribute('data-openseadragon-mobile-css', 'true');
document.head.append(noStyle);

// One state's pictures to magnify; all of them move together, since all lie in the plate's frame.
// `open` is called when the frame stands on the page: before that it has no size to fit into.
function magnifier(state, layer, levels, together) {
  const frame = make('div', {class: 'osd', role: 'application', 'aria-label': `State ${state.number}, ${layer}: drag to move, plus and minus to magnify`, tabindex: '0'});
  const finest = levels[levels.length - 1];
  const source = {
    width: finest.width, height: finest.height, tileSize: levels.length > 1 ? finest.tile : Math.max(finest.width, finest.height), minLevel: 0, maxLevel: levels.length - 1,
    getLevelScale: (level) => levels[level].px_per_mm / finest.px_per_mm,
    getTileWidth: (level) => levels[level].tile, getTileHeight: (level) => levels[level].tile,
    getTileUrl: (level, x, y) => tilePicture(state.plan.original, layer, level, x, y),
  };
  function open() {
    const viewer = window.OpenSeadragon({element: frame, tileSources: source, showNavigationControl: false, drawer: 'canvas',
      animationTime: 0.2, maxZoomPixelRatio: 4, visibilityRatio: 0.6, gestureSettingsMouse: {clickToZoom: false, scrollToZoom: false, dblClickToZoom: true},
      maxImageCacheCount: 120, imageLoaderLimit: 4});
    viewer.addHandler('viewport-change', () => {
      if (together.busy || !viewer.isOpen()) return;
      together.busy = true;
      for (const other of together.viewers) {
        if (other === viewer || !other.isOpen()) continue;
        other.viewport.zoomTo(viewer.viewport.getZoom(), null, true);
        other.viewport.panTo(viewer.viewport.getCenter(), true);
      }
      together.busy = false;
    });
    together.viewers.push(viewer);
  }
  return {frame, open};
}

function magnifyBar(together) {
  const all = (act) => () => { const v = together.viewers[0]; if (v && v.viewport) act(v.viewport); };
  return make('div', {class: 'rb-bar', role: 'group', 'aria-label': 'Magnify all states'},
    button('+', all((v) => v.zoomBy(1.5))), button('−', all((v) => v.zoomBy(1 / 1.5))), button('Whole plate', all((v) => v.goHome())),
    make('span', {class: 'quiet'}, 'All states move together. Print view.'));
}

async function statePart(s, layer, together) {
  const part = make('section', {class: 'state', 'aria-label': `State ${s.number}`}, make('h2', {}, `State ${s.number}`), make('p', {class: 'quiet'}, s.date));
  let levels = null;
  if (s.plan && s.plan.kept && window.OpenSeadragon) {
    levels = (await ask(`/api/plans/${s.plan.original}`).catch(() => null))?.layers.find((l) => l.id === layer)?.levels;
  }
  const magnified = levels && magnifier(s, layer, levels, together);
  if (magnified) part.append(magnified.frame);
  else if (s[layer === 'proof' ? 'has_proof' : 'has_drawing']) part.append(make('img', {class: 'plain', src: statePicture(s.id, layer), alt: `State ${s.number}: ${layer}`}));
  const facts = make('ul', {class: 'told'});
  if (s.plan) {
    const n = s.plan.stages.length;
    facts.append(make('li', {}, make('a', {href: `#/plan/${s.plan.id}`}, 'Plan'), `: ${n === 1 ? '1 stage' : n + ' stages'}${n ? ', ' + s.plan.stages[n - 1].total + ' in all' : ''}${s.plan.by_hand ? `, ${s.plan.by_hand} changes by hand` : ''}`));
    facts.append(make('li', {}, `Mean gap ${s.plan.outlook.mean_gap_before.toFixed(2)} D before, ${s.plan.outlook.mean_gap_after.toFixed(2)} D expected after`));
  }
  const entry = (words, struck) => facts.append(struck ? make('li', {}, make('s', {}, words), ' struck out') : make('li', {}, words));
  for (const b of s.bites) entry(`Bitten, stage ${b.stage}: ${b.time}${b.temperature_c ? ` at ${b.temperature_c.toFixed(1)} °C` : ''}${b.note ? ' (' + b.note + ')' : ''}`, b.struck);
  for (const l of s.lowerings) entry(`Lowered: ${l.how}${l.region ? ', region ' + l.region : ''}`, l.struck);
  part.append(facts);
  if (s.plan && s.plan.stages.length) part.append(make('p', {}, make('a', {class: 'button', href: `#/bath/${s.id}`}, 'The bath')));
  return {part, open: magnified ? magnified.open : () => {}};
}

export async function plateView(root, id) {
  const plate = await ask(`/api/plates/${id}`);
  root.append(make('h1', {}, plate.title), make('p', {class: 'quiet'}, [size(plate.size_mm), plate.metal].filter(Boolean).join(' · ')));
  const together = {viewers: [], busy: false};
  const states = make('div', {class: 'states'});
  let layer = 'proof';
  async function draw() {
    for (const v of together.viewers) v.destroy();
    together.viewers = [];
    const parts = [];
    for (const s of plate.states) parts.push(await statePart(s, layer, together));
    states.replaceChildren(...parts.map((p) => p.part));
    for (const p of parts) p.open();
  }
  const choice = window.Rebite.choice('Which picture of each state', [['proof', 'Proofs'], ['drawing', 'Drawings']], layer, (v) => { layer = v; draw(); });
  root.append(make('div', {class: 'rb-bar'}, choice.element, make('a', {class: 'button', href: `#/new/${id}`}, 'New state')), magnifyBar(together), states);
  if (plate.reached.length) {
    const far = plate.reached.map((r) => Math.abs(r.reached - r.predicted));
    root.append(make('p', {}, `Predicted and reached: ${far.length} regions compared, apart by ${(far.reduce((a, b) => a + b, 0) / far.length).toFixed(2)} D on average.`));
  }
  root.addEventListener('shown', draw, {once: true});
  return () => { for (const v of together.viewers) v.destroy(); };
}
