// Rebite.plateMaps(data): tones and regions of a plate by place.
//   data: the object of report_data.h ("maps", "plate", "regions").
//   Returns {at(x_mm, y_mm), region(id)}; places in print view.
//   at(): null off the plate, else {id, now, target}; id 0 = hold; now and target are densities
//   to the second decimal, or null where nothing was seen.
//
// Helpers that all components use:
//   Rebite.plateView(x_mm, plate): the same place's x in the other view (print <-> plate).
//   Rebite.tell(root, type, detail): fires the event "rebite:TYPE" on root; it bubbles.
//   Rebite.make(tag, attributes, children...): an HTML element; Rebite.svg(...): an SVG element.
//   Rebite.shapes(data): makes sure that the document holds the regions' shapes and hatches.
//   Rebite.plotReader(root, data, plot): what the plots that can be read share; see there.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  function bytes(text) {
    const raw = atob(text);
    const out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }

  function labelsOf(packed) {
    const runs = bytes(packed.runs);
    const out = new Uint16Array(packed.cols * packed.rows);
    let i = 0;
    let at = 0;
    function number() {
      let value = 0;
      let scale = 1;
      for (;;) {
        const b = runs[i++];
        value += (b % 128) * scale;
        if (b < 128) return value;
        scale *= 128;
      }
    }
    while (i < runs.length) {
      const id = number();
      const length = number();
      out.fill(id, at, at + length);
      at += length;
    }
    return out;
  }

  Rebite.plateMaps = function (data) {
    const tone = data.maps.tone;
    const grid = data.maps.labels;
    const labels = labelsOf(grid);
    const now = bytes(tone.now);
    const target = bytes(tone.target);
    const byId = new Map(data.regions.map((r) => [r.id, r]));
    const cell = (mm, n) =>
      Math.max(0, Math.min(n - 1, Math.round((mm - tone.first_mm) / tone.step_mm)));
    const density = (byte) => (byte === 255 ? null : tone.from + tone.step * byte);
    return {
      at(x, y) {
        if (!(x >= 0 && y >= 0 && x <= data.plate.width_mm && y <= data.plate.height_mm)) return null;
        const col = Math.min(grid.cols - 1, Math.floor(x * grid.px_per_mm));
        const row = Math.min(grid.rows - 1, Math.floor(y * grid.px_per_mm));
        const k = cell(y, tone.rows) * tone.cols + cell(x, tone.cols);
        return {id: labels[row * grid.cols + col], now: density(now[k]), target: density(target[k])};
      },
      region: (id) => byId.get(id) || null,
    };
  };

  // The only mirror: the plate is the print turned over left to right.
  Rebite.plateView = (x, plate) => plate.width_mm - x;

  Rebite.tell = function (root, type, detail) {
    root.dispatchEvent(new CustomEvent('rebite:' + type, {detail: detail, bubbles: true}));
  };

  function built(element, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === true) element.setAttribute(name, '');
      else if (value !== false && value != null) element.setAttribute(name, value);
    }
    element.append(...children);
    return element;
  }
  Rebite.make = (tag, attributes, ...children) =>
    built(document.createElement(tag), attributes, children);
  Rebite.svg = (tag, attributes, ...children) =>
    built(document.createElementNS('http://www.w3.org/2000/svg', tag), attributes, children);

  Rebite.shapes = function (data) {
    const old = document.getElementById('rebite-defs');
    const drawn = data.pieces && data.pieces.defs;
    if (!drawn) return;
    const holder = document.createElement('div');
    holder.innerHTML = drawn;
    if (old) old.replaceWith(holder.firstChild);
    else document.body.prepend(holder.firstChild);
  };

  // A draw of one piece into root, unless the page's text holds it already.
  Rebite.piece = function (root, data, name) {
    if (data.pieces && name in data.pieces) root.innerHTML = data.pieces[name];
  };

  // A group of buttons of which one is pressed. choices: [[value, words], ...].
  Rebite.choice = function (label, choices, chosen, onChoose) {
    const group = Rebite.make('div', {class: 'rb-choice', role: 'group', 'aria-label': label});
    const buttons = choices.map(([value, words]) => {
      const b = Rebite.make('button', {type: 'button', 'data-value': value}, words);
      b.addEventListener('click', () => {
        set(value);
        onChoose(value);
      });
      group.append(b);
      return b;
    });
    function set(value) {
      for (const b of buttons)
        b.setAttribute('aria-pressed', String(b.dataset.value === String(value)));
    }
    set(chosen);
    return {element: group, set: set};
  };

  // The share 0..1 of x along an axis {x0, x1}; may lie outside.
  Rebite.between = (axis, x) => (x - axis.x0) / (axis.x1 - axis.x0);

  // The drawn piece, the line of words below it, pointer and keys of a plot that can be read.
  //   plot: {piece      name of the piece of report_data.h, unless root holds it already
  //          hint       said before anything is read
  //          begin(svg) false where there is nothing to read, else adds its marks to the plot
  //          point(x)   reads at x, in units of the plot's viewBox
  //          key(by, far)}  reads one step on: by = -1 or 1; far: with Shift
  // Returns {say(text), update(data), destroy()}.
  Rebite.plotReader = function (root, data, plot) {
    const said = Rebite.make('p', {class: 'rb-said', 'aria-live': 'polite'});
    function build() {
      Rebite.piece(root, data, plot.piece);
      root.classList.add('rb-plot');
      const svg = root.querySelector('svg');
      if (!svg || plot.begin(svg) === false) return;
      svg.setAttribute('tabindex', '0');
      svg.setAttribute('role', 'application');
      said.textContent = plot.hint;
      root.append(said);
      for (const type of ['pointermove', 'pointerdown']) svg.addEventListener(type, pointed);
      svg.addEventListener('keydown', keyed);
    }
    function pointed(e) {
      const box = e.currentTarget.getBoundingClientRect();
      plot.point(((e.clientX - box.left) * e.currentTarget.viewBox.baseVal.width) / box.width);
    }
    function keyed(e) {
      const by = {ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1}[e.key];
      if (!by) return;
      e.preventDefault();
      plot.key(by, e.shiftKey);
    }
    build();
    return {
      say(text) { said.textContent = text; },
      update(next) { Object.assign(data, next); root.replaceChildren(); build(); },
      destroy() { root.replaceChildren(); },
    };
  };
})(window.Rebite);
