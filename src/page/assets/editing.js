// Changing a plan by hand: hold, action, tone, minutes, join, cut, leave alone; undo and redo. Every
// change is one entry more in the list that stands for the plan; the server plans again and answers.
import {ask, button, clock, field, make, say, trouble} from './tools.js';

const ACTIONS = [['bite', 'bite'], ['hold', 'hold'], ['burnish', 'burnish'], ['scrape', 'scrape, then burnish'], ['soft', 'soft: by hand'], ['line', 'line work'], ['beyond', 'beyond reach']];

// "2:30", "90s", "2.5min" to minutes; NaN when it is none of these.
export function minutesOf(text) {
  const t = text.trim().toLowerCase();
  let m = /^(?:(\d+):)?(\d+):(\d{1,2})$/.exec(t);
  if (m && Number(m[3]) < 60) return (Number(m[1] || 0) * 3600 + Number(m[2]) * 60 + Number(m[3])) / 60;
  m = /^(\d+(?:\.\d+)?)\s*(s|sec|min|m)$/.exec(t);
  if (m) return m[2].startsWith('s') ? Number(m[1]) / 60 : Number(m[1]);
  return NaN;
}

export function editor(root, data, viewer, viewerRoot, renew) {
  let region = 0;
  let tool = 'point';
  let drawn = null;
  let busy = false;
  let kept = null;   // a change that met another window's

  const said = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const tools = window.Rebite.choice('What a press on the picture does', [['point', 'Choose'], ['join', 'Join'], ['cut', 'Cut'], ['leave', 'Leave alone']], tool, setTool);
  const how = make('p', {class: 'rb-how', id: 'how-to'});
  const brush = field('Brush, mm across', 'brush', {kind: 'number', min: 0.5, max: 100, step: 0.5, value: Math.max(2, data.desk.brush_mm)});
  const undo = button('Undo', () => step('undo'));
  const redo = button('Redo', () => step('redo'));
  const back = button('Back to the original', () => send([], 'Back to the original.'));
  const chosen = make('h3', {class: 'chosen'});
  const action = field('What to do with it', 'action', {kind: 'select', options: ACTIONS});
  const tone = field('Tone wanted, D', 'tone', {kind: 'number', min: 0, max: 4, step: 0.01});
  const time = field('Time in all', 'time', {placeholder: '2:30', autocomplete: 'off'}, 'Like 2:30 or 90s. Empty: what the wedge advises.');
  const other = field('Join with', 'other', {kind: 'select'});
  const hold = button('Hold it', () => change({do: 'set', region, action: 'hold'}));
  const list = make('ol', {class: 'changes'});
  const one = make('div', {class: 'one'}, chosen,
    make('div', {class: 'row'}, action.box, button('Set', () => change({do: 'set', region, action: action.value})), hold),
    make('div', {class: 'row'}, tone.box, button('Set tone', setTone)),
    make('div', {class: 'row'}, time.box, button('Set time', setTime)),
    make('div', {class: 'row'}, other.box, button('Join', () => change({do: 'join', regions: [region, Number(other.value)]}))));
  root.replaceChildren(make('div', {class: 'rb-bar'}, tools.element, brush.box, undo, redo, back), how, said, one,
    make('details', {class: 'done-so-far'}, make('summary', {}, 'Changes so far'), list));

  function setTool(next) {
    tool = next;
    viewer.panning(tool === 'point' || tool === 'join');
    viewerRoot.classList.toggle('drawing', tool === 'cut' || tool === 'leave');
    brush.box.hidden = tool !== 'leave';
    how.textContent = {
      point: 'Press a region on the picture, in the table or by its number.',
      join: region ? `Press the neighbour that region ${region} is to be joined with.` : 'Press the first region, then its neighbour.',
      cut: region ? `Draw a line right through region ${region}: from one side to the other.` : 'Choose a region first, then draw the line.',
      leave: 'Paint over what is to be left alone.'}[tool];
  }
  async function send(edits, words) {
    if (busy) return;
    busy = true;
    said.replaceChildren();
    root.setAttribute('aria-busy', 'true');
    try {
      renew(await ask(`/api/plans/${data.desk.plan}/edits`, {edits}));
      kept = null;
      say(words);
    } catch (e) {
      if (e.status === 409) met(e, edits[edits.length - 1]);
      else said.replaceChildren(trouble(e));
    }
    busy = false;
    root.removeAttribute('aria-busy');
  }
  // Another window was quicker. Neither change is lost: theirs is in the book, ours is kept here.
  function met(e, mine) {
    kept = mine;
    said.replaceChildren(trouble(e), make('p', {}, button('Look at the other change', () => fetchPlan(e.answer.plan)), ' ',
      mine ? button('Make mine on top of it', async () => { await fetchPlan(e.answer.plan); change(kept); }, 'button strong') : ''));
  }
  async function fetchPlan(plan) {
    try {
      renew(await ask(`/api/plans/${plan}`));
      said.replaceChildren(kept ? make('p', {}, button('Make my change on top of it', () => change(kept), 'button strong')) : '');
    } catch (e) { said.replaceChildren(trouble(e)); }
  }
  const change = (edit) => send([...data.desk.edits, edit], 'The plan was changed.');
  async function step(which) {
    if (busy) return;
    busy = true;
    said.replaceChildren();
    try {
      renew(await ask(`/api/plans/${data.desk.plan}/${which}`, {}));
      say(which === 'undo' ? 'Taken back.' : 'Made again.');
    } catch (e) {
      if (e.status === 409) met(e, null);
      else said.replaceChildren(trouble(e));
    }
    busy = false;
  }
  function setTone() {
    if (tone.value === '' || !tone.input.checkValidity()) {
      said.replaceChildren(trouble({message: 'That is no tone.', next: 'Give a density from 0 to 4, like 0.85.'}));
      return;
    }
    change({do: 'set', region, density: Number(tone.value)});
  }
  function setTime() {
    const minutes = minutesOf(time.value);
    if (!(minutes >= 0 && minutes <= 2880)) {
      said.replaceChildren(trouble({message: 'That is no time.', next: 'Write it with its unit: 2:30, 90s or 2.5min.'}));
      return;
    }
    change({do: 'set', region, minutes});
  }

  function select(id) {
    const before = region;
    region = data.regions.some((r) => r.id === id) ? id : 0;
    if (tool === 'join' && before && region && before !== region) {
      tools.set('point');
      setTool('point');
      change({do: 'join', regions: [before, region]});
      return;
    }
    show();
  }
  function neighbours() {
    // Whatever touches on the picture; the server has the last word.
    return data.regions.filter((r) => r.id !== region).sort((a, b) => near(a) - near(b)).slice(0, 30);
  }
  function near(r) {
    const me = data.regions.find((x) => x.id === region);
    return Math.hypot(r.centre_mm[0] - me.centre_mm[0], r.centre_mm[1] - me.centre_mm[1]);
  }
  function show() {
    const r = data.regions.find((x) => x.id === region);
    one.hidden = !r;
    const old = data.desk.plan !== data.desk.current;
    if (r) {
      chosen.textContent = `Region ${r.id} · ${r.action_text}`;
      action.input.value = r.action;
      tone.input.value = r.target.toFixed(2);
      const stage = data.desk.stage_minutes[r.stage - 1];
      time.input.placeholder = stage ? clock(stage.total_minutes) : '2:30';
      time.input.value = '';
      time.box.parentElement.hidden = !data.desk.has_batch;
      hold.disabled = r.action === 'hold';
      other.input.replaceChildren(...neighbours().map((n) => make('option', {value: n.id}, `${n.id} · ${n.action_text}`)));
    }
    undo.disabled = old || !data.desk.undo;
    redo.disabled = old || !data.desk.redo;
    back.disabled = old || data.desk.edits.length === 0;
    for (const e of root.querySelectorAll('.one button, .one input, .one select, .rb-choice button')) if (e !== hold) e.disabled = old;
    list.replaceChildren(...data.desk.edit_words.map((w) => make('li', {}, w)));
    setTool(tool);
  }

  // ---- drawing over the picture ----
  let points = [];
  function stroke(width) {
    drawn = window.Rebite.svg('polyline', {class: 'hand-line', fill: 'none', 'stroke-width': width, 'stroke-linecap': 'round', 'stroke-linejoin': 'round'});
    if (tool === 'leave') drawn.classList.add('leave');
    viewer.overlay.append(drawn);
  }
  function point(e) {
    if (tool !== 'cut' && tool !== 'leave') return;
    const d = e.detail;
    if (d.how === 'press') {
      points = [[d.x_mm, d.y_mm]];
      if (drawn) drawn.remove();
      stroke(tool === 'leave' ? Number(brush.value) || 4 : 0.6);
    } else if ((d.how === 'drag' || d.how === 'release') && drawn) {
      const last = points[points.length - 1];
      if (Math.hypot(d.x_mm - last[0], d.y_mm - last[1]) > 0.2 && points.length < 4000) points.push([d.x_mm, d.y_mm]);
    }
    if (drawn) drawn.setAttribute('points', points.map((p) => p.join(',')).join(' '));
    if (d.how !== 'release' || !drawn) return;
    drawn.remove();
    drawn = null;
    const line = points.map((p) => p.map((v) => Math.round(v * 100) / 100));
    if (tool === 'leave') change({do: 'leave', line_mm: line, radius_mm: Math.max(0.2, (Number(brush.value) || 4) / 2)});
    else if (!region) said.replaceChildren(trouble({message: 'No region is chosen.', next: 'Choose one, then draw the line through it.'}));
    else if (line.length < 2) said.replaceChildren(trouble({message: 'That is no line.', next: 'Press, draw right through the region, and let go.'}));
    else change({do: 'cut', region, line_mm: line});
  }
  viewerRoot.addEventListener('rebite:point', point);
  const keys = (e) => {
    if (!(e.ctrlKey || e.metaKey) || e.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName)) return;
    const k = e.key.toLowerCase();
    if (k === 'z' && !e.shiftKey && !undo.disabled) step('undo');
    else if ((k === 'y' || (k === 'z' && e.shiftKey)) && !redo.disabled) step('redo');
    else return;
    e.preventDefault();
  };
  document.addEventListener('keydown', keys);
  show();
  return {
    select,
    renew: show,
    destroy() { document.removeEventListener('keydown', keys); },
  };
}
