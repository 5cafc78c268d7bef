// The scanner: its own tone curves, from a grey scale of known densities or from a curve's file.
import {ask, dropPlace, field, follow, make, trouble} from './tools.js';

// The choice of a kept curve, as the wedge and a new state offer it; the newest is chosen.
export function scannerChoice(scanners) {
  const options = [...scanners.map((s) => [s.id, s.name]).reverse(), [0, 'none: as the files say']];
  const choice = field('Scanner curve', 'scanner', {kind: 'select', options}, 'What the scanner does to tone.');
  choice.words = choice.box.querySelector('.hint');
  choice.box.append(make('p', {class: 'hint'}, make('a', {href: '#/scanner'}, 'Measure one, or hand in its file')));
  return choice;
}

export async function scannerView(root, id) {
  if (id) return oneScanner(root, id);
  const known = await ask('/api/scanners');
  let scan = null;
  root.append(make('h1', {}, 'Scanner'),
    make('p', {}, 'Every scanner bends tone in its own way. Its curve is measured once from a grey scale of known densities, scanned with the settings of your proofs: 16 bits, no sharpening, no automatic exposure. Wedge and proofs are then read with the same curve.'));
  const list = make('ul', {class: 'batches'}, ...known.scanners.map((s) => make('li', {}, make('a', {href: `#/scanner/${s.id}`}, s.name))).reverse());
  root.append(make('h2', {}, 'Curves that are kept here'), known.scanners.length ? list : make('p', {class: 'quiet'}, 'None yet.'));

  const name = field('Name of the curve', 'name', {required: true, autocomplete: 'off', placeholder: 'flatbed 16 bit grey'});
  const densities = field('Densities of the patches', 'densities', {required: true, autocomplete: 'off', list: 'known-scales', placeholder: '0.05,0.22,0.43,0.69,1.06,1.65'},
    'In the order they lie on the scan, from either end; they are printed on the scale or in its leaflet.');
  const scales = make('datalist', {id: 'known-scales'}, ...known.scales.map((s) => make('option', {value: s})));
  const dpi = field('Resolution', 'dpi', {kind: 'number', min: 20, max: 20000, placeholder: 'as in the file'}, 'In dpi, only where the scan has none.');
  const go = make('button', {type: 'submit', class: 'button strong'}, 'Measure the scanner');
  const outcome = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const form = make('form', {class: 'form', novalidate: true},
    dropPlace('Scan of the grey scale', 'The whole scale with a little of what lies round it.', false, ([s]) => { scan = s || null; }),
    densities.box, scales, make('div', {class: 'two'}, name.box, dpi.box), make('p', {}, go), outcome);
  form.addEventListener('submit', async (e) => {
    e.preventDefault();
    if (!scan) {
      outcome.replaceChildren(trouble({message: 'The scan of the grey scale is missing.', next: 'Choose or drop it above.'}));
      return;
    }
    go.disabled = true;
    try {
      const started = await ask('/api/scanners', {scan: scan.scan, name: name.value, densities: densities.value, dpi: Number(dpi.value) || 0});
      const done = await follow(started.work, outcome);
      location.hash = `#/scanner/${done.scanner}`;
    } catch (e2) {
      outcome.replaceChildren(trouble(e2));
    }
    go.disabled = false;
  });

  const told = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const file = field('A curve’s file', 'curve', {kind: 'file', accept: '.json'}, 'NAME.scanner.json, as rebite scanner writes it.');
  file.input.addEventListener('change', async () => {
    const chosen = file.input.files[0];
    if (!chosen) return;
    try {
      if (chosen.size > 500000) throw Object.assign(new Error('That is no scanner curve.'), {next: 'Choose a file NAME.scanner.json.'});
      const done = await ask('/api/scanners/file', {name: chosen.name, text: await chosen.text()});
      location.hash = `#/scanner/${done.scanner}`;
    } catch (e) {
      told.replaceChildren(trouble(e));
    }
  });
  root.append(make('h2', {}, 'Measure one'), form, make('h2', {}, 'Hand in one'), make('div', {class: 'form drop'}, file.box), told);
}

async function oneScanner(root, id) {
  const s = await ask(`/api/scanners/${id}`);
  root.append(make('h1', {}, s.name), make('p', {class: 'quiet'}, `Scanner curve · measured at ${s.bits} bits · ${s.patches.length} patches${s.channels ? " · a curve for each of red, green and blue" : ""}`));
  const src = URL.createObjectURL(new Blob([s.curve_svg], {type: 'image/svg+xml'}));
  root.append(make('img', {class: 'curve', src, alt: `The scanner’s codes against density, ${s.patches.length} patches`}));
  if (s.notes.length) root.append(make('h2', {}, 'Notes'), make('ul', {}, ...s.notes.map((n) => make('li', {}, n))));
  root.append(make('p', {}, 'Read the wedge and every proof with it.'), make('p', {class: 'go'}, make('a', {class: 'button strong', href: '#/wedge'}, 'Measure a wedge'), ' ', make('a', {class: 'button', href: '#/scanner'}, 'All curves')));
}
