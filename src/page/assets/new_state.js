// A new state: a proof, a drawing, the bath; then the plan.
import {ask, dropPlace, field, follow, make, size, trouble} from './tools.js';
import {scannerChoice} from './scanner.js';

export async function newStateView(root, plateId) {
  const book = await ask('/api/book');
  const known = new Map(book.plates.map((p) => [p.title, p]));
  const chosen = book.plates.find((p) => p.id === plateId);
  const scans = {proof: null, drawing: null};
  root.append(make('h1', {}, 'New state'));

  const plate = field('Plate', 'plate', {list: 'known-plates', autocomplete: 'off', value: chosen ? chosen.title : '', required: true}, 'Its name. A name that the book does not have yet makes a new plate.');
  const names = make('datalist', {id: 'known-plates'}, ...book.plates.map((p) => make('option', {value: p.title})));
  const metal = field('Size of the metal', 'size', {placeholder: '150x110', autocomplete: 'off'}, 'Width and height: 150x110 (mm), 18x13cm or 7x5in.');
  const batch = field('Batch', 'batch', {kind: 'select', options: [...book.batches.map((b) => [b.id, b.name]).reverse(), [0, 'without a wedge: no minutes']]}, 'The bath you will bite in, as its wedge showed it.');
  const ground = field('Ground', 'ground', {kind: 'select', options: [['fresh', 'fresh: a new ground over the old tones'], ['kept', 'kept: the last ground is still on the plate']]}, 'A plate that was cleaned to be proofed needs a fresh one.');
  const temperature = field('Bath temperature', 'temperature', {placeholder: 'as the wedge’s', autocomplete: 'off'}, 'Like 19C or 66F. Leave it empty if it is as it was for the wedge.');
  const dpi = field('Resolution', 'dpi', {kind: 'number', min: 20, max: 20000, placeholder: 'as in the files'}, 'In dpi, only where the scans have none.');
  const scanner = scannerChoice(book.scanners);
  const meant = make('input', {type: 'checkbox', id: 'other-scanner', name: 'other_scanner'});
  const otherwise = make('div', {class: 'field check', hidden: 'hidden'}, make('label', {for: 'other-scanner'}, meant, ' The wedge was read otherwise, and that is meant: each as its own scanner needs it.'),
    make('p', {class: 'hint'}, 'Scans that are read otherwise than their wedge get minutes that are wrong by a factor.'));
  const own = () => (book.batches.find((b) => b.id === Number(batch.value)) || {}).scanner;
  // Said beside the choice: why this curve, or that it is not the wedge's.
  function fits() {
    const s = own();
    const alike = s && s.recorded && (s.curve ? s.id !== 0 && s.id === Number(scanner.value) : Number(scanner.value) === 0);
    otherwise.hidden = !s || !s.recorded || alike;
    meant.checked = false;
    scanner.words.textContent = !s ? 'Without a wedge only tones are compared.' : !s.recorded ? 'The batch does not say how its wedge was read: read the scans as it was read.'
      : s.curve && !s.id ? `The wedge was read with the curve ${s.curve}, which is not kept here: hand in its file first.`
      : !alike ? 'The wedge was read otherwise.' : s.curve ? 'The wedge’s own: taken by itself.' : 'The wedge was read without a curve, so these scans are too.';
  }
  function asTheWedge() {
    const s = own();
    if (s) scanner.input.value = String(s.id);
    fits();
  }
  batch.input.addEventListener('change', asTheWedge);
  scanner.input.addEventListener('change', fits);
  asTheWedge();
  const remembered = () => {
    const p = known.get(plate.value);
    metal.input.placeholder = p ? size(p.size_mm) + ', remembered' : '150x110';
    metal.input.required = !p;
  };
  plate.input.addEventListener('input', remembered);
  remembered();

  const go = make('button', {type: 'submit', class: 'button strong'}, 'Make the plan');
  const outcome = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const form = make('form', {class: 'form', novalidate: true},
    make('div', {class: 'two'},
      dropPlace('State proof', 'A scan of the plate’s last print, with bare paper round the plate mark.', false, ([s]) => { scans.proof = s || null; outcome.replaceChildren(); }),
      dropPlace('Drawing', 'A scan of the second impression that you painted over.', false, ([s]) => { scans.drawing = s || null; outcome.replaceChildren(); })),
    make('div', {class: 'two'}, plate.box, metal.box), names,
    make('div', {class: 'two'}, batch.box, ground.box),
    make('div', {class: 'two'}, make('div', {}, scanner.box, otherwise), make('div', {}, temperature.box, dpi.box)),
    make('p', {}, go), outcome);
  form.addEventListener('submit', async (e) => {
    e.preventDefault();
    outcome.replaceChildren();
    const missing = !scans.proof ? ['The proof is missing.', 'Choose or drop its scan above.']
      : !scans.drawing ? ['The drawing is missing.', 'Choose or drop its scan above.']
      : !plate.value ? ['The plate needs a name.', 'Type what you call it.'] : null;
    if (missing) {
      outcome.append(trouble({message: missing[0], next: missing[1]}));
      return;
    }
    go.disabled = true;
    try {
      const started = await ask('/api/states', {plate: plate.value, size: metal.value, proof: scans.proof.scan, drawing: scans.drawing.scan,
        batch: Number(batch.value), kept_ground: ground.value === 'kept', temperature: temperature.value, dpi: Number(dpi.value) || 0,
        scanner: Number(scanner.value), other_scanner: meant.checked && !otherwise.hidden});
      const done = await follow(started.work, outcome);
      location.hash = `#/plan/${done.plan}`;
    } catch (e2) {
      outcome.replaceChildren(trouble(e2));
    }
    go.disabled = false;
  });
  root.append(form, make('p', {class: 'quiet'}, 'The scans are kept beside the book. A plan takes about ten seconds for small scans, a minute or more for very large ones.'));
}
