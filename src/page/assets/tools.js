// What all views share: asking the server, building elements, working on with progress.
export const make = window.Rebite.make;

let key = '';
export const pictures = {key: ''};

// The key comes once in the address and is then kept for this tab only.
export function takeKey() {
  const found = /[#&]key=([0-9a-f]{32})/.exec(location.hash);
  if (found) {
    sessionStorage.setItem('rebite-key', found[1]);
    history.replaceState(null, '', location.pathname + '#/plates');
  }
  key = sessionStorage.getItem('rebite-key') || '';
}

export class Refused extends Error {
  constructor(status, answer) {
    super(answer.what || 'Rebite does not answer.');
    this.status = status;
    this.next = answer.next || '';
    this.answer = answer;
  }
}

export async function ask(path, form) {
  const options = {headers: {'X-Rebite-Key': key}, cache: 'no-store'};
  if (form !== undefined) {
    options.method = 'POST';
    options.headers['Content-Type'] = 'application/json';
    options.body = JSON.stringify(form);
  }
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Refused(0, {what: 'Rebite does not answer.', next: 'Start it again (rebite page) and open the address it prints.'});
  }
  const json = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(answer.status, json);
  return json;
}

// One scan, with how much of it is over.
export function handIn(file, onShare) {
  return new Promise((resolve, reject) => {
    const x = new XMLHttpRequest();
    x.open('POST', '/api/scans');
    x.setRequestHeader('X-Rebite-Key', key);
    x.setRequestHeader('X-Rebite-Name', encodeURIComponent(file.name));
    x.upload.onprogress = (e) => { if (e.lengthComputable && onShare) onShare(e.loaded / e.total); };
    x.onload = () => {
      let json = {};
      try { json = JSON.parse(x.responseText); } catch { /* told below */ }
      if (x.status === 200) resolve(json);
      else reject(new Refused(x.status, json));
    };
    x.onerror = () => reject(new Refused(0, {what: 'The scan did not arrive.', next: 'Hand it in again; if that fails, start Rebite again.'}));
    x.send(file);
  });
}

export async function download(path, name) {
  const answer = await fetch(path, {headers: {'X-Rebite-Key': key}});
  if (!answer.ok) throw new Refused(answer.status, await answer.json().catch(() => ({})));
  const address = URL.createObjectURL(await answer.blob());
  const a = make('a', {href: address, download: name});
  document.body.append(a);
  a.click();
  a.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}

export const statePicture = (state, what) => `/pictures/${pictures.key}/states/${state}/${what}`;
export const tilePicture = (plan, layer, level, col, row) =>
  `/pictures/${pictures.key}/plans/${plan}/${layer}/${level}/${col}/${row}`;

export function say(text) {
  document.getElementById('said').textContent = text;
}

// A refusal in the page: what, then what to do.
export function trouble(error) {
  const box = make('div', {class: 'trouble', role: 'alert'}, make('p', {class: 'what'}, error.message));
  if (error.next) box.append(make('p', {}, error.next));
  return box;
}

export function button(words, act, cls) {
  const b = make('button', {type: 'button', class: cls || 'button'}, words);
  b.addEventListener('click', act);
  return b;
}

// What cannot be taken back asks for a second press. A wet finger taps twice: the first press rests
// the button (1.2 s), so that the same tap cannot be both; left alone, it forgets the first.
const REST_MS = 1200;
const FORGET_MS = 7000;
export function twice(words, sureWords, act, label) {
  let forget = 0;
  let resting = 0;
  const b = button(words, () => {
    if (resting) return;
    if (!forget) {
      b.textContent = sureWords;
      b.removeAttribute('aria-label');
      b.classList.add('sure');
      forget = setTimeout(disarm, FORGET_MS);
      rest();
    } else {
      disarm();
      act();
    }
  });
  function disarm() {
    clearTimeout(forget);
    forget = 0;
    b.textContent = words;
    b.classList.remove('sure');
    if (label) b.setAttribute('aria-label', label);
  }
  // Not `disabled`: the keyboard's focus would be lost with it.
  function rest() {
    clearTimeout(resting);
    b.setAttribute('aria-disabled', 'true');
    resting = setTimeout(() => { resting = 0; b.removeAttribute('aria-disabled'); }, REST_MS);
  }
  disarm();
  return Object.assign(b, {disarm, rest});
}

