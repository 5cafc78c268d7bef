// The wedge: what so many minutes in this bath do.
import {ask, dropPlace, field, follow, make, trouble} from './tools.js';
import {scannerChoice} from './scanner.js';

export async function wedgeView(root) {
  let scans = [];
  const book = await ask('/api/book');
  root.append(make('h1', {}, 'Wedge'), make('p', {}, 'One wedge for each newly mixed bath: a strip of the same metal with the same ground, bitten step by step, printed as you print the plate.'));
  const name = field('Name of the batch', 'name', {required: true, autocomplete: 'off', placeholder: 'ferric november'});
  const times = field('Times of the steps', 'times', {required: true, autocomplete: 'off', placeholder: '0s,15s,30s,1min,2min,4min,8min,16min'}, 'One for each step in the order they lie, with a unit: 15s, 2.5min or 2:30.');
  const kind = field('These times are', 'kind', {kind: 'select', options: [['totals', 'totals in the bath'], ['dips', 'single dips, one after the other']]});
  const mordant = field('Mordant', 'mordant', {placeholder: 'ferric chloride'});
  const strength = field('Strength', 'strength', {placeholder: '40 Be'});
  const temperature = field('Temperature', 'temperature', {placeholder: '20C'});
  const metal = field('Metal', 'metal', {placeholder: 'copper'});
  const ground = field('Ground', 'ground', {placeholder: 'rosin'});
  const scanner = scannerChoice(book.scanners);
  scanner.words.textContent = book.scanners.length ? 'The one of the scanner and settings that these scans were made with. Proofs must be read with the same.'
    : 'Without one the files’ own profile is trusted; a measured curve is surer.';
  const dpi = field('Resolution', 'dpi', {kind: 'number', min: 20, max: 20000, placeholder: 'as in the files'}, 'In dpi, only where the scans have none.');
  const go = make('button', {type: 'submit', class: 'button strong'}, 'Measure the wedge');
  const outcome = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const form = make('form', {class: 'form', novalidate: true},
    dropPlace('Scans of the wedge', 'One print, or several of the same wedge.', true, (s) => { scans = s; }),
    name.box, times.box, kind.box, make('div', {class: 'two'}, mordant.box, strength.box), make('div', {class: 'two'}, temperature.box, metal.box), make('div', {class: 'two'}, ground.box, dpi.box), scanner.box,
    make('p', {}, go), outcome);
  form.addEventListener('submit', async (e) => {
    e.preventDefault();
    if (scans.length === 0) {
      outcome.replaceChildren(trouble({message: 'No scan of the wedge was handed in.', next: 'Choose or drop one above.'}));
      return;
    }
    go.disabled = true;
    try {
      const started = await ask('/api/wedges', {scans: scans.map((s) => s.scan), name: name.value, times: times.value, dips: kind.value === 'dips',
        mordant: mordant.value, strength: strength.value, temperature: temperature.value, metal: metal.value, ground: ground.value, scanner: Number(scanner.value), dpi: Number(dpi.value) || 0});
      const done = await follow(started.work, outcome);
      location.hash = `#/batch/${done.batch}`;
    } catch (e2) {
      outcome.replaceChildren(trouble(e2));
    }
    go.disabled = false;
  });
  root.append(form);
}

export async function batchView(root, id) {
  const b = await ask(`/api/batches/${id}`);
  root.append(make('h1', {}, b.name), make('p', {class: 'quiet'}, [b.mordant, b.strength, b.temperature_c ? b.temperature_c + ' °C' : '', b.metal, b.ground].filter(Boolean).join(' · ')));
  if (b.scanner) {
    root.append(make('p', {class: 'quiet'}, !b.scanner.recorded ? 'Scanner curve: not recorded.' : !b.scanner.curve ? 'Read without a scanner curve.'
      : `Read with the scanner curve ${b.scanner.curve}${b.scanner.id ? '' : ', which is not kept here'}.`));
  }
  if (b.curve_svg) {
    // As a picture: its own text and styles stay inside it.
    const src = URL.createObjectURL(new Blob([b.curve_svg], {type: 'image/svg+xml'}));
    root.append(make('img', {class: 'curve', src, alt: `Density against minutes: darkest ${b.darkest.toFixed(2)} D, useful until ${b.useful_until}`}));
    root.append(make('p', {}, `Useful until `, make('b', {}, b.useful_until), b.end_seen ? '' : ' (the wedge’s last step: it shows no end)', ` · darkest tone `, make('b', {}, b.darkest.toFixed(2) + ' D'), '. The band is the 90 % interval.'));
  }
  if (b.compared) root.append(make('p', {}, `${b.compared} states compared: the bath takes ${b.speed.toFixed(2)} times the wedge’s minutes.`));
  if (b.steps) {
    const body = make('tbody', {});
    for (const s of b.steps) body.append(make('tr', {}, make('td', {}, s.time), make('td', {}, s.density.toFixed(2))));
    root.append(make('table', {class: 'steps'}, make('thead', {}, make('tr', {}, make('th', {scope: 'col'}, 'Total time'), make('th', {scope: 'col'}, 'Density'))), body));
  }
  if (b.notes.length) root.append(make('h2', {}, 'Notes'), make('ul', {}, ...b.notes.map((n) => make('li', {}, n))));
  root.append(make('p', {}, make('a', {class: 'button', href: '#/new'}, 'New state')));
}
