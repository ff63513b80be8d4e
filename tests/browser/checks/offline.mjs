import assert from 'node:assert/strict';
import { join } from 'node:path';

import { browser, crewServer, opened, phone, pill, prepare, save, scratch, tool, watch } from '../lib.mjs';

/** SplitMix64, so that a run can be had again. */
function chance(seed) {
  let state = BigInt(seed);
  return () => {
    state = (state + 0x9e3779b97f4a7c15n) & 0xffffffffffffffffn;
    let z = state;
    z = ((z ^ (z >> 30n)) * 0xbf58476d1ce4e5b9n) & 0xffffffffffffffffn;
    z = ((z ^ (z >> 27n)) * 0x94d049bb133111ebn) & 0xffffffffffffffffn;
    return Number((z ^ (z >> 31n)) >> 11n) / 2 ** 53;
  };
}

const shots = (page) => page.evaluate(() => new Promise((done) => setTimeout(done, 0))).then(() => state(page, 'shots'));

/** What the page's own crew screen says of what it keeps. */
async function state(page, what) {
  await page.evaluate(() => { location.hash = '#/crew'; });
  const row = page.locator('#kept ~ dl dt', { hasText: /^Shots$/ }).locator('xpath=following-sibling::dd[1]');
  await row.waitFor();
  await page.waitForFunction(() => /^\d+$/.test(document.querySelector('#kept ~ dl dd')?.textContent ?? ''));
  const text = await row.textContent();
  await page.evaluate(() => { location.hash = '#/field'; });
  return what === 'shots' ? Number(text) : text;
}

export async function what_was_called_saved_is_there_after_the_network_was_cut_and_the_tab_killed_at_random() {
  const { folder, clear } = scratch();
  const seed = Number(process.env.EMBERTALLY_SEED ?? 20360314);
  const random = chance(seed);
  const faults = [];
  const server = await crewServer(join(folder, 'server'));
  let context = await phone(join(folder, 'phone'));
  try {
    let page = context.pages()[0];
    watch(page, faults);
    await page.goto(`${server.origin}/#${server.secret}`);
    await opened(page);
    await pill(page, 'Met');
    await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
    await prepare(page);
    await context.setOffline(true);
    await server.stop();
    let saved = 0;
    for (let life = 0; life < 6; life += 1) {
      if (life > 0) {
        await page.goto(`${server.origin}/`);
        await opened(page);
      }
      assert.ok((await shots(page)) >= saved, `seed ${seed}, life ${life}: ${await shots(page)} of ${saved} shots`);
      saved = await shots(page);
      const volleys = 1 + Math.floor(random() * 3);
      for (let n = 0; n < volleys; n += 1) {
        await page.getByRole('button', { name: 'Fired', exact: true }).click();
        await page.getByRole('button', { name: 'Failed', exact: true }).click();
        await page.getByRole('button', { name: 'Rest fired' }).click();
        await save(page);
        saved += 10;
      }
      // One more is begun, and the tab is gone before, while, or just after it is saved.
      await page.getByRole('button', { name: 'Fired', exact: true }).click();
      await page.getByRole('button', { name: 'Rest fired' }).click();
      await page.getByRole('button', { name: /^Save/ }).click({ noWaitAfter: true });
      await new Promise((done) => setTimeout(done, random() * 40));
      const cdp = await context.newCDPSession(page);
      const next = await context.newPage();
      if (life % 2 === 0) await page.close();
      else {
        // The answer to this never comes.
        const crashed = page.waitForEvent('crash');
        cdp.send('Page.crash').catch(() => undefined);
        await crashed;
      }
      page = next;
      watch(page, faults);
    }
    await page.goto(`${server.origin}/`);
    await opened(page);
    const kept = await shots(page);
    assert.ok(kept >= saved && kept % 10 === 0, `${kept} shots are kept, ${saved} were called saved`);
    await pill(page, 'Kept here');
    // The whole browser ends too.
    await context.close();
    context = await phone(join(folder, 'phone'), { offline: true });
    page = context.pages()[0];
    await page.goto(`${server.origin}/`);
    await opened(page);
    assert.equal(await shots(page), kept);
    assert.deepEqual(faults, []);
  } finally {
    await context.close();
    await server.stop();
    clear();
  }
}

