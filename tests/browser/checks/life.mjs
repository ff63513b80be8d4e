import assert from 'node:assert/strict';
import { join } from 'node:path';

import { browser, crewServer, demo, door, opened, pill, prepare, save, scratch, watch } from '../lib.mjs';

async function withServer(work) {
  const { folder, clear } = scratch();
  const server = await crewServer(join(folder, 'server'));
  const b = await browser();
  const faults = [];
  try {
    await work(server, b, faults);
    assert.deepEqual(faults, []);
  } finally {
    await b.close();
    await server.stop();
    clear();
  }
}

async function fresh(b, server, faults, path = '/') {
  const context = await b.newContext({ viewport: { width: 360, height: 740 } });
  const page = await context.newPage();
  watch(page, faults);
  await page.goto(server.origin + path);
  await opened(page);
  return page;
}

const logged = (page) => page.locator('#recent span').textContent();

export async function a_worker_that_traps_or_is_killed_is_begun_anew_and_nothing_saved_is_lost() {
  await withServer(async (server, b, faults) => {
    const page = await fresh(b, server, faults, `/#${server.secret}`);
    await prepare(page);
    for (const how of ['trap', 'kill', 'trap', 'kill']) {
      await page.getByRole('button', { name: 'Failed', exact: true }).click();
      await page.getByRole('button', { name: 'Rest fired' }).click();
      await save(page);
      const lives = await page.evaluate(() => embertally.lives());
      // The next volley is said, and saved while the worker dies.
      await page.getByRole('button', { name: 'Rest fired' }).click();
      await page.evaluate((h) => embertally.endWorker(h), how);
      await save(page);
      assert.ok((await page.evaluate(() => embertally.lives())) > lives, `${how}: the worker is the old one`);
    }
    await page.waitForFunction(() => document.querySelector('#recent span')?.textContent === '8');
    await pill(page, 'Met');
    await page.reload();
    await opened(page);
    await page.waitForFunction(() => document.querySelector('#recent span')?.textContent === '8');
  });
}

export async function two_tabs_at_once_write_into_one_log_and_one_takes_over_when_the_other_goes() {
  await withServer(async (server, b, faults) => {
    const one = await fresh(b, server, faults);
    await prepare(one);
    const two = await one.context().newPage();
    watch(two, faults);
    await two.goto(server.origin);
    await opened(two);
    await two.locator('.chip.outing', { hasText: 'Dry run' }).waitFor();
    await two.locator('.pill', { hasText: 'other tab' }).waitFor({ state: 'attached' });
    await one.getByRole('button', { name: 'Rest fired' }).click();
    await save(one);
    await two.waitForFunction(() => document.querySelector('#recent span')?.textContent === '1');
    // The draft of the first tab is not the second one's; it says its own.
    await two.getByRole('button', { name: /^units/ }).click();
    await two.getByLabel(/^First unit/).fill('11');
    await two.getByRole('button', { name: 'Done' }).click();
    await two.getByRole('button', { name: 'Rest fired' }).click();
    await save(two);
    await one.waitForFunction(() => document.querySelector('#recent span')?.textContent === '2');
    await one.close();
    await two.getByRole('button', { name: 'Rest fired' }).click();
    await save(two);
    await two.waitForFunction(() => document.querySelector('#recent span')?.textContent === '3');
    await two.locator('.pill', { hasText: 'other tab' }).waitFor({ state: 'detached' });
  });
}

export async function a_new_version_waits_until_it_is_wanted_and_then_takes_over_whole() {
  await withServer(async (server, b, faults) => {
    const before_it = await door(server.origin);
    const page = await fresh(b, before_it, faults);
    await prepare(page);
    await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
    await page.reload();
    await opened(page);
    await page.waitForFunction(() => navigator.serviceWorker.controller !== null);
    const before = await page.evaluate(() => caches.keys());
    // The server comes to have another version: the same files under another name of the whole.
    before_it.alter = (path, text) => (path === '/sw.js' ? text.replace(/embertally-[0-9a-f]{16}/, 'embertally-00000000000000ff') : text);
    await page.getByRole('button', { name: 'Fired', exact: true }).click();
    await page.evaluate(() => navigator.serviceWorker.getRegistration().then((r) => r.update()));
    await page.getByText('A new version is here.').waitFor();
    assert.deepEqual((await page.evaluate(() => caches.keys())).filter((k) => before.includes(k)), before, 'the old version is still whole');
    const loaded = page.waitForEvent('load');
    await page.getByRole('button', { name: 'Use it now' }).click();
    await loaded;
    await opened(page);
    await page.waitForFunction(async () => (await caches.keys()).join() === 'embertally-00000000000000ff');
    // What was tapped before is still there, and the page opens from the new version with no network.
    await page.getByRole('button', { name: /Shot 1, unit 1: fired/ }).waitFor();
    await page.context().setOffline(true);
    await page.reload();
    await opened(page);
    await page.locator('.chip.outing', { hasText: 'Dry run' }).waitFor();
    await before_it.stop();
  });
}

export async function a_link_of_another_crew_is_refused_where_logs_would_mix() {
  await withServer(async (server, b, faults) => {
    const page = await fresh(b, server, faults, `/#${server.secret}`);
    await pill(page, 'Met');
    assert.ok(!(await page.evaluate(() => location.href)).includes('token'), 'the secret does not stay in the address');
    await prepare(page);
    const other = server.secret.replace(/crew=[0-9a-f]{4}/, 'crew=ffff');
    await page.goto(`${server.origin}/#${other}`);
    await page.reload();
    await page.goto(`${server.origin}/#${other}`);
    await page.getByRole('button', { name: 'Join', exact: true }).click();
    await page.locator('.said.bad', { hasText: 'another crew' }).waitFor();
  });
}

export async function the_demo_opens_its_season_with_one_address() {
  const season = await demo();
  const b = await browser();
  const faults = [];
  try {
    const page = await (await b.newContext()).newPage();
    watch(page, faults);
    await page.goto(season.address);
    await opened(page);
    await pill(page, 'Met');
    await page.getByText('invented data').waitFor();
    await page.goto(`${season.origin}/#/review/pairings?lot=TZ-03`);
    await page.getByRole('heading', { name: 'TZ-03 on time fuse, tarred' }).waitFor();
    assert.equal(await page.locator('.pairing').count(), 4);
    const file = page.waitForEvent('download');
    await page.getByRole('button', { name: 'CSV' }).click();
    assert.match((await file).suggestedFilename(), /pairings/);
    // A dispute is ruled on, and is none any more.
    await page.goto(`${season.origin}/#/review/disputes`);
    await page.getByRole('button', { name: 'Rule on it' }).click();
    await page.getByRole('dialog').getByRole('button', { name: 'failed', exact: true }).click();
    await page.getByLabel(/^Reason/).fill('The clip shows no light.');
    await page.getByRole('button', { name: 'Rule', exact: true }).click();
    await page.getByText('Nobody disagrees.').waitFor();
    await pill(page, 'Met');
    assert.deepEqual(faults, []);
  } finally {
    await b.close();
    await season.stop();
  }
}
