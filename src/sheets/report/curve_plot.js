// Rebite.curvePlot(root, data): reads the tone curve.
//   root   an element that holds the drawn plot (piece "curve" of report_data.h), or an empty one.
//   data   the object of report_data.h: curve (null: nothing to do), pieces.curve (optional).
// Events on root (bubbling): rebite:time {minutes, density, low, high}.
// Returns {readAt(minutes), update(data), destroy()}. Keys: arrows move by 5 s, Shift by 1 min.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  const svg = Rebite.svg;

  // As the program writes times: m:ss, h:mm:ss from one hour on.
  Rebite.clock = function (minutes) {
    const s = Math.round(minutes * 60);
    const two = (n) => String(n).padStart(2, '0');
    const m = Math.floor(s / 60);
    return m < 60 ? `${m}:${two(s % 60)}` : `${Math.floor(m / 60)}:${two(m % 60)}:${two(s % 60)}`;
  };

  // The value of a table at x, straight between its points; x increasing.
  function tableAt(xs, ys, x) {
    let i = 1;
    while (i < xs.length - 1 && xs[i] < x) i++;
    const share = Math.max(0, Math.min(1, (x - xs[i - 1]) / (xs[i] - xs[i - 1])));
    return ys[i - 1] + share * (ys[i] - ys[i - 1]);
  }

  Rebite.curvePlot = function (root, data) {
    let minutes = null;
    let line = null;
    let dot = null;
    const reader = Rebite.plotReader(root, data, {
      piece: 'curve',
      hint: 'Point at the curve, or use the arrow keys, to read a time.',
      begin(plot) {
        if (!data.curve) return false;
        line = svg('path', {class: 'rb-read', visibility: 'hidden'});
        dot = svg('circle', {class: 'rb-read', r: 5, visibility: 'hidden'});
        plot.append(line, dot);
        return true;
      },
      point(x) {
        const share = Rebite.between(data.curve, x);
        readAt(Math.sign(share) * share * share * data.curve.minutes_max);
      },
      key(by, far) { readAt((minutes === null ? 0 : minutes) + (by * (far ? 60 : 5)) / 60); },
    });
    function readAt(t) {
      const c = data.curve;
      if (!c || !line) return;
      minutes = Math.max(0, Math.min(c.useful_until_minutes, t));
      const read = (ys) => tableAt(c.minutes, ys, minutes);
      const got = {minutes: minutes, density: read(c.density), low: read(c.low), high: read(c.high)};
      const x = c.x0 + (c.x1 - c.x0) * Math.sqrt(minutes / c.minutes_max);
      const y = c.y0 + ((c.y1 - c.y0) * got.density) / c.density_max;
      line.setAttribute('d', `M${x} ${c.y0}V${y}H${c.x0}`);
      dot.setAttribute('cx', x);
      dot.setAttribute('cy', y);
      for (const part of [line, dot]) part.removeAttribute('visibility');
      reader.say(`${Rebite.clock(minutes)} in all on bare metal: tone ${got.density.toFixed(2)}, between ${got.low.toFixed(2)} and ${got.high.toFixed(2)}.`);
      Rebite.tell(root, 'time', got);
    }
    return {readAt: readAt, update: reader.update, destroy: reader.destroy};
  };
})(window.Rebite);