export function clock(minutes) {
  const s = Math.max(0, Math.round(minutes * 60));
  const two = (n) => String(n).padStart(2, '0');
  return s >= 3600 ? `${Math.floor(s / 3600)}:${two(Math.floor((s % 3600) / 60))}:${two(s % 60)}`
    : `${Math.floor(s / 60)}:${two(s % 60)}`;
}

export const size = (mm) => `${mm[0]} × ${mm[1]} mm`;

let fields = 0;
// A labelled field. kind: an <input> type, 'select' (options: [[value, words], ..]).
export function field(label, name, attributes, hint) {
  const id = 'f' + ++fields;
  const {kind = 'text', options = [], ...rest} = attributes || {};
  const input = kind === 'select' ? make('select', {id, name, ...rest}) : make('input', {id, name, type: kind, ...rest});
  for (const [value, words] of options) input.append(make('option', {value}, words));
  const box = make('div', {class: 'field'}, make('label', {for: id}, label), input);
  if (hint) {
    box.append(make('p', {class: 'hint', id: id + 'h'}, hint));
    input.setAttribute('aria-describedby', id + 'h');
  }
  return {box, input, get value() { return input.value.trim(); }};
}

// A place to drop or choose scans. onScans([{scan,name,..}]) when all have arrived.
export function dropPlace(label, hint, many, onScans) {
  const id = 'f' + ++fields;
  const input = make('input', {type: 'file', id, accept: '.tif,.tiff,.png,.jpg,.jpeg', multiple: many});
  const list = make('ul', {class: 'handed', 'aria-live': 'polite'});
  const box = make('div', {class: 'drop'}, make('label', {for: id}, label), make('p', {class: 'hint'}, hint), input, list);
  async function take(files) {
    const chosen = [...files].slice(0, many ? 20 : 1);
    if (chosen.length === 0) return;
    list.replaceChildren();
    const arrived = [];
    for (const file of chosen) {
      const line = make('li', {}, `${file.name}: on its way…`);
      list.append(line);
      try {
        const scan = await handIn(file, (share) => { line.textContent = `${file.name}: ${Math.round(share * 100)} %`; });
        arrived.push(scan);
        line.textContent = `${scan.name}: ${scan.width} × ${scan.height} px, ${scan.dpi ? scan.dpi + ' dpi' : 'no resolution in the file: type its dpi below'}`;
      } catch (e) {
        line.replaceChildren(trouble(e));
      }
    }
    onScans(arrived);
  }
  input.addEventListener('change', () => take(input.files));
  box.addEventListener('dragover', (e) => { e.preventDefault(); box.classList.add('over'); });
  box.addEventListener('dragleave', () => box.classList.remove('over'));
  box.addEventListener('drop', (e) => {
    e.preventDefault();
    box.classList.remove('over');
    take(e.dataTransfer.files);
  });
  return box;
}

// Follows long work in `root` until it ends. Answers its result, or throws what it was refused for.
export async function follow(id, root) {
  const bar = make('progress', {max: 1, value: 0, 'aria-label': 'How far it is'});
  const doing = make('p', {class: 'doing'}, 'waiting for its turn');
  const stop = button('Stop', () => ask(`/api/work/${id}/stop`, {}).catch(() => {}));
  root.replaceChildren(make('div', {class: 'work'}, bar, doing, stop));
  for (;;) {
    const w = await ask(`/api/work/${id}`);
    bar.value = w.fraction;
    doing.textContent = w.state === 'waiting' ? 'waiting for its turn' : w.doing;
    if (w.state === 'done') return w.result;
    if (w.state === 'refused' || w.state === 'stopped') throw new Refused(400, w.problem);
    await new Promise((r) => setTimeout(r, 250));
  }
}
