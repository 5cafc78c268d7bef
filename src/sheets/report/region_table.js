// Rebite.regionTable(root, data): the table of regions as something to choose from.
//   root   an element that holds the drawn table (piece "regions" of report_data.h), or an empty
//          one, which the piece is put into.
//   data   the object of report_data.h: pieces.regions (optional), regions.
// Events on root (bubbling): rebite:select {id} (0: none), rebite:hover {id} (0: none).
// Returns {select(id, scroll), hover(id), update(data), destroy()}; these fire no events.
'use strict';
window.Rebite = window.Rebite || {};
(function (Rebite) {
  const make = Rebite.make;
  const KINDS = [['all', 'All'], ['bite', 'Bite'], ['lower', 'Lower'], ['hand', 'By hand'], ['hold', 'Hold']];
  const KIND_OF = {bite: 'bite', beyond: 'bite', burnish: 'lower', scrape: 'lower', line: 'hand', soft: 'hand', hold: 'hold'};

  Rebite.regionTable = function (root, data) {
    let selected = 0;
    let rows = [];
    let body = null;

    function build() {
      Rebite.piece(root, data, 'regions');
      const table = root.querySelector('table');
      root.classList.add('rb-table');
      if (!table) return;
      body = table.tBodies[0];
      rows = [...body.rows];
      for (const row of rows) {
        const cell = row.cells[0].querySelector('.num');
        const b = make('button', {type: 'button', class: 'num', 'aria-pressed': 'false',
          'aria-label': `Region ${row.dataset.region}: show on the picture`}, row.dataset.region);
        cell.replaceWith(b);
      }
      for (const head of table.tHead.rows[0].cells) if (head.dataset.sort) sortable(head);
      const holder = make('div', {class: 'rb-scroll', tabindex: '0', role: 'region', 'aria-label': 'Table of regions'});
      table.replaceWith(holder);
      holder.append(table);
      const kinds = KINDS.filter(([kind]) => kind === 'all' || rows.some((r) => KIND_OF[r.dataset.action] === kind));
      if (rows.length > 4) holder.before(Rebite.choice('Which regions', kinds, 'all', filter).element);
    }
    function sortable(head) {
      const b = make('button', {type: 'button', class: 'rb-sort'}, ...head.childNodes);
      head.replaceChildren(b);
      b.addEventListener('click', () => {
        const falling = head.getAttribute('aria-sort') === 'ascending';
        for (const h of head.parentNode.cells) h.removeAttribute('aria-sort');
        head.setAttribute('aria-sort', falling ? 'descending' : 'ascending');
        sort(head.dataset.sort, falling ? -1 : 1);
      });
    }
    function sort(key, sign) {
      const value = (row) => (key === 'id' ? Number(row.dataset.region)
        : key === 'action' ? row.dataset.action : Number(row.dataset[key]));
      const order = (a, b) => {
        const x = value(a);
        const y = value(b);
        return sign * (x < y ? -1 : x > y ? 1 : 0) || Number(a.dataset.region) - Number(b.dataset.region);
      };
      body.append(...rows.slice().sort(order));
    }
    function filter(kind) {
      for (const row of rows) row.hidden = kind !== 'all' && KIND_OF[row.dataset.action] !== kind;
    }
    function rowOf(id) {
      return rows.find((r) => Number(r.dataset.region) === id) || null;
    }
    function select(id, scroll) {
      selected = id;
      for (const row of rows) {
        const on = Number(row.dataset.region) === id;
        row.classList.toggle('rb-on', on);
        row.querySelector('button.num').setAttribute('aria-pressed', String(on));
      }
      const row = rowOf(id);
      if (!row) return;
      if (row.hidden) {
        filter('all');
        for (const b of root.querySelectorAll('.rb-choice button'))
          b.setAttribute('aria-pressed', String(b.dataset.value === 'all'));
      }
      if (scroll) bringIntoSight(row);
    }
    // Inside the table's own frame only: the page stays where it is.
    function bringIntoSight(row) {
      const holder = root.querySelector('.rb-scroll');
      const frame = holder.getBoundingClientRect();
      const at = row.getBoundingClientRect();
      if (at.top < frame.top + 40 || at.bottom > frame.bottom)
        holder.scrollTop += at.top - frame.top - frame.height / 3;
    }
    function hover(id) {
      for (const row of rows) row.classList.toggle('rb-near', Number(row.dataset.region) === id);
    }
    function rowAt(e) {
      const row = e.target.closest('tr[data-region]');
      return row ? Number(row.dataset.region) : 0;
    }
    const clicked = (e) => {
      const id = rowAt(e);
      if (!id) return;
      const next = id === selected ? 0 : id;
      select(next);
      Rebite.tell(root, 'select', {id: next});
    };
    let near = 0;
    const over = (e) => {
      const id = e.type === 'pointerleave' ? 0 : rowAt(e);
      if (id === near) return;
      near = id;
      hover(id);
      Rebite.tell(root, 'hover', {id: id});
    };
    build();
    root.addEventListener('click', clicked);
    root.addEventListener('pointerover', over);
    root.addEventListener('pointerleave', over);
    return {
      select: select, hover: hover,
      update(next) { Object.assign(data, next); build(); select(selected); },
      destroy() {
        root.removeEventListener('click', clicked);
        root.removeEventListener('pointerover', over);
        root.removeEventListener('pointerleave', over);
        root.replaceChildren();
      },
    };
  };
})(window.Rebite);
