// The plan: the report's own components over the plate's pictures, and editing beside them.
import {ask, button, download, make, Refused, tilePicture, trouble} from './tools.js';
import {editor} from './editing.js';

const FILES = [['bench-map.pdf', 'Bench map, to print at 100 %'], ['map.png', 'Map'], ['next-proof.png', 'Next proof'],
  ['report.html', 'Report, for another machine'], ['plan.json', 'plan.json'], ['map.svg', 'Map as SVG'], ['regions.png', 'Regions']];

// Large pictures come tile by tile from this plan's own addresses.
function addressed(data) {
  for (const layer of data.layers) {
    layer.levels.forEach((level, k) => {
      if (!level.tiles) level.address = (col, row) => tilePicture(data.desk.plan, layer.id, k, col, row);
    });
  }
  return data;
}

function section(id, head, ...content) {
  return make('section', {id, 'aria-labelledby': id + '-head'}, make('h2', {id: id + '-head'}, head), ...content);
}
const fill = (element, html) => { element.innerHTML = html; };   // pieces of our own server, escaped there

export async function planView(root, id) {
  const data = addressed(await ask(`/api/plans/${id}`));
  const part = (cls) => make('div', {class: cls});
  const box = {glance: part('pl-glance'), cautions: part('cautions-box'), viewer: part('pl-viewer'), looks: part('pl-looks'), stepper: part('pl-stepper'),
    choice: part('pl-choice'), table: part('pl-table'), curve: part('curve-box'), histogram: part('pl-histogram'), notes: part('pl-notes'), facts: part('pl-facts'), old: part('pl-old')};
  const title = make('h1', {}, `${data.desk.plate_title}: plan of state ${data.desk.state_number}`);
  const links = make('p', {class: 'go'}, make('a', {class: 'button strong', href: `#/bath/${data.desk.state}`}, 'To the bath'), ' ', make('a', {class: 'button', href: `#/plate/${data.desk.plate}`}, 'All states'));
  if (data.stages.length === 0) links.firstChild.remove();

  const exports = make('ul', {class: 'exports'});
  FILES.forEach(([name, words], k) => {
    const b = button(words, async () => {
      b.disabled = true;
      try { await download(`/api/plans/${data.desk.plan}/files/${k}`, name); } catch (e) { exports.after(trouble(e)); }
      b.disabled = false;
    });
    exports.append(make('li', {}, b));
  });
  const viewed = part('plan-picture');
  const editing = part('editing');
  viewed.append(box.viewer);
  root.append(title, links, box.old,
    section('todo', 'What to do', box.glance, box.cautions),
    section('pictures', 'The plate, now and next', viewed, box.looks),
    section('edit', 'Change the plan by hand', editing),
    section('stages', 'Stage by stage', box.stepper, box.choice),
    section('regions', 'Every region', box.table),
    section('tone', 'Tone curve and gap', box.curve, box.histogram),
    section('sheets', 'Sheets', exports),
    section('words', 'Notes', box.notes, box.facts));

  function pieces() {
    fill(box.glance, data.pieces.glance);
    fill(box.cautions, data.pieces.cautions);
    fill(box.looks, data.pieces.looks);
    fill(box.choice, data.pieces.stage_choice);
    fill(box.notes, data.pieces.notes);
    fill(box.facts, data.pieces.facts);
    const old = data.desk.plan !== data.desk.current;
    box.old.replaceChildren();
    if (old) box.old.append(make('p', {class: 'banner'}, data.desk.plan === data.desk.original ? 'This is the original plan. ' : 'This is an earlier version of the plan. ',
      make('a', {href: `#/plan/${data.desk.current}`}, 'To the plan that counts')));
    else if (data.desk.plan !== data.desk.original) box.old.append(make('p', {class: 'banner'}, `Changed by hand (${data.desk.edits.length}). `,
      make('a', {href: `#/plan/${data.desk.original}`}, 'See the original')));
  }
  pieces();

  let parts = null;
  function build() {
    const viewer = window.Rebite.viewer(box.viewer, data, {right: data.regions.length ? 'regions' : 'drawing'});
    const table = window.Rebite.regionTable(box.table, data);
    const stepper = window.Rebite.stageStepper(box.stepper, data);
    fill(box.curve, data.pieces.curve || '');
    if (data.curve) window.Rebite.curvePlot(box.curve, data);
    fill(box.histogram, data.pieces.histogram || '');
    if (data.histogram) window.Rebite.histogram(box.histogram, data);
    parts = {viewer, table, stepper};
    const edit = editor(editing, data, viewer, box.viewer, renew);
    function select(region, from) {
      if (from !== 'viewer') { viewer.select(region); viewer.show(region); }
      table.select(region, from !== 'table');
      stepper.select(region);
      edit.select(region);
    }
    box.viewer.addEventListener('rebite:select', (e) => select(e.detail.id, 'viewer'));
    box.table.addEventListener('rebite:select', (e) => select(e.detail.id, 'table'));
    box.stepper.addEventListener('rebite:select', (e) => select(e.detail.id, 'stepper'));
    box.viewer.addEventListener('rebite:hover', (e) => table.hover(e.detail.id));
    box.table.addEventListener('rebite:hover', (e) => viewer.hover(e.detail.id));
    root.addEventListener('click', (e) => {
      const chip = e.target.closest('a.chip');
      if (!chip) return;
      e.preventDefault();
      select(Number(chip.dataset.region), 'chip');
      box.viewer.scrollIntoView({block: 'start'});
    });
    parts.edit = edit;
  }
  // The plan after a change: the same components, other numbers.
  function renew(next) {
    const fresh = addressed(next);
    Object.assign(data, fresh);
    pieces();
    parts.viewer.update(fresh);
    refreshPictures();
    parts.table.update(fresh);
    parts.stepper.update(fresh);
    fill(box.histogram, data.pieces.histogram || '');
    if (data.histogram) window.Rebite.histogram(box.histogram, data);
    fill(box.curve, data.pieces.curve || '');
    if (data.curve) window.Rebite.curvePlot(box.curve, data);
    parts.edit.renew();
    history.replaceState(null, '', `#/plan/${data.desk.plan}`);
  }
  // The next proof is another picture now.
  function refreshPictures() {
    const next = data.layers.find((l) => l.id === 'next');
    for (const img of box.viewer.querySelectorAll('img')) {
      const found = /\/plans\/\d+\/next\/(\d+)\/(\d+)\/(\d+)$/.exec(img.getAttribute('src') || '');
      if (found) img.src = next.levels[found[1]].address(found[2], found[3]);
    }
  }
  root.addEventListener('shown', build, {once: true});
  return () => { if (parts) for (const p of [parts.viewer, parts.table, parts.stepper, parts.edit]) p.destroy(); };
}

export {Refused};
