/**
 * `run.mjs [NAME…]`: the checks of the web shell in a real browser, one after another; each is a function of its own file.
 * Artefacts (screenshots, figures) go to out/.
 */
import { mkdirSync, readdirSync } from 'node:fs';
import { join } from 'node:path';

import { HERE } from './lib.mjs';

mkdirSync(join(HERE, 'out'), { recursive: true });
const wanted = process.argv.slice(2);
const files = readdirSync(join(HERE, 'checks')).filter((f) => f.endsWith('.mjs')).sort();
let failed = 0;
for (const file of files) {
  const checks = await import(join(HERE, 'checks', file));
  for (const [name, check] of Object.entries(checks)) {
    const title = name.replace(/_/g, ' ');
    if (wanted.length > 0 && !wanted.some((w) => title.includes(w) || file.includes(w))) continue;
    const began = performance.now();
    try {
      await check();
      console.log(`ok    ${title} (${((performance.now() - began) / 1000).toFixed(1)} s)`);
    } catch (error) {
      failed += 1;
      console.error(`FAIL  ${title}\n${error.stack}`);
    }
  }
}
if (failed > 0) {
  console.error(`${failed} failed`);
  process.exitCode = 1;
}
