// The bath in the browser: the clock, its sound, and what is taken back. Part of page_test.mjs.
import assert from 'node:assert/strict';
import test from 'node:test';
import {api, end, go, look, minutes, openTab, serve, shared} from './tabs.mjs';

// The second press after the rest that the first one brings.
async function pressTwice(page, button) {
  if (!/again/.test(await button.innerText())) await button.click();
  assert.match(await button.innerText(), /again/);
  await page.waitForTimeout(1300);
  await button.click();
}
// On a phone: each dip's button 44 px high, and 24 px from the next one.
async function fingersApart(page) {
  await page.setViewportSize({width: 390, height: 844});
  const buttons = await page.locator('.bath-done button').all();
  assert.ok(buttons.length > 1);
  const boxes = await Promise.all(buttons.map((b) => b.boundingBox()));
  boxes.forEach((b, i) => {
    assert.ok(b.height >= 44, `${b.height} px high`);
    if (i) assert.ok(b.y - boxes[i - 1].y - boxes[i - 1].height >= 24, `${b.y} after ${boxes[i - 1].y}`);
  });
  await page.setViewportSize({width: 1280, height: 900});
}

// On the book that the tests before have filled: one plan that counts, nothing bitten yet.
export function bathTests() {
  let stateId = 0;

  test('the bath: large controls, the stop-out picture, the clock across a closed browser and a restart', async () => {
    let page = await openTab();
    await page.getByRole('link', {name: 'The bath'}).first().click();
    await page.locator('.bath-picture svg.dip:not(.swatch)').waitFor();
    stateId = Number(page.url().split('/').pop());
    const told = (await api(page, `/api/states/${stateId}/bath`)).body;
    const controls = page.locator('.bath-controls > *');
    await look(page, 'bath-before');
    await page.getByRole('button', {name: /Start/}).click();
    await page.getByRole('button', {name: 'Pulled'}).waitFor();
    // At once: the first dip is short, and a slow machine would be past its end.
    const left = minutes(await page.locator('.bath-clock').innerText());
    // (The clock shows whole seconds, the answer six digits.)
    assert.ok(left <= told.next_dip_minutes + 1e-3 && left > told.next_dip_minutes - 0.7, `${left} of ${told.next_dip_minutes}`);
    await page.waitForTimeout(1000);   // that some of the dip is over
    // Warmer than the plan's 20 C: less time (20.5 kJ/mol, Bryce & Berk 1995: a factor below 1).
    const thisDip = () => page.locator('.bath-below').innerText().then((t) => /this dip ([\d:]+)/.exec(t)[1]);
    const cool = await thisDip();   // before the press: a quick answer would change it first
    await page.getByLabel('Bath temperature').fill('30C');
    await page.getByRole('button', {name: 'Set'}).click();
    await page.waitForFunction((t) => !document.querySelector('.bath-below').textContent.includes('this dip ' + t), cool);
    const warm = (await api(page, `/api/states/${stateId}/bath`)).body.clock;
    // Only what was left then is shorter: what was over stays as it was.
    const over = (warm.target_minutes - warm.planned_minutes / 1.32) / (1 - 1 / 1.32);
    assert.ok(over > 0.01 && over <= warm.elapsed_minutes + 0.01, `${over} of ${warm.elapsed_minutes}`);
    assert.ok((await controls.count()) <= 3);
    // 20 mm and 13 mm at 96 px to the inch (MIL-STD-1472E speaks of 19 mm keys and 13 mm gaps).
    const boxes = await Promise.all((await controls.all()).map((c) => c.boundingBox()));
    for (const b of boxes) assert.ok(b.width >= 76 && b.height >= 76, `${b.width} x ${b.height}`);
    for (let i = 1; i < boxes.length; i++) {
      const gap = Math.max(boxes[i].x - boxes[i - 1].x - boxes[i - 1].width, boxes[i].y - boxes[i - 1].y - boxes[i - 1].height);
      assert.ok(gap >= 50, `gap ${gap}`);
    }
    await look(page, 'bath');
    // Every other view tells of it and leads back.
    assert.ok(await page.locator('#strip').isHidden());
    await go(page, '#/plates');
    const strip = page.locator('#strip a');
    await strip.waitFor();
    assert.match(await strip.innerText(), /stage 1: in the bath\s+\d+:\d\d left/);
    await look(page, 'strip');
    await strip.click();
    await page.getByRole('button', {name: 'Pulled'}).waitFor();
    await page.getByLabel('Bath temperature').fill('20C');
    await page.getByRole('button', {name: 'Set'}).click();
    await page.getByRole('button', {name: 'Half a degree warmer'}).click();
    const celsius = async () => (await api(page, `/api/states/${stateId}/bath`)).body.clock.temperature_c;
    for (let i = 0; i < 50 && (await celsius()) !== 20.5; i++) await page.waitForTimeout(100);
    assert.equal(await celsius(), 20.5);
    // The browser goes, the program is killed without warning; the time goes on.
    const elapsed = (await api(page, `/api/states/${stateId}/bath`)).body.clock.elapsed_minutes;
    const gone = Date.now();
    await page.context().close();
    await end(shared.served, 'SIGKILL');
    await new Promise((r) => setTimeout(r, 1500));
    shared.served = await serve();
    page = await openTab();
    // A page that was opened again may not sound yet: it says so until it is pressed.
    await page.locator('#strip .silent').waitFor();
    await look(page, 'strip-silent');
    await page.locator('h1').click();
    await page.locator('#strip .silent').waitFor({state: 'hidden'});
    await page.getByRole('link', {name: 'To the bath'}).click();
    await page.locator('.bath-clock').waitFor();
    const again = (await api(page, `/api/states/${stateId}/bath`)).body.clock;
    const away = (Date.now() - gone) / 60000;
    assert.ok(again.elapsed_minutes >= elapsed + 0.02 && Math.abs(again.elapsed_minutes - elapsed - away) < 0.03, `${again.elapsed_minutes} ${elapsed} ${away}`);
    // A pause does not count.
    await page.getByRole('button', {name: 'Pause'}).click();
    await page.getByText(/out of the bath for a moment/).waitFor();
    const paused = (await api(page, `/api/states/${stateId}/bath`)).body.clock.elapsed_minutes;
    await page.waitForTimeout(800);
    assert.equal((await api(page, `/api/states/${stateId}/bath`)).body.clock.elapsed_minutes, paused);
    await page.getByRole('button', {name: 'Back in'}).click();
    await page.getByRole('button', {name: 'Pulled'}).waitFor();
    // Pulled within two seconds of its time a dip is neither early nor late, and no such note is made.
    const now = (await api(page, `/api/states/${stateId}/bath`)).body.clock;
    const wait = Math.abs(now.target_minutes - now.elapsed_minutes) < 6 / 60 ? 12000 : 0;
    await page.waitForTimeout(wait);
    await page.getByRole('button', {name: 'Pulled'}).click();
    await page.locator('.bath-done').getByText(/Stage 1: .*pulled .* (early|late)/).waitFor();
    const done = (await api(page, `/api/states/${stateId}/bath`)).body;
    assert.equal(done.done.length, 1);
    assert.equal(done.clock, null);
    assert.ok(done.done[0].minutes >= paused && done.done[0].minutes < paused + wait / 60000 + 0.2);
    assert.deepEqual(page.trouble, []);
    await page.context().close();
  });

  test('the clock sounds 30 seconds before and at the end, and flashes', async () => {
    const page = await openTab();
    // A stage long enough to be warned of 30 seconds before: shorter ones are pulled at once.
    const address = `/api/states/${stateId}/bath`;
    let bath = (await api(page, address)).body;
    while (bath.next_dip_minutes < 0.6) {
      const clock = (await api(page, address, {do: 'start'})).body.clock.id;
      await page.waitForTimeout(50);
      bath = (await api(page, address, {do: 'pull', clock})).body;
    }
    const dips = bath.done.length;
    await go(page, `#/bath/${stateId}`);
    await page.getByRole('button', {name: /Start/}).click();
    await page.getByRole('button', {name: 'Pulled'}).waitFor();
    // Only this window's clock is moved: the book's goes on as it is.
    const target = (await api(page, `/api/states/${stateId}/bath`)).body.clock.target_minutes;
    await go(page, '#/plates');
    await page.locator('#strip a').waitFor();
    await page.evaluate((ms) => { const real = Date.now; Date.now = () => real() + ms; }, target * 60000 - 25000);
    await page.waitForFunction(() => (document.body.dataset.sounded || '').includes('soon'));
    await page.locator('#strip a').click();
    await page.locator('.bath-clock').waitFor();
    // As long again: the book may have been asked meanwhile, which starts this window's count anew.
    await page.evaluate((ms) => { const real = Date.now; Date.now = () => real() + ms; }, target * 60000 + 1000);
    await page.waitForFunction(() => (document.body.dataset.sounded || '').includes('out'));
    assert.equal(await page.locator('.flash.on').count(), 1);
    assert.match(await page.locator('.bath-clock').innerText(), /^\+/);
    await page.locator('.flash').click();
    // A wet finger taps twice: that is one press, not two.
    const callOff = page.locator('.bath-off button');
    await callOff.dblclick();
    await page.waitForTimeout(500);
    assert.ok((await api(page, address)).body.clock, 'called off by one double tap');
    await pressTwice(page, callOff);
    await page.getByRole('button', {name: /Start/}).waitFor();
    assert.equal((await api(page, address)).body.done.length, dips);
    await page.context().close();
  });

  test('a dip that was entered wrongly is struck out: it stays to be seen and no longer counts', async () => {
    const page = await openTab();
    const address = `/api/states/${stateId}/bath`;
    const clock = (await api(page, address, {do: 'start'})).body.clock;
    await page.waitForTimeout(50);
    const before = (await api(page, address, {do: 'pull', clock: clock.id})).body;
    assert.equal(before.done.at(-1).stage, clock.stage);
    await go(page, `#/bath/${stateId}`);
    const last = page.locator('.bath-done li').last();
    const strike = last.getByRole('button');
    await strike.dblclick();
    await page.waitForTimeout(500);
    assert.ok(!(await api(page, address)).body.done.at(-1).struck, 'struck out by one double tap');
    await look(page, 'bath-strike');
    await fingersApart(page);
    // Left alone, it forgets the first press.
    await last.getByText(/^Strike out/).waitFor({timeout: 10000});
    await pressTwice(page, strike);
    await last.locator('s').waitFor();
    const after = (await api(page, address)).body;
    assert.equal(after.done.length, before.done.length);
    assert.ok(after.done.at(-1).struck);
    assert.equal(after.stage, clock.stage);
    assert.ok(after.total_minutes < before.total_minutes);
    assert.deepEqual(page.trouble, []);
    await page.context().close();
  });

  test('a bath that cannot be read is told of on the strip, beside the others', async () => {
    const page = await openTab();
    const one = {plate_title: 'Lock', stage: 2, paused: false, elapsed_minutes: 1.5};
    await page.route('**/api/baths', (route) => route.fulfill({json: {baths: [
      {...one, id: 901, state: 901, trouble: 'this plan has no stages: nothing is bitten'},
      {...one, id: 902, state: 902, plate_title: 'Weir', target_minutes: 4}]}}));
    await go(page, '#/wedge');
    const lines = page.locator('#strip a');
    await lines.nth(1).waitFor();
    assert.match(await lines.first().innerText(), /^Lock, stage 2: .*no stages.*\s1:3\d in the bath$/s);
    assert.match(await lines.nth(1).innerText(), /^Weir, stage 2: in the bath\s+2:(30|2\d) left$/);
    await look(page, 'strip-unreadable');
    await page.context().close();
  });
}
