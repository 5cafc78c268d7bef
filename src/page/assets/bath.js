// The bath: for wet hands. One stage, one picture, one clock, three controls at most.
import {ask, button, clock, field, make, say, tilePicture, trouble, twice} from './tools.js';
import {alarm, silent as noSound} from './strip.js';

export async function bathView(root, state) {
  let bath = await ask(`/api/states/${state}/bath`);
  let asked = Date.now();   // when the server told us
  const plan = await ask(`/api/plans/${bath.plan}`).catch(() => null);
  let stepper = null;
  let lock = null;

  const title = make('h1', {}, `${bath.plate_title}: the bath`);
  const stageLine = make('p', {class: 'bath-stage'});
  const big = make('p', {class: 'bath-clock', role: 'timer', 'aria-live': 'off'});
  const below = make('p', {class: 'bath-below'});
  const controls = make('div', {class: 'bath-controls'});
  const silent = make('p', {class: 'bath-silent', hidden: 'hidden'}, 'Sound is off: press anywhere to hear the end of the dip.');
  const said = make('div', {class: 'outcome', 'aria-live': 'polite'});
  const temperature = field('Bath temperature', 'temperature', {placeholder: bath.plan_temperature_c !== undefined ? bath.plan_temperature_c + 'C' : '20C', autocomplete: 'off'},
    bath.corrects ? 'Read the thermometer, type it (19C or 66F): the time that is left is corrected from now on.' : 'For the book. The wedge has no temperature, so the time cannot be corrected.');
  // A keyboard is no thing for wet hands: half a degree (or one Fahrenheit) at a press.
  function warmer(by) {
    const typed = /^\s*(-?\d+(?:\.\d+)?)\s*°?\s*([CF]?)\s*$/i.exec(temperature.value || temperature.input.placeholder);
    if (!typed) return;
    const fahrenheit = typed[2].toUpperCase() === 'F';
    temperature.input.value = Number(typed[1]) + by * (fahrenheit ? 1 : 0.5) + (fahrenheit ? 'F' : 'C');
    say(`Bath temperature ${temperature.value}`);
    if (bath.clock) act({do: 'temperature', temperature: temperature.value});
  }
  const cooler = button('−', () => warmer(-1), 'button large');
  cooler.setAttribute('aria-label', 'Half a degree cooler');
  const hotter = button('+', () => warmer(1), 'button large');
  hotter.setAttribute('aria-label', 'Half a degree warmer');
  const setTemperature = button('Set', () => act({do: 'temperature', temperature: temperature.value}), 'button large');
  const picture = make('div', {class: 'bath-picture'});
  const pictureWords = make('p', {class: 'bath-words'});
  const flash = make('div', {class: 'flash', 'aria-hidden': 'true'});
  const doneList = make('ol', {class: 'bath-done'});
  const callOff = twice('Never was in the bath: call this dip off', 'Press again to call it off', () => act({do: 'call_off'}));
  root.append(title, make('div', {class: 'bath'},
    make('div', {class: 'bath-left'}, stageLine, big, below, silent, controls, said, make('div', {class: 'row bath-temperature'}, temperature.box, cooler, hotter, setTemperature)),
    make('div', {class: 'bath-right'}, pictureWords, picture)),
  make('h2', {}, 'Dips so far'), doneList, make('p', {class: 'bath-off'}, callOff), make('p', {}, make('a', {href: `#/plan/${bath.plan}`}, 'To the plan')), flash);

  // Minutes of this dip that are over. The wall clock: it goes on while the machine sleeps.
  function elapsedNow() {
    const c = bath.clock;
    return c.elapsed_minutes + (c.paused ? 0 : Math.max(0, Date.now() - asked) / 60000);
  }
  // A wet finger taps twice: a second press of the same kind waits for the answer to the first.
  let busy = false;
  async function act(form) {
    if (busy && form.do !== 'temperature') return;
    busy = true;
    said.replaceChildren();
    try {
      take(await ask(`/api/states/${state}/bath`, {...form, clock: bath.clock ? bath.clock.id : 0}));
    } catch (e) {
      said.replaceChildren(trouble(e));
      if (e.status === 400) ask(`/api/states/${state}/bath`).then(take).catch(() => {});
    } finally {
      busy = false;
    }
  }
  function take(next) {
    const other = !bath.clock || !next.clock || bath.clock.id !== next.clock.id;
    bath = next;
    asked = Date.now();
    if (other) {
      flash.classList.remove('on', 'soon');
      callOff.disarm();
    }
    arrange();
    tick();
    keepAwake();
  }
  async function keepAwake() {
    if (!bath.clock || !navigator.wakeLock || document.visibilityState !== 'visible') return;
    try { lock = await navigator.wakeLock.request('screen'); } catch { lock = null; }
  }
  function pulledNote() {
    const late = elapsedNow() - bath.clock.target_minutes;
    if (Math.abs(late) < 2 / 60) return '';
    return late < 0 ? `pulled ${clock(-late)} early` : `pulled ${clock(late)} late`;
  }
  // Only what is different is made anew: a control that is made again under a finger, or under the
  // keyboard's focus, is lost.
  let arranged = '';
  function arrange() {
    const c = bath.clock;
    const now = JSON.stringify([c && c.id, c && c.paused, bath.stage, bath.stages.length]);
    if (now !== arranged) {
      arrangeControls(c);
      if (arranged) rest();
    }
    arranged = now;
    arrangeRest(c);
  }
  // New controls lie where the old ones lay: they wait until a second tap meant for those is over.
  function rest() {
    const fresh = [...controls.querySelectorAll('button')];
    fresh.forEach((b) => { b.disabled = true; });
    setTimeout(() => {
      fresh.forEach((b) => { b.disabled = false; });
      if (document.activeElement === document.body && fresh[0] && fresh[0].isConnected) fresh[0].focus({preventScroll: true});
    }, 1200);
  }
  function arrangeControls(c) {
    const big3 = (words, form, cls) => button(words, () => act(typeof form === 'function' ? form() : form), 'button large ' + (cls || ''));
    const of = ` of ${bath.stages.length}`;
    if (c) {
      stageLine.textContent = `Stage ${c.stage}${of}${c.paused ? ' · out of the bath for a moment' : ' · in the bath'}`;
      controls.replaceChildren(
        big3('Pulled', () => ({do: 'pull', note: pulledNote()}), 'strong'),
        c.paused ? big3('Back in', {do: 'resume'}) : big3('Pause', {do: 'pause'}));
    } else if (bath.stage > 0) {
      stageLine.textContent = `Stage ${bath.stage}${of} · not in the bath`;
      controls.replaceChildren(big3('Start: it is in', () => ({do: 'start', temperature: temperature.value}), 'strong'));
    } else {
      stageLine.textContent = 'All stages are bitten';
      controls.replaceChildren(make('a', {class: 'button large', href: `#/new/${bath.plate}`}, 'New state'));
    }
  }
  function arrangeRest(c) {
    setTemperature.hidden = !c;
    if (c && c.temperature_c !== undefined && document.activeElement !== temperature.input) temperature.input.value = c.temperature_c + 'C';
    callOff.hidden = !c;
    temperature.box.parentElement.hidden = !c && bath.stage === 0;
    arrangeDone();
    const shown = c ? c.stage : bath.stage;
    const s = bath.stages[shown - 1];
    picture.hidden = pictureWords.hidden = !s;
    if (s) {
      const stop = s.stop_out_before;
      pictureWords.textContent = `Stage ${shown}, plate view: as the metal lies. ` + (shown === 1 ? 'Goggles and gloves. Before this dip stop out all plain parts (no number)' + (stop.length ? ', and ' + stop.join(', ') : '') + '.' : `Before this dip stop out ${stop.join(', ') || 'nothing more'}.`);
      if (stepper) stepper.go(shown);
    }
  }
  // A wrong entry is struck out by a second press on its own button; it stays to be seen.
  let doneShown = '';
  function arrangeDone() {
    const now = JSON.stringify(bath.done);
    if (now === doneShown) return;
    const first = doneShown === '';
    doneShown = now;
    doneList.replaceChildren(...bath.done.map((d) => {
      const words = `Stage ${d.stage}: ${clock(d.minutes)}${d.note ? ' · ' + d.note : ''}`;
      if (d.struck) return make('li', {}, make('span', {}, make('s', {}, words), ' struck out: it does not count'));
      const strike = twice('Strike out', 'Press again: this dip was not so', () => act({do: 'strike', bite: d.bite}),
        `Strike out: stage ${d.stage}, ${clock(d.minutes)}`);
      // The lines may have moved under the finger.
      if (!first) strike.rest();
      return make('li', {}, make('span', {}, words), strike);
    }));
    if (!bath.done.length) doneList.replaceChildren(make('li', {class: 'quiet'}, 'none yet'));
  }
  function tick() {
    const c = bath.clock;
    silent.hidden = !c || c.paused || !noSound();
    const total = bath.total_minutes + (c ? elapsedNow() : 0);
    if (c) {
      const left = c.target_minutes - elapsedNow();
      big.textContent = left >= 0 ? clock(left) : '+' + clock(-left);
      big.classList.toggle('over', left < 0);
      below.textContent = `${left >= 0 ? 'left' : 'too long'} · this dip ${clock(c.target_minutes)} · total so far ${clock(total)}`;
      const news = alarm(c, left);
      if (news === 'soon') { flash.classList.add('soon'); setTimeout(() => flash.classList.remove('soon'), 1500); }
      if (news === 'out') { flash.classList.add('on'); setTimeout(() => flash.classList.remove('on'), 8000); }
    } else if (bath.stage > 0) {
      big.textContent = clock(bath.next_dip_minutes);
      big.classList.remove('over');
      const s = bath.stages[bath.stage - 1];
      below.textContent = `this dip · total after it ${clock(s.total_minutes)} · total so far ${clock(total)}`;
    } else {
      big.textContent = clock(total);
      below.textContent = 'in the bath altogether';
    }
    big.style.setProperty('--signs', Math.max(4, big.textContent.length));
  }
  flash.addEventListener('click', () => flash.classList.remove('on', 'soon'));
  const ticking = setInterval(tick, 250);
  // Another window may have pulled it; the book knows.
  const looking = setInterval(() => ask(`/api/states/${state}/bath`).then(take).catch(() => {}), 10000);
  const seen = () => { if (document.visibilityState === 'visible') { keepAwake(); tick(); } };
  document.addEventListener('visibilitychange', seen);
  root.addEventListener('shown', () => {
    if (!plan) return;
    for (const layer of plan.layers) layer.levels.forEach((level, k) => { if (!level.tiles) level.address = (col, row) => tilePicture(plan.desk.plan, layer.id, k, col, row); });
    window.Rebite.shapes(plan);
    delete plan.pieces.stages;
    stepper = window.Rebite.stageStepper(picture, plan);
    arrange();
  }, {once: true});
  arrange();
  tick();
  return () => {
    clearInterval(ticking);
    clearInterval(looking);
    document.removeEventListener('visibilitychange', seen);
    if (stepper) stepper.destroy();
    if (lock) lock.release().catch(() => {});
  };
}
