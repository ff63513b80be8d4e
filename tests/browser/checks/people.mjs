import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';

import { HERE, browser, crewServer, demo, opened, pill, prepare, scratch, watch } from '../lib.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const VIEWS = ['field', 'live', 'review/pairings', 'review/forest', 'review/heat', 'review/weather', 'review/delays', 'review/trend', 'review/volleys', 'review/disputes', 'crew'];
const SIZES = [[360, 740], [768, 1024], [1440, 900]];

async function violations(page) {
  // As tall as its content: what the bar at the foot covers can be scrolled to, which the rules do not see.
  const size = page.viewportSize();
  const height = await page.evaluate(() => document.documentElement.scrollHeight);
  await page.setViewportSize({ width: size.width, height: Math.max(size.height, height + 80) });
  // Run from outside the page's policy, which allows no such script.
  await page.evaluate(AXE);
  const found = await page.evaluate(() => axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
  await page.setViewportSize(size);
  return found.violations.map((v) => `${v.id}: ${v.help}\n    ${v.nodes.slice(0, 3).map((n) => `${n.target.join(' ')} ${n.any[0]?.message ?? ''}`).join('\n    ')}`);
}

/** Targets smaller than a thumb in a glove. */
const small = (page) => page.evaluate(() => [...document.querySelectorAll('.screen button, .card button')].filter((b) => {
  const box = b.getBoundingClientRect();
  return box.width > 0 && (box.width < 55.5 || box.height < 55.5);
}).map((b) => `${b.className} ${b.textContent} ${b.getBoundingClientRect().width}×${b.getBoundingClientRect().height}`));

const overflow = (page) => page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);

export async function every_screen_in_both_lights_breaks_no_rule_of_accessibility_and_is_photographed() {
  const season = await demo();
  const b = await browser();
  const faults = [];
  try {
    for (const [width, height] of SIZES) {
      for (const theme of ['day', 'night']) {
        const context = await b.newContext({ viewport: { width, height }, colorScheme: theme === 'night' ? 'dark' : 'light', reducedMotion: 'reduce' });
        const page = await context.newPage();
        watch(page, faults);
        await page.goto(season.address);
        await opened(page);
        await pill(page, 'Met');
        for (const view of VIEWS) {
          await page.goto(`${season.origin}/#/${view}`);
          // The cautions come with the answer; the other screens have none.
          await page.locator(view === 'field' || view === 'crew' ? 'main .chip, main dl dd' : 'main .caution').first().waitFor();
          await page.waitForTimeout(250);
          if (view === 'field') {
            await page.getByRole('button', { name: /^Outing/ }).click();
            await page.getByRole('dialog').locator('li .key').first().click();
            await page.getByRole('dialog').waitFor({ state: 'detached' });
            for (const word of ['Fired', 'Fired', 'Failed', 'Slow']) await page.getByRole('button', { name: word, exact: true }).click();
            await page.getByRole('button', { name: 'Not lit', exact: true }).click();
          }
          const name = `${width}x${height}-${theme}-${view.replace('/', '-')}`;
          await page.screenshot({ path: join(HERE, 'out', `${name}.png`) });
          for (const found of await violations(page)) faults.push(`${name}: ${found}`);
          if (width === 360) for (const found of await small(page)) faults.push(`${name}: smaller than 56 px: ${found}`);
          if ((await overflow(page)) > 0) faults.push(`${name}: wider than the screen by ${await overflow(page)} px`);
        }
        if (width === 360) {
          for (const [button, sheet] of [[/^Lot/, 'lot'], [/^unit/, 'layout'], [/^Delay, strength/, 'shot']]) {
            await page.goto(`${season.origin}/#/field`);
            await page.getByRole('button', { name: button }).click();
            await page.getByRole('dialog').waitFor();
            await page.waitForTimeout(200);
            await page.screenshot({ path: join(HERE, 'out', `${width}x${height}-${theme}-sheet-${sheet}.png`) });
            for (const found of await violations(page)) faults.push(`sheet ${sheet} ${theme}: ${found}`);
            await page.keyboard.press('Escape');
            await page.getByRole('dialog').waitFor({ state: 'detached' });
          }
        }
        await context.close();
      }
    }
    assert.deepEqual([...new Set(faults)], []);
  } finally {
    await b.close();
    await season.stop();
  }
}

/** Walks with Tab until the focus is on what is named. */
async function tabTo(page, wanted) {
  for (let n = 0; n < 60; n += 1) {
    await page.keyboard.press('Tab');
    const name = await page.evaluate(() => {
      const e = document.activeElement;
      return (e?.getAttribute('aria-label') ?? e?.closest('label')?.textContent ?? e?.textContent ?? '').trim();
    });
    if (wanted.test(name)) return;
  }
  throw new Error(`Tab never comes to ${wanted}`);
}

export async function a_volley_of_ten_is_logged_by_keyboard_alone_in_seconds() {
  const { folder, clear } = scratch();
  const server = await crewServer(join(folder, 'server'));
  const b = await browser();
  const faults = [];
  try {
    const page = await (await b.newContext()).newPage();
    watch(page, faults);
    await page.goto(server.origin);
    await opened(page);
    await tabTo(page, /^Outing/);
    await page.keyboard.press('Enter');
    await tabTo(page, /^Name, such as/);
    await page.keyboard.type('Keyboard evening');
    await page.keyboard.press('Enter');
    await page.locator('.chip.outing', { hasText: 'Keyboard evening' }).waitFor();
    await tabTo(page, /^Lot/);
    await page.keyboard.press('Enter');
    await tabTo(page, /^A new lot/);
    await page.keyboard.type('KB-7');
    await page.keyboard.press('Enter');
    await page.getByRole('dialog').waitFor({ state: 'detached' });
    await tabTo(page, /^Fuse/);
    await page.keyboard.press('Enter');
    await tabTo(page, /^Another fuse/);
    await page.keyboard.type('visco');
    await page.keyboard.press('Enter');
    await page.getByRole('dialog').waitFor({ state: 'detached' });
    await tabTo(page, /^Shot 1, unit 1/);
    for (const letter of 'fffxsfffff') await page.keyboard.press(letter);
    await page.keyboard.press('u');
    const said = await page.locator('[aria-live]').allTextContents();
    assert.ok(said.some((t) => t.includes('fuse not lit')), said.join('|'));
    await tabTo(page, /^Save 10 shots/);
    await page.keyboard.press('Enter');
    await page.locator('.said', { hasText: 'Saved on this device: 10 shots. 2 are live.' }).waitFor();
    // The focus is back at the first shot of the next volley.
    await page.waitForFunction(() => document.activeElement?.getAttribute('aria-label')?.startsWith('Shot 1, unit 11'));
    assert.deepEqual(faults, []);
  } finally {
    await b.close();
    await server.stop();
    clear();
  }
}
