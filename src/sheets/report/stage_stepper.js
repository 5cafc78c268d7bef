// Rebite.stageStepper(root, data, options): the plate dip by dip.
//   root      an empty element, or one that holds the figures drawn without a script (piece
//             "stages" of report_data.h), which it replaces on the screen and keeps for print.
//   data      the object of report_data.h: plate, stages, regions, layers (proof, next).
//   options   {view: 'plate', show: 'stopout'}
// Events on root (bubbling): rebite:stage {stage} (1..n), rebite:select {id}, rebite:view {view}.
// Returns {go(stage), setView('plate'|'print'), setShow('stopout'|'print'), select(id),
//   update(data), destroy()}; these fire no events.
//
// Two pictures of a stage. 'stopout': what the hand sees to do before the dip: solid = stop out now,
// light = stopped out before, white = open in the bath. 'print': what the plate would print after
// the dip: the proof, darkened by what the plan says of each region (regions[].after, the tones after
// each dip), with its own grain; broken outlines bite on.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  const make = Rebite.make;
  const svg = Rebite.svg;
  let count = 0;

  // "3, 5-9, 12": runs of three and more are joined, as on the sheets.
  function idsText(ids) {
    const sorted = ids.slice().sort((a, b) => a - b);
    const out = [];
    for (let i = 0; i < sorted.length;) {
      let j = i;
      while (j + 1 < sorted.length && sorted[j + 1] === sorted[j] + 1) j++;
      if (j - i < 2) out.push(String(sorted[i++]));
      else {
        out.push(sorted[i] + '-' + sorted[j]);
        i = j + 1;
      }
    }
    return out.join(', ');
  }

  Rebite.stageStepper = function (root, data, options) {
    const o = Object.assign({view: 'plate', show: 'stopout'}, options);
    const name = 'rbs' + ++count;
    const state = {stage: 1, view: o.view, show: o.show, selected: 0};
    let live = null;

    const W = () => data.plate.width_mm;
    const H = () => data.plate.height_mm;
    const mirrored = () => state.view === 'plate';
    const stageNow = () => data.stages[state.stage - 1];

    function kindOf(region) {
      const s = stageNow();
      if (s.still_open.includes(region.id)) return 'open';
      if (s.stop_out_before.includes(region.id) || s.number === 1) return 'now';
      return 'before';
    }
    const finished = (region) => region.stage > 0 && region.stage <= state.stage;
    const lowered = (region) => region.action === 'burnish' || region.action === 'scrape';

    function address(id) {
      const layer = data.layers.find((l) => l.id === id);
      if (!layer) return null;
      const level = layer.levels[0];
      return level.address ? level.address(0, 0) : level.tiles[0];
    }
    const use = (r, cls) => svg('use', {href: '#shape-' + r.id, class: cls, 'data-region': r.id});
    const image = (id, extra) => svg('image', Object.assign({href: address(id), width: W(), height: H(), preserveAspectRatio: 'none'}, extra));

    function stopOut(flip) {
      const first = state.stage === 1;
      flip.append(svg('rect', {width: W(), height: H(), class: first ? 'now' : 'before'}));
      for (const r of data.regions) flip.append(use(r, kindOf(r)));
    }
    const toneAfter = (r) => (r.after && r.after.length >= state.stage ? r.after[state.stage - 1] : r.now);
    // Darker by d: the light that is left times 10^-d. Laid over the picture as black; its codes go
    // with the 2.2th root of the light (sRGB, nearly).
    const veil = (d) => 1 - Math.pow(10, -d / 2.2);
    function asPrinted(flip) {
      const clip = svg('clipPath', {id: name + '-done'});
      for (const r of data.regions) if (lowered(r)) clip.append(svg('use', {href: '#shape-' + r.id}));
      flip.append(clip, image('proof'), image('next', {'clip-path': `url(#${name}-done)`}));
      for (const r of data.regions) {
        const d = lowered(r) ? 0 : toneAfter(r) - r.now;
        flip.append(svg('use', {href: '#shape-' + r.id, fill: '#000', 'fill-opacity': d > 0 ? veil(d).toFixed(3) : 0,
          'data-region': r.id, class: r.stage > state.stage ? 'goes-on' : r.stage > 0 ? 'done' : 'clear'}));
      }
    }
    // The tones of the regions that this dip bites, the selected one first.
    function tones() {
      const most = 8;
      const open = data.regions.filter((r) => stageNow().still_open.includes(r.id) && r.after_text && r.after_text.length >= state.stage);
      const chosen = data.regions.find((r) => r.id === state.selected);
      const rows = chosen && chosen.after_text && chosen.after_text.length >= state.stage
        ? [chosen, ...open.filter((r) => r !== chosen)] : open;
      live.tones.hidden = state.show === 'stopout' || rows.length === 0;
      live.tones.replaceChildren(make('caption', {}, 'Tone after this dip' + (rows.length > most ? ` (${most} of ${rows.length}; choose a region for its own)` : '')),
        make('thead', {}, make('tr', {}, ...['No.', 'After it', 'Wanted'].map((h) => make('th', {scope: 'col'}, h)))),
        make('tbody', {}, ...rows.slice(0, most).map((r) => make('tr', {}, make('th', {scope: 'row'}, String(r.id)),
          make('td', {'data-after': r.id}, r.after_text[state.stage - 1]), make('td', {}, r.target_text)))));
    }
    function numbers() {
      // 14 px on the screen, whatever the picture's size; a guess until it is laid out.
      const width = live.figure.clientWidth;
      const size = width > 0 ? (14 * W()) / width : Math.max(W(), H()) / 42;
      const g = svg('g', {class: 'numbers', 'font-size': size});
      const taken = [];
      // Where two would touch one is left out: never that of a region that is open in the bath, or
      // its neighbour's number would seem to be its own.
      const open = (r) => (state.show === 'stopout' && kindOf(r) === 'open' ? 1 : 0);
      for (const r of data.regions.slice().sort((a, b) => open(b) - open(a) || b.area_mm2 - a.area_mm2)) {
        if (state.show === 'stopout' ? kindOf(r) === 'before' : r.stage < state.stage) continue;
        const x = mirrored() ? Rebite.plateView(r.centre_mm[0], data.plate) : r.centre_mm[0];
        const y = r.centre_mm[1];
        const w = size * 0.62 * String(r.id).length;
        if (taken.some((t) => Math.abs(t.x - x) < (t.w + w) / 2 && Math.abs(t.y - y) < size)) continue;
        taken.push({x: x, y: y, w: w});
        g.append(svg('text', {x: x, y: y}, String(r.id)));
      }
      return g;
    }
    function words() {
      const s = stageNow();
      const view = mirrored() ? 'Plate view: as the metal lies, mirrored.' : 'Print view: as the proof shows it.';
      const stop = s.stop_out_before.length ? idsText(s.stop_out_before) : 'nothing more';
      return state.show === 'stopout'
        ? {view: view, what: `Before this dip stop out ${s.plain ? 'all plain parts (no number), and ' : ''}${stop}. Open in the bath: ${idsText(s.still_open) || 'nothing'}.`}
        : {view: view, what: `After this dip. Finished: ${idsText(data.regions.filter(finished).map((r) => r.id)) || 'nothing yet'}. Broken outlines: still to be bitten. Hand work is shown as it is now.`};
    }

    function draw() {
      const s = stageNow();
      const flip = svg('g', mirrored() ? {transform: `translate(${W()} 0) scale(-1 1)`} : {});
      if (state.show === 'stopout') stopOut(flip);
      else asPrinted(flip);
      const chosen = svg('use', {class: 'chosen'});
      if (state.selected) chosen.setAttribute('href', '#shape-' + state.selected);
      flip.append(chosen);
      const text = words();
      const picture = svg('svg', {class: 'dip', viewBox: `0 0 ${W()} ${H()}`, role: 'img', 'aria-label': `${text.view} ${text.what}`}, flip, numbers());
      live.figure.replaceChildren(picture);
      live.view.textContent = text.view;
      live.what.textContent = text.what;
      live.stage.textContent = `Stage ${s.number} of ${data.stages.length}`;
      live.dip.textContent = s.dip_text;
      live.total.textContent = s.total_text;
      live.back.disabled = state.stage === 1;
      live.next.disabled = state.stage === data.stages.length;
      live.stages.set(state.stage);
      live.key.hidden = state.show !== 'stopout';
      tones();
    }
    function go(stage) {
      state.stage = Math.max(1, Math.min(data.stages.length, stage));
      draw();
    }
    function chooseStage(stage) {
      go(stage);
      Rebite.tell(root, 'stage', {stage: state.stage});
    }
    function key(cls, text) {
      const box = svg('svg', {class: 'dip swatch', viewBox: '0 0 24 24', width: 24, height: 24, 'aria-hidden': 'true'},
        svg('rect', {class: cls, width: 24, height: 24}));
      return make('li', {}, box, text);
    }
    function build() {
      root.classList.add('rb-stepper');
      if (live) live.element.remove();
      live = null;
      if (data.stages.length === 0) return;
      const step = (words, by) => {
        const b = make('button', {type: 'button', class: 'rb-step'}, words);
        b.addEventListener('click', () => chooseStage(state.stage + by));
        return b;
      };
      live = {back: step('Back', -1), next: step('Next', 1), figure: make('div', {class: 'rb-dip'}),
        stage: make('h3', {}), dip: make('b', {}), total: make('b', {}), view: make('p', {class: 'rb-caption'}),
        what: make('p', {class: 'rb-what', 'aria-live': 'polite'}), tones: make('table', {class: 'rb-tones'}),
        key: make('ul', {class: 'legend'}, key('now', 'stop out now'), key('before', 'stopped out before'), key('open', 'open in the bath'))};
      live.stages = Rebite.choice('Stage', data.stages.map((s) => [s.number, String(s.number)]), state.stage, (n) => chooseStage(n));
      live.views = Rebite.choice('View', [['plate', 'Plate view'], ['print', 'Print view']], state.view,
        (v) => { state.view = v; draw(); Rebite.tell(root, 'view', {view: v}); });
      live.shows = Rebite.choice('Picture', [['stopout', 'What to stop out'], ['print', 'Tone after it']], state.show,
        (v) => { state.show = v; draw(); });
      const bar = make('div', {class: 'rb-bar'}, make('div', {class: 'rb-tools'}, live.back, live.stages.element, live.next), live.shows.element, live.views.element);
      const times = make('div', {class: 'rb-times'}, live.stage, make('p', {}, 'dip ', live.dip), make('p', {}, 'total ', live.total), live.what, live.tones, live.key);
      live.element = make('div', {class: 'rb-live'}, bar, make('div', {class: 'rb-body'}, make('div', {class: 'rb-picture'}, live.figure, live.view), times));
      root.prepend(live.element);
      go(state.stage);
    }
    const clicked = (e) => {
      const shape = e.target.closest('[data-region]');
      if (!shape || !live || !live.figure.contains(shape)) return;
      Rebite.tell(root, 'select', {id: Number(shape.dataset.region)});
    };
    root.addEventListener('click', clicked);
    const sizes = new ResizeObserver(() => { if (live) draw(); });
    sizes.observe(root);
    Rebite.piece(root, data, 'stages');
    build();
    return {
      go: go,
      setView(v) { state.view = v; if (live) { live.views.set(v); draw(); } },
      setShow(v) { state.show = v; if (live) { live.shows.set(v); draw(); } },
      select(id) { state.selected = id; if (live) draw(); },
      update(next) {
        Object.assign(data, next);
        live = null;
        root.replaceChildren();
        Rebite.piece(root, data, 'stages');
        state.stage = Math.max(1, Math.min(state.stage, data.stages.length));
        build();
      },
      destroy() { sizes.disconnect(); root.removeEventListener('click', clicked); root.replaceChildren(); },
    };
  };
})(window.Rebite);