export async function three_browsers_and_a_terminal_that_were_apart_come_to_the_same() {
  const { folder, clear } = scratch();
  const faults = [];
  let server = await crewServer(join(folder, 'server'));
  const b = await browser();
  try {
    const pages = [];
    for (let n = 0; n < 3; n += 1) {
      const context = await b.newContext({ viewport: { width: 360, height: 740 } });
      const page = await context.newPage();
      watch(page, faults);
      await page.goto(`${server.origin}/#${server.secret}`);
      await opened(page);
      await pill(page, 'Met');
      pages.push(page);
    }
    await prepare(pages[0], { outing: 'Common evening' });
    for (const page of pages.slice(1)) {
      await page.getByRole('button', { name: /^Outing/ }).click();
      await page.getByRole('button', { name: /^Common evening/ }).click();
      await page.locator('.chip.outing', { hasText: 'Common evening' }).waitFor();
    }
    await Promise.all(pages.map((page) => page.context().setOffline(true)));
    await server.stop();
    for (const [n, page] of pages.entries()) {
      if (n > 0) {
        await page.getByRole('button', { name: /^Lot/ }).click();
        await page.getByRole('dialog').locator('input').fill(`LOT-${n}`);
        await page.getByRole('button', { name: 'Add', exact: true }).click();
      }
      for (let volley = 0; volley <= n; volley += 1) {
        await page.getByRole('button', { name: 'Failed', exact: true }).click();
        await page.getByRole('button', { name: 'Rest fired' }).click();
        await save(page);
      }
      await pill(page, 'Kept here');
    }
    const log = join(folder, 'terminal');
    await tool(['outing', 'begin', 'Common evening', '--kind', 'test'], log);
    await tool(['volley', '9f1x', 'TERM-1:1-10', '--wiring', 'parallel', '--new'], log);
    server = await crewServer(join(folder, 'server'), `127.0.0.1:${server.port}`);
    await Promise.all(pages.map((page) => page.context().setOffline(false)));
    // The terminal's way needs TLS; it gives its carry file to one of the browsers instead, which gives it to all.
    const file = join(folder, 'terminal.carry');
    await tool(['carry', file], log);
    await pages[0].evaluate(() => { location.hash = '#/crew'; });
    await pages[0].locator('input[type=file]').setInputFiles(file);
    await pages[0].locator('.said', { hasText: 'new entries' }).waitFor();
    for (const page of pages) await page.evaluate(() => dispatchEvent(new Event('online')));
    const wanted = 10 + 20 + 30 + 10;
    for (const page of pages) {
      await page.evaluate(() => { location.hash = '#/crew'; });
      await page.waitForFunction((n) => document.querySelector('#kept ~ dl dd')?.textContent === String(n), wanted, { timeout: 60_000 });
      await pill(page, 'Met');
    }
    // All read the same pairings, and the terminal too, from what one of them hands it.
    const rows = [];
    for (const page of pages) {
      await page.evaluate(() => { location.hash = '#/review/forest'; });
      await page.getByRole('button', { name: 'As a table' }).first().click();
      await page.locator('table').first().waitFor();
      rows.push(await page.locator('table').first().innerText());
    }
    assert.equal(rows[0], rows[1]);
    assert.equal(rows[0], rows[2]);
    assert.match(rows[0], /TERM-1/);
    await pages[2].evaluate(() => { location.hash = '#/crew'; });
    const handed = pages[2].waitForEvent('download');
    await pages[2].getByRole('button', { name: 'Carry file out' }).click();
    const back = join(folder, 'back.carry');
    await (await handed).saveAs(back);
    await tool(['absorb', back], log);
    const told = JSON.parse(await tool(['--json', 'rates', '--by', 'lot'], log));
    assert.equal(told.rows.length, 4);
    assert.equal(told.rows.reduce((sum, row) => sum + row.shots, 0), wanted);
    assert.deepEqual(faults, []);
  } finally {
    await b.close();
    await server.stop();
    clear();
  }
}
