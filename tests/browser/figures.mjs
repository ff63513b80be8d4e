/** Measures the web shell: what comes over the wire, first paint, tap to saved, opening, redraws. A report, not a gate. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';

import { HERE, browser, crewServer, opened, phone, pill, prepare, save, scratch, tool } from './lib.mjs';

const median = (all) => [...all].sort((a, b) => a - b)[Math.floor(all.length / 2)];
const round = (n) => Math.round(n * 10) / 10;
const found = {};
const note = (what, value) => {
  found[what] = value;
  console.log(what.padEnd(60), value);
};

async function throttled(page, rate) {
  const cdp = await page.context().newCDPSession(page);
  await cdp.send('Emulation.setCPUThrottlingRate', { rate });
}

/** From the start of loading to the moment at which a tap on the field screen is possible. */
async function paint(page, origin) {
  await page.goto(`${origin}/`, { waitUntil: 'commit' });
  await page.locator('.chip.outing').waitFor();
  return page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN);
}

const usable = (page) => page.evaluate(() => performance.now());

function csv(shots) {
  const rows = ['outing,lot,unit,ignition,transfer,volley,module,channel,wiring,fuse,time,temperature_c'];
  let state = 20360314;
  const next = () => (state = (Math.imul(state, 1664525) + 1013904223) >>> 0) / 2 ** 32;
  for (let n = 0; n < shots; n += 1) {
    const volley = Math.floor(n / 10);
    const outing = Math.floor(volley / 200);
    const lot = `L-${volley % 8}`;
    const failed = next() < 0.03;
    const at = new Date(1.9e12 + outing * 864e5 + volley * 6e4).toISOString();
    rows.push(`Day ${outing},${lot},${n},${failed ? 'failed' : 'fired'},${failed || next() < 0.04 ? 'unlit' : 'lit'},v${volley},north,${(volley % 32) + 1},parallel,fuse ${volley % 5},${at},${(outing % 30) - 5}`);
  }
  return rows.join('\n') + '\n';
}

const { folder, clear } = scratch();
const server = await crewServer(join(folder, 'server'));
const b = await browser();
try {
  // The wire, as a browser counts it.
  {
    const page = await (await b.newContext()).newPage();
    const cdp = await page.context().newCDPSession(page);
    await cdp.send('Network.enable');
    let bytes = 0;
    cdp.on('Network.loadingFinished', (e) => (bytes += e.encodedDataLength));
    await page.goto(server.origin);
    await opened(page);
    note('over the wire until it can be used, kB (worker not counted)', round(bytes / 1000));
  }
  for (const [what, rate] of [['', 1], [', 4 × slower processor', 4]]) {
    const first = [];
    const ready = [];
    const again = [];
    const againReady = [];
    for (let n = 0; n < 5; n += 1) {
      const context = await b.newContext({ viewport: { width: 360, height: 740 } });
      const page = await context.newPage();
      await throttled(page, rate);
      first.push(await paint(page, server.origin));
      await page.locator('.chip.outing', { hasNotText: '…' }).waitFor();
      ready.push(await usable(page));
      await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
      await page.waitForTimeout(500);
      again.push(await paint(page, server.origin));
      await page.locator('.chip.outing', { hasNotText: '…' }).waitFor();
      againReady.push(await usable(page));
      await context.close();
    }
    note(`first paint${what}, ms`, round(median(first)));
    note(`the log is open${what}, ms`, round(median(ready)));
    note(`first paint from the cache${what}, ms`, round(median(again)));
    note(`the log is open, from the cache${what}, ms`, round(median(againReady)));
  }
  // Tap to saved, on a disk that outlives the browser.
  {
    const context = await phone(join(folder, 'phone'));
    const page = context.pages()[0];
    await page.goto(server.origin);
    await opened(page);
    await prepare(page);
    for (const rate of [1, 4]) {
      await throttled(page, rate);
      await page.evaluate(() => performance.clearMeasures());
      for (let n = 0; n < 15; n += 1) {
        await page.getByRole('button', { name: 'Failed', exact: true }).click();
        await page.getByRole('button', { name: 'Rest fired' }).click();
        await save(page);
      }
      const taps = await page.evaluate(() => performance.getEntriesByName('saved').map((m) => m.duration));
      note(`tap to saved, ten shots${rate > 1 ? ', 4 × slower page' : ''}, ms (median, worst)`, `${round(median(taps))}, ${round(Math.max(...taps))}`);
    }
    await context.close();
  }
  for (const shots of [10_000, 100_000]) {
    const file = join(folder, `${shots}.csv`);
    writeFileSync(file, csv(shots));
    const log = join(folder, `log-${shots}`);
    await tool(['import', file], log);
    const carry = join(folder, `${shots}.carry`);
    await tool(['carry', carry], log);
    const context = await phone(join(folder, `phone-${shots}`), { viewport: { width: 1440, height: 900 } });
    const page = context.pages()[0];
    await page.goto(`${server.origin}/#/crew`);
    await opened(page);
    await page.locator('input[type=file]').setInputFiles(carry);
    await page.locator('.said', { hasText: 'new entries' }).waitFor({ timeout: 120_000 });
    const opens = [];
    for (let n = 0; n < 5; n += 1) {
      await page.goto('about:blank');
      await page.goto(`${server.origin}/#/field`);
      await opened(page);
      opens.push(await page.evaluate(() => embertally.opened()));
    }
    note(`opening ${shots} shots: from the file to the ledger, ms`, round(median(opens)));
    for (const section of ['pairings', 'forest', 'heat', 'weather', 'trend', 'disputes']) {
      await page.evaluate(() => performance.clearMeasures('reviewed'));
      for (const lot of ['', 'L-1', '', 'L-2', '']) {
        await page.evaluate((hash) => { location.hash = hash; }, `#/review/${section}${lot ? `?lot=${lot}` : ''}`);
        await page.waitForTimeout(900);
      }
      const times = await page.evaluate(() => performance.getEntriesByName('reviewed').map((m) => m.duration));
      note(`review desk, ${section}, ${shots} shots, ms`, times.length ? round(median(times)) : 'none');
    }
    await context.close();
  }
  writeFileSync(join(HERE, 'out', 'figures.json'), JSON.stringify(found, null, 2));
} finally {
  await b.close();
  await server.stop();
  clear();
}
