// Rebite.viewer(root, data, options): the plate as pictures that can be compared, magnified and
// read.
//   root      an empty element; the viewer fills it.
//   data      the object of report_data.h: plate, maps, regions, layers, units. A layer's tiles are
//             addresses (data URIs in the report; the page may give paths of its server) or, for
//             large levels, level.address(column, row).
//   options   {left: 'proof', right: 'regions', split: 0.5, view: 'print', panning: true}
// Events on root (bubbling), places in print view:
//   rebite:select {id}              a region was chosen (id 0: none)
//   rebite:hover {id}               the pointer is over this region (0: none)
//   rebite:point {x_mm, y_mm, id, now, target, how}   how: move|press|drag|release|key
//   rebite:view {view}              'print' or 'plate'
//   rebite:layers {left, right}     other pictures are compared
// Returns
//   select(id), hover(id)           marks a region, without an event
//   show(id)                        brings a region into sight
//   readAt(x_mm, y_mm)              puts the reading point there
//   setView(view), setSides(left, right), setSplit(0..1), fit(), zoom(factor)
//   panning(bool)                   false: a drag is left to the page (rebite:point tells it)
//   overlay                         an SVG <g> in plate millimetres that turns over with the view
//   place(clientX, clientY)         -> {x_mm, y_mm} in print view
//   update(data)                    new plan of the same plate; destroy()
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  const make = Rebite.make;
  const svg = Rebite.svg;
  let count = 0;

  // ---- one side of the comparison: tiles of one layer, in a box that is the plate ----
  function Side(data) {
    const plate = make('div', {class: 'rb-plate'});
    const element = make('div', {class: 'rb-side'}, plate);
    const shown = new Map();   // layer id -> {box, tiles: Map, layer}
    let current = null;

    function levelBox(layer) {
      const box = make('div', {class: 'rb-layer'});
      const first = layer.levels[0];
      const img = make('img', {alt: '', draggable: 'false', class: 'rb-whole', src: address(first, 0, 0)});
      box.append(img);
      plate.prepend(box);
      return {box: box, tiles: new Map(), layer: layer};
    }
    function address(level, col, row) {
      if (level.address) return level.address(col, row);
      return level.tiles[row * Math.ceil(level.width / level.tile) + col];
    }
    function show(id) {
      const layer = data.layers.find((l) => l.id === (id === 'regions' ? 'proof' : id));
      if (!layer) return;
      if (!shown.has(layer.id)) shown.set(layer.id, levelBox(layer));
      for (const [key, s] of shown) s.box.hidden = key !== layer.id;
      current = shown.get(layer.id);
      element.classList.toggle('rb-faded', id === 'regions');
    }
    // Tiles of the level that the magnification asks for, inside the seen part only.
    function refine(zoom, seen) {
      if (!current) return;
      const levels = current.layer.levels;
      const need = zoom * (window.devicePixelRatio || 1);
      let k = 0;
      while (k + 1 < levels.length && levels[k].px_per_mm < need * 0.9) k++;
      const wanted = new Set();
      if (k > 0) addTiles(levels[k], k, seen, wanted);
      for (const [key, img] of current.tiles) {
        if (wanted.has(key)) continue;
        img.remove();
        current.tiles.delete(key);
      }
    }
    function addTiles(level, k, seen, wanted) {
      const mm = level.tile / level.px_per_mm;
      const cols = Math.ceil(level.width / level.tile);
      const rows = Math.ceil(level.height / level.tile);
      for (let row = Math.max(0, Math.floor(seen.y0 / mm)); row < rows && row * mm < seen.y1; row++) {
        for (let col = Math.max(0, Math.floor(seen.x0 / mm)); col < cols && col * mm < seen.x1; col++) {
          const key = k + '/' + col + '/' + row;
          wanted.add(key);
          if (!current.tiles.has(key)) current.tiles.set(key, tile(level, col, row));
        }
      }
    }
    function tile(level, col, row) {
      const img = make('img', {alt: '', draggable: 'false', decoding: 'async', src: address(level, col, row)});
      const t = level.tile;
      const percent = (px, of) => (100 * px) / of + '%';
      img.style.left = percent(col * t, level.width);
      img.style.top = percent(row * t, level.height);
      img.style.width = percent(Math.min(t, level.width - col * t), level.width);
      img.style.height = percent(Math.min(t, level.height - row * t), level.height);
      current.box.append(img);
      return img;
    }
    return {element: element, plate: plate, show: show, refine: refine};
  }

  Rebite.viewer = function (root, data, options) {
    const o = Object.assign({left: 'proof', right: 'regions', split: 0.5, view: 'print', panning: true}, options);
    const name = 'rbv' + ++count;
    const W = data.plate.width_mm;
    const H = data.plate.height_mm;
    let maps = Rebite.plateMaps(data);
    Rebite.shapes(data);

    const state = {left: o.left, right: o.right, split: o.split, view: o.view, zoom: 1, x: 0, y: 0,
      fitZoom: 1, selected: 0, hovered: 0, point: null, panning: o.panning,
      outlines: true, numbers: true};

    // ---- parts ----
    const choices = () => data.layers.map((l) => [l.id, l.name]).concat([['regions', 'Regions']]);
    function picker(label, side) {
      const select = make('select', {'aria-label': label});
      for (const [value, words] of choices()) select.append(make('option', {value: value}, words));
      select.value = state[side];
      select.addEventListener('change', () => {
        state[side] = select.value;
        layers();
        Rebite.tell(root, 'layers', {left: state.left, right: state.right});
      });
      return select;
    }
    const leftPick = picker('Picture left of the line', 'left');
    const rightPick = picker('Picture right of the line', 'right');
    const button = (words, label, act, cls) => {
      const b = make('button', {type: 'button', 'aria-label': label, title: label, class: cls}, words);
      b.addEventListener('click', act);
      return b;
    };
    const views = Rebite.choice('View', [['print', 'Print view'], ['plate', 'Plate view']], state.view,
      (v) => { setView(v); Rebite.tell(root, 'view', {view: v}); });
    const check = (words, key) => {
      const input = make('input', {type: 'checkbox', checked: true});
      input.addEventListener('change', () => { state[key] = input.checked; overlayStyle(); });
      return make('label', {class: 'rb-check'}, input, words);
    };
    const move = (words, label, dx, dy) => button(words, label, () => panBy(dx, dy));
    const bar = make('div', {class: 'rb-bar', role: 'group', 'aria-label': 'Picture controls'},
      make('div', {class: 'rb-pick'}, leftPick, make('span', {'aria-hidden': 'true'}, '|'), rightPick),
      views.element,
      make('div', {class: 'rb-tools'},
        button('−', 'Smaller', () => zoomAt(1 / 1.5)), button('+', 'Larger', () => zoomAt(1.5)),
        button('Whole', 'Whole plate', fit), button('Full detail', 'Full detail of the scan', detail)),
      make('div', {class: 'rb-tools rb-arrows'},
        move('←', 'Move the sight left', 1, 0), move('→', 'Move the sight right', -1, 0),
        move('↑', 'Move the sight up', 0, 1), move('↓', 'Move the sight down', 0, -1)),
      make('div', {class: 'rb-tools'}, check('Outlines', 'outlines'), check('Numbers', 'numbers')));

    const left = Side(data);
    const right = Side(data);
    const flips = [];   // groups that turn over with the view
    function overlaySvg(cls) {
      const flip = svg('g', {});
      flips.push(flip);
      const element = svg('svg', {class: cls, viewBox: `0 0 ${W} ${H}`, preserveAspectRatio: 'none', 'aria-hidden': 'true'}, flip);
      return {element: element, flip: flip};
    }
    const leftFills = overlaySvg('rb-over');
    const rightFills = overlaySvg('rb-over');
    left.plate.append(leftFills.element);
    right.plate.append(rightFills.element);
    const lines = overlaySvg('rb-over rb-lines');
    const numbers = svg('g', {class: 'rb-numbers'});
    const custom = svg('g', {class: 'rb-custom'});
    lines.flip.append(custom);
    lines.element.append(numbers);
    const linesPlate = make('div', {class: 'rb-plate'}, lines.element);
    const linesSide = make('div', {class: 'rb-side rb-top'}, linesPlate);
    const cross = make('div', {class: 'rb-cross', hidden: true});
    const handle = make('div', {class: 'rb-split', role: 'slider', tabindex: '0', 'aria-orientation': 'horizontal',
      'aria-label': 'Line between the two pictures', 'aria-valuemin': '0', 'aria-valuemax': '100'});
    const caption = make('p', {class: 'rb-caption'});
    const stage = make('div', {class: 'rb-stage', tabindex: '0', role: 'application', 'aria-describedby': name + '-how',
      'aria-label': 'The plate. Arrow keys move the reading point.'},
      left.element, right.element, linesSide, cross, handle, caption);
    const reading = make('div', {class: 'rb-reading'});
    const spoken = make('p', {class: 'rb-spoken', 'aria-live': 'polite'});
    const how = make('p', {class: 'rb-how', id: name + '-how'},
      'Point or tap to read. Drag the line to compare; pinch, or Ctrl and wheel, to magnify; drag to move. ' +
      'Keys: arrows move the reading point (Shift: further), + − 0 magnify, Enter chooses the region.');
    root.replaceChildren(bar, make('div', {class: 'rb-body'}, stage, reading), how, spoken);
    root.classList.add('rb-viewer');

    // ---- regions as shapes ----
    const hatchName = (look) => `${name}-${look}`;
    const hatches = svg('defs', {});
    lines.element.prepend(hatches);
    const fills = () => [leftFills.flip, rightFills.flip];
    function drawShapes() {
      hatches.replaceChildren();
      for (const p of document.querySelectorAll('#rebite-defs pattern[id$="-flat"]')) {
        const copy = p.cloneNode(true);
        copy.id = hatchName(p.dataset.key);
        hatches.append(copy);
      }
      for (const g of fills())
        g.replaceChildren(...data.regions.map((r) =>
          svg('use', {href: '#shape-' + r.id, fill: `url(#${hatchName(r.look)})`})));
      lines.flip.replaceChildren(
        svg('g', {class: 'rb-casing'}, ...data.regions.map((r) => svg('use', {href: '#shape-' + r.id}))),
        svg('g', {class: 'rb-outline'}, ...data.regions.map((r) => svg('use', {href: '#shape-' + r.id}))),
        svg('use', {class: 'rb-hovered'}), svg('use', {class: 'rb-selected-case'}), svg('use', {class: 'rb-selected'}), custom);
      mark();
    }
    function mark() {
      for (const [cls, id] of [['rb-hovered', state.hovered], ['rb-selected', state.selected], ['rb-selected-case', state.selected]]) {
        const use = lines.flip.querySelector('.' + cls);
        if (id) use.setAttribute('href', '#shape-' + id);
        else use.removeAttribute('href');
      }
      for (const t of numbers.children)
        t.classList.toggle('rb-on', Number(t.dataset.region) === state.selected);
    }
    // Numbers keep their size on the screen; one that would lie over a larger region's is left out.
    function drawNumbers() {
      const size = 14 / state.zoom;
      const taken = [];
      const out = [];
      for (const r of data.regions.slice().sort((a, b) => b.area_mm2 - a.area_mm2)) {
        const x = state.view === 'plate' ? Rebite.plateView(r.centre_mm[0], data.plate) : r.centre_mm[0];
        const y = r.centre_mm[1];
        const w = size * (0.62 * String(r.id).length + 0.3);
        if (r.id !== state.selected &&
            taken.some((t) => Math.abs(t.x - x) < (t.w + w) / 2 && Math.abs(t.y - y) < size * 1.05)) continue;
        taken.push({x: x, y: y, w: w});
        out.push(svg('text', {x: x, y: y, 'data-region': r.id}, String(r.id)));
      }
      numbers.setAttribute('font-size', size);
      numbers.setAttribute('stroke-width', size / 4);
      numbers.replaceChildren(...out);
      mark();
    }
    function overlayStyle() {
      linesSide.classList.toggle('rb-no-lines', !state.outlines);
      linesSide.classList.toggle('rb-no-numbers', !state.numbers);
    }

    // ---- placing ----
    const mirrored = () => state.view === 'plate';
    const screenX = (x) => state.x + (mirrored() ? Rebite.plateView(x, data.plate) : x) * state.zoom;
    const screenY = (y) => state.y + y * state.zoom;
    function place(clientX, clientY) {
      const box = stage.getBoundingClientRect();
      const x = (clientX - box.left - state.x) / state.zoom;
      return {x_mm: mirrored() ? Rebite.plateView(x, data.plate) : x, y_mm: (clientY - box.top - state.y) / state.zoom};
    }
    let waiting = 0;
    let lastZoom = 0;
    function redraw() {
      if (waiting) return;
      waiting = requestAnimationFrame(() => {
        waiting = 0;
        drawNow();
      });
    }
    function drawNow() {
      const w = stage.clientWidth;
      const h = stage.clientHeight;
      if (w === 0 || h === 0 || !(state.zoom > 0)) return;   // not laid out (hidden)
      const spare = (extent, size) => Math.max(0, (extent - size) / 2);
      const kept = (at, extent, size) => Math.min(spare(extent, size) + Math.min(40, size * 0.1),
        Math.max(at, extent - size - spare(extent, size) - Math.min(40, size * 0.1)));
      state.x = W * state.zoom <= w ? (w - W * state.zoom) / 2 : kept(state.x, w, W * state.zoom);
      state.y = H * state.zoom <= h ? (h - H * state.zoom) / 2 : kept(state.y, h, H * state.zoom);
      for (const p of [left.plate, right.plate, linesPlate]) {
        p.style.transform = `translate(${state.x}px, ${state.y}px)`;
        if (lastZoom !== state.zoom) {
          p.style.width = W * state.zoom + 'px';
          p.style.height = H * state.zoom + 'px';
        }
      }
      if (lastZoom !== state.zoom) zoomed();
      const cut = Math.round(state.split * w);
      left.element.style.clipPath = `inset(0 ${w - cut}px 0 0)`;
      right.element.style.clipPath = `inset(0 0 0 ${cut}px)`;
      handle.style.transform = `translateX(${cut}px)`;
      const x0 = -state.x / state.zoom;
      const seen = {x0: x0, x1: x0 + w / state.zoom, y0: -state.y / state.zoom, y1: (h - state.y) / state.zoom};
      if (mirrored()) [seen.x0, seen.x1] = [W - seen.x1, W - seen.x0];
      const cutMm = (cut - state.x) / state.zoom;
      const within = (a, b) => mirrored() ? {...seen, x0: Math.max(seen.x0, W - b), x1: Math.min(seen.x1, W - a)}
        : {...seen, x0: Math.max(seen.x0, a), x1: Math.min(seen.x1, b)};
      left.refine(state.zoom, within(-1e9, cutMm));
      right.refine(state.zoom, within(cutMm, 1e9));
      stage.classList.toggle('rb-zoomed', state.zoom > state.fitZoom * 1.01);
      if (state.point) {
        cross.style.transform = `translate(${screenX(state.point.x_mm)}px, ${screenY(state.point.y_mm)}px)`;
      }
    }
    function zoomed() {
      lastZoom = state.zoom;
      const scale = (mirrored() ? 'scale(-1 1) ' : '') + `scale(${1 / state.zoom})`;
      for (const p of hatches.children)
        p.setAttribute('patternTransform', `${scale} rotate(${p.dataset.turn})`);
      drawNumbers();
    }
    function zoomAt(factor, clientX, clientY) {
      const box = stage.getBoundingClientRect();
      const at = state.point && clientX === undefined
        ? [screenX(state.point.x_mm), screenY(state.point.y_mm)]
        : clientX === undefined ? [stage.clientWidth / 2, stage.clientHeight / 2]
        : [clientX - box.left, clientY - box.top];
      const finest = Math.max(...data.layers.map((l) => l.levels[l.levels.length - 1].px_per_mm));
      const zoom = Math.max(state.fitZoom, Math.min(finest * 6, state.zoom * factor));
      state.x = at[0] - ((at[0] - state.x) * zoom) / state.zoom;
      state.y = at[1] - ((at[1] - state.y) * zoom) / state.zoom;
      state.zoom = zoom;
      redraw();
    }
    function detail() {
      const fine = data.layers.find((l) => l.id === 'proof') || data.layers[0];
      zoomAt(fine.levels[fine.levels.length - 1].px_per_mm / (window.devicePixelRatio || 1) / state.zoom);
    }
    function fit() {
      state.fitZoom = Math.min(stage.clientWidth / W, stage.clientHeight / H);
      state.zoom = state.fitZoom;
      redraw();
    }
    function panBy(dx, dy) {
      state.x += (dx * stage.clientWidth) / 4;
      state.y += (dy * stage.clientHeight) / 4;
      redraw();
    }
    function resized() {
      if (stage.clientWidth === 0) return;
      const whole = !(state.zoom > state.fitZoom * 1.01);
      stage.style.height = '';
      const high = Math.min(window.innerHeight * 0.78, (stage.clientWidth * H) / W);
      stage.style.height = Math.max(220, Math.round(high)) + 'px';
      state.fitZoom = Math.min(stage.clientWidth / W, stage.clientHeight / H);
      if (whole) state.zoom = state.fitZoom;
      redraw();
    }

    // ---- what is shown ----
    function nameOf(id) {
      const found = choices().find(([value]) => value === id);
      return found ? found[1] : id;
    }
    function layers() {
      left.show(state.left);
      right.show(state.right);
      leftFills.element.style.display = state.left === 'regions' ? '' : 'none';
      rightFills.element.style.display = state.right === 'regions' ? '' : 'none';
      leftPick.value = state.left;
      rightPick.value = state.right;
      say();
      redraw();
    }
    function say() {
      const percent = Math.round(state.split * 100);
      handle.setAttribute('aria-valuenow', percent);
      handle.setAttribute('aria-valuetext', `${percent} % ${nameOf(state.left)}, the rest ${nameOf(state.right)}`);
      caption.textContent = mirrored() ? 'Plate view: as the metal lies, mirrored' : 'Print view: as the proof shows it';
    }
    function setView(view) {
      state.view = view;
      views.set(view);
      for (const g of flips) {
        if (mirrored()) g.setAttribute('transform', `translate(${W} 0) scale(-1 1)`);
        else g.removeAttribute('transform');
      }
      stage.classList.toggle('rb-mirrored', mirrored());
      state.x = stage.clientWidth - state.x - W * state.zoom;
      lastZoom = 0;
      say();
      showReading();
      redraw();
    }
    function setSplit(share) {
      state.split = Math.max(0, Math.min(1, share));
      say();
      redraw();
    }

    // ---- reading ----
    const mmPer = data.units.mm_per_unit;
    const digits = mmPer === 1 ? 1 : 2;
    const at = (mm) => (mm / mmPer).toFixed(digits);
    const tone = (d) => (d === null ? 'not seen' : d.toFixed(2).replace('-0.00', '0.00'));
    function readingTable(here, region) {
      const columns = [];
      if (here) columns.push(['here', 'Here', {now: tone(here.now), target: tone(here.target), predicted: region ? '' : 'as now'}]);
      if (region) columns.push(['region', 'Region ' + region.id,
        {now: region.now_text, target: region.target_text, predicted: region.predicted_text, gap: region.gap_text}]);
      const body = make('tbody', {});
      for (const [what, words] of [['now', 'Now'], ['target', 'Wanted'], ['predicted', 'Predicted'], ['gap', 'Gap']]) {
        if (what === 'gap' && !region) continue;
        body.append(make('tr', {}, make('th', {scope: 'row'}, words),
          ...columns.map(([of, , values]) => make('td', {'data-of': of, 'data-read': what}, values[what] || ''))));
      }
      const head = make('tr', {}, make('td', {}), ...columns.map(([, words]) => make('th', {scope: 'col'}, words)));
      return make('table', {}, make('thead', {}, head), body);
    }
    function showReading() {
      const p = state.point;
      const here = p ? maps.at(p.x_mm, p.y_mm) : null;
      const region = maps.region(here ? here.id : state.selected);
      if (!here && !region) {
        reading.replaceChildren(make('p', {class: 'rb-where'}, 'Point at the plate to read its tones.'));
        return;
      }
      const parts = [];
      if (here) {
        const shownX = mirrored() ? Rebite.plateView(p.x_mm, data.plate) : p.x_mm;
        parts.push(make('p', {class: 'rb-where'}, `${at(shownX)} across, ${at(p.y_mm)} down (${data.units.length}, ${mirrored() ? 'plate' : 'print'} view)`));
      }
      parts.push(make('h3', {}, region ? `${region.id} · ${region.action_text}` : 'Hold'));
      parts.push(make('p', {class: 'rb-advice'}, region ? region.advice : 'No change is wanted here: it stays stopped out.'));
      if (region && region.time_text) parts.push(make('p', {}, 'Its own time ' + region.time_text));
      parts.push(readingTable(here, region));
      reading.replaceChildren(...parts);
    }
    function readAt(x, y, how) {
      state.point = {x_mm: Math.max(0, Math.min(W, x)), y_mm: Math.max(0, Math.min(H, y))};
      cross.hidden = false;
      showReading();
      const here = maps.at(state.point.x_mm, state.point.y_mm);
      hoverFrom(here.id);
      Rebite.tell(root, 'point', Object.assign({how: how || 'key'}, state.point, here));
      redraw();
      return here;
    }
    function hoverFrom(id) {
      if (id === state.hovered) return;
      hover(id);
      Rebite.tell(root, 'hover', {id: id});
    }
    function hover(id) {
      state.hovered = id;
      mark();
    }
    function select(id) {
      state.selected = maps.region(id) ? id : 0;
      drawNumbers();
      showReading();
    }
    function choose(id) {
      select(id);
      Rebite.tell(root, 'select', {id: id});
    }
    function show(id) {
      const r = maps.region(id);
      if (!r) return;
      state.point = {x_mm: r.centre_mm[0], y_mm: r.centre_mm[1]};
      cross.hidden = false;
      const x = screenX(r.centre_mm[0]);
      const y = screenY(r.centre_mm[1]);
      if (x < 30 || y < 30 || x > stage.clientWidth - 30 || y > stage.clientHeight - 30) {
        state.x += stage.clientWidth / 2 - x;
        state.y += stage.clientHeight / 2 - y;
      }
      showReading();
      redraw();
    }
    function speak() {
      const here = state.point && maps.at(state.point.x_mm, state.point.y_mm);
      if (!here) return;
      const r = maps.region(here.id);
      spoken.textContent = r ? `Region ${r.id}, ${r.action_text}. Now ${r.now_text}, wanted ${r.target_text}, predicted ${r.predicted_text}.`
        : `Hold. Now ${tone(here.now)}, wanted ${tone(here.target)}.`;
    }

    // ---- hands: pointer, wheel, keys ----
    const down = new Map();
    let travelled = 0;
    let pinch = null;
    const onHandle = (e) => handle.contains(e.target);
    function spread() {
      const [a, b] = [...down.values()];
      return {far: Math.hypot(a.x - b.x, a.y - b.y), x: (a.x + b.x) / 2, y: (a.y + b.y) / 2};
    }
    function pressed(e) {
      if (e.button > 0) return;
      down.set(e.pointerId, {x: e.clientX, y: e.clientY, handle: onHandle(e)});
      travelled = 0;
      stage.setPointerCapture(e.pointerId);
      if (onHandle(e)) handle.focus();
      if (down.size === 2) pinch = spread();
      if (!state.panning && !onHandle(e)) tellPoint(e, 'press');
    }
    function tellPoint(e, how) {
      const p = place(e.clientX, e.clientY);
      Rebite.tell(root, 'point', Object.assign({how: how}, p, maps.at(p.x_mm, p.y_mm) || {id: 0, now: null, target: null}));
    }
    function moved(e) {
      const from = down.get(e.pointerId);
      if (!from) {
        if (e.pointerType === 'mouse') pointTo(e, 'move');
        return;
      }
      const dx = e.clientX - from.x;
      const dy = e.clientY - from.y;
      travelled += Math.hypot(dx, dy);
      from.x = e.clientX;
      from.y = e.clientY;
      if (from.handle && travelled <= 4) return;
      if (from.handle) return setSplit((e.clientX - stage.getBoundingClientRect().left) / stage.clientWidth);
      if (down.size === 2) return pinched();
      if (!state.panning) return tellPoint(e, 'drag');
      if (travelled > 4) {
        state.x += dx;
        state.y += dy;
        redraw();
      }
    }
    function pinched() {
      const next = spread();
      state.x += next.x - pinch.x;
      state.y += next.y - pinch.y;
      if (pinch.far > 0) zoomAt(next.far / pinch.far, next.x, next.y);
      pinch = next;
    }
    function pointTo(e, how) {
      const p = place(e.clientX, e.clientY);
      if (!maps.at(p.x_mm, p.y_mm)) return null;
      return readAt(p.x_mm, p.y_mm, how);
    }
    function released(e) {
      const from = down.get(e.pointerId);
      down.delete(e.pointerId);
      if (!from || e.type === 'pointercancel') return;
      if (from.handle && travelled > 4) return;
      if (!state.panning && !from.handle) return tellPoint(e, 'release');
      if (travelled <= 4 && down.size === 0) {
        const here = pointTo(e, 'press');
        if (here) choose(here.id);
      }
    }
    stage.addEventListener('pointerdown', pressed);
    stage.addEventListener('pointermove', moved);
    stage.addEventListener('pointerup', released);
    stage.addEventListener('pointercancel', released);
    stage.addEventListener('pointerleave', () => { if (down.size === 0) hoverFrom(0); });
    stage.addEventListener('wheel', (e) => {
      if (!e.ctrlKey && !e.metaKey) return;
      e.preventDefault();
      zoomAt(Math.exp(-e.deltaY * 0.002), e.clientX, e.clientY);
    }, {passive: false});
    handle.addEventListener('keydown', (e) => {
      const step = {ArrowLeft: -0.02, ArrowRight: 0.02, ArrowDown: -0.02, ArrowUp: 0.02, PageDown: -0.2, PageUp: 0.2, Home: -1, End: 1}[e.key];
      if (step === undefined) return;
      e.preventDefault();
      e.stopPropagation();
      setSplit(state.split + step);
    });
    stage.addEventListener('keydown', (e) => {
      if (e.target !== stage || e.altKey || e.ctrlKey || e.metaKey) return;
      const far = e.shiftKey ? 10 : 1;
      const along = mirrored() ? -far : far;
      const p = state.point || {x_mm: W / 2, y_mm: H / 2};
      const steps = {ArrowLeft: [-along, 0], ArrowRight: [along, 0], ArrowUp: [0, -far], ArrowDown: [0, far]};
      if (steps[e.key]) {
        readAt(p.x_mm + steps[e.key][0], p.y_mm + steps[e.key][1], 'key');
        speak();
      } else if (e.key === '+' || e.key === '=') zoomAt(1.25);
      else if (e.key === '-') zoomAt(1 / 1.25);
      else if (e.key === '0') fit();
      else if (e.key === 'Enter') choose(maps.at(p.x_mm, p.y_mm).id);
      else if (e.key === 'Escape') choose(0);
      else return;
      e.preventDefault();
    });
    const sizes = new ResizeObserver(resized);
    sizes.observe(root);

    drawShapes();
    layers();
    setView(state.view);
    resized();
    showReading();
    return {
      select: select, hover: hover, show: show, readAt: readAt, setView: setView, setSplit: setSplit,
      setSides(l, r) { state.left = l; state.right = r; layers(); },
      fit: fit, zoom: (factor) => zoomAt(factor), panning(on) { state.panning = on; },
      overlay: custom, place: place,
      update(next) {
        Object.assign(data, next);
        maps = Rebite.plateMaps(data);
        Rebite.shapes(data);
        drawShapes();
        lastZoom = 0;
        select(state.selected);
        redraw();
      },
      destroy() { sizes.disconnect(); root.replaceChildren(); },
    };
  };
})(window.Rebite);
