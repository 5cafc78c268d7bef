// Starts the components on the report's own text and lets them hear each other.
'use strict';
(function () {
  const data = JSON.parse(document.getElementById('rebite-data').textContent);
  // The coarse pictures and the shapes are in the text, once.
  for (const layer of data.layers) {
    const img = document.querySelector(`img[data-layer="${layer.id}"]`);
    layer.levels[0].tiles = [img.getAttribute('src')];
  }
  for (const r of data.regions) {
    const shape = document.getElementById('shape-' + r.id);
    r.outline = shape ? shape.getAttribute('d') : '';
  }
  const part = (id) => document.getElementById(id);
  document.documentElement.classList.add('scripted');
  const viewer = Rebite.viewer(part('viewer'), data, {right: data.regions.length ? 'regions' : 'drawing'});
  const table = Rebite.regionTable(part('region-table'), data);
  const stepper = Rebite.stageStepper(part('stepper'), data);
  if (part('curve')) Rebite.curvePlot(part('curve'), data);
  if (part('histogram')) Rebite.histogram(part('histogram'), data);

  function select(id, from) {
    if (from !== 'viewer') {
      viewer.select(id);
      viewer.show(id);
    }
    table.select(id, from !== 'table');
    stepper.select(id);
    for (const chip of document.querySelectorAll('.chip'))
      chip.classList.toggle('on', Number(chip.dataset.region) === id);
  }
  const listen = (id, type, act) => part(id).addEventListener('rebite:' + type, (e) => act(e.detail));
  listen('viewer', 'select', (d) => select(d.id, 'viewer'));
  listen('region-table', 'select', (d) => select(d.id, 'table'));
  listen('stepper', 'select', (d) => select(d.id, 'stepper'));
  listen('viewer', 'layers', (d) => { document.querySelector('.key').open = d.left === 'gap' || d.right === 'gap'; });
  listen('viewer', 'hover', (d) => table.hover(d.id));
  listen('region-table', 'hover', (d) => viewer.hover(d.id));
  // What is folded on the screen is open on paper.
  window.addEventListener('beforeprint', () => {
    for (const d of document.querySelectorAll('details')) d.open = true;
  });
  // The map beside the stages: a region leads to the picture as its number does.
  document.querySelector('.glance-map').addEventListener('click', (e) => {
    const shape = e.target.closest('[data-region]');
    if (shape) lead(Number(shape.dataset.region));
  });
  function lead(id) {
    select(id, 'chip');
    part('pictures').scrollIntoView({block: 'start'});
    document.querySelector('.rb-stage').focus({preventScroll: true});
  }
  // A number in the plan leads to the picture.
  document.addEventListener('click', (e) => {
    const chip = e.target.closest('a.chip');
    if (!chip) return;
    e.preventDefault();
    lead(Number(chip.dataset.region));
  });
})();
