// Rebite.histogram(root, data): reads the gap histogram.
//   root   an element that holds the drawn plot (piece "histogram" of report_data.h), or an empty one.
//   data   the object of report_data.h: histogram (null: nothing to do), pieces.histogram (optional).
// Events on root (bubbling): rebite:bin {from, to, before, after}.
// Returns {readBin(index), update(data), destroy()}. Keys: left and right.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  Rebite.histogram = function (root, data) {
    let bin = -1;
    let mark = null;
    const reader = Rebite.plotReader(root, data, {
      piece: 'histogram',
      hint: 'Point at a bar, or use the arrow keys, to read it.',
      begin(plot) {
        if (!data.histogram) return false;
        mark = Rebite.svg('rect', {class: 'rb-bin', visibility: 'hidden', y: 30, height: 200});
        plot.prepend(mark);
        return true;
      },
      point(x) { readBin(Math.floor(Rebite.between(data.histogram, x) * data.histogram.before.length)); },
      key(by) { readBin(bin < 0 ? Math.round(-data.histogram.from / data.histogram.step) : bin + by); },
    });
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
      reader.say(`Gap ${signed(got.from)} to ${signed(got.to)}: ${share(got.before)} of the plate now, ${share(got.after)} after this plan.`);
      Rebite.tell(root, 'bin', got);
    }
    return {readBin: readBin, update: reader.update, destroy: reader.destroy};
  };
})(window.Rebite);
