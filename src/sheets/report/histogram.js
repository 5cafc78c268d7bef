// Rebite.histogram(root, data): reads the gap histogram.
//   root   an element that holds the drawn plot (piece "histogram" of report_data.h), or an empty one.
//   data   the object of report_data.h: histogram, pieces.histogram (optional).
// Events on root (bubbling): rebite:bin {from, to, before, after}.
// Returns {readBin(index), update(data), destroy()}. Keys: left and right.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  const make = Rebite.make;
  const svg = Rebite.svg;

  Rebite.histogram = function (root, data) {
    let bin = -1;
    let mark = null;
    const said = make('p', {class: 'rb-said', 'aria-live': 'polite'});

    function build() {
      Rebite.piece(root, data, 'histogram');
      root.classList.add('rb-plot');
      const plot = root.querySelector('svg');
      if (!plot) return;
      mark = svg('rect', {class: 'rb-bin', visibility: 'hidden', y: 30, height: 200});
      plot.prepend(mark);
      plot.setAttribute('tabindex', '0');
      plot.setAttribute('role', 'application');
      said.textContent = 'Point at a bar, or use the arrow keys, to read it.';
      root.append(said);
      plot.addEventListener('pointermove', pointed);
      plot.addEventListener('pointerdown', pointed);
      plot.addEventListener('keydown', keyed);
    }
    function pointed(e) {
      const box = e.currentTarget.getBoundingClientRect();
      const view = e.currentTarget.viewBox.baseVal;
      const h = data.histogram;
      const x = ((e.clientX - box.left) * view.width) / box.width;
      readBin(Math.floor(((x - h.x0) / (h.x1 - h.x0)) * h.before.length));
    }
    function keyed(e) {
      const by = {ArrowLeft: -1, ArrowRight: 1}[e.key];
      if (!by) return;
      e.preventDefault();
      readBin(bin < 0 ? Math.round(-data.histogram.from / data.histogram.step) : bin + by);
    }
    const signed = (v) => (Math.abs(v) < 0.005 ? '0.00' : (v > 0 ? '+' : '−') + Math.abs(v).toFixed(2));
    const share = (v) => (v > 0 && v < 0.005 ? 'less than 1 %' : Math.round(100 * v) + ' %');
    function readBin(index) {
      const h = data.histogram;
      if (!mark) return;
      bin = Math.max(0, Math.min(h.before.length - 1, index));
      const width = (h.x1 - h.x0) / h.before.length;
      mark.setAttribute('x', h.x0 + bin * width);
      mark.setAttribute('width', width);
      mark.removeAttribute('visibility');
      const got = {from: h.from + bin * h.step, to: h.from + (bin + 1) * h.step, before: h.before[bin], after: h.after[bin]};
      said.textContent = `Gap ${signed(got.from)} to ${signed(got.to)}: ${share(got.before)} of the plate now, ${share(got.after)} after this plan.`;
      Rebite.tell(root, 'bin', got);
    }
    build();
    return {
      readBin: readBin,
      update(next) { Object.assign(data, next); root.replaceChildren(); build(); },
      destroy() { root.replaceChildren(); },
    };
  };
})(window.Rebite);
