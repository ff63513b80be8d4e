import { createHash } from 'node:crypto';
import { readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join, relative } from 'node:path';

import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig, type Plugin } from 'vite';

/** The files of a folder, all levels, in one order everywhere. */
function files(folder: string): string[] {
  const all = readdirSync(folder, { withFileTypes: true, recursive: true });
  return all.filter((f) => f.isFile()).map((f) => relative(folder, join(f.parentPath, f.name))).sort();
}

/** Writes into the finished service worker what it keeps, and a version that changes with any of it. */
function precache(): Plugin {
  let out = '';
  return {
    name: 'precache',
    apply: 'build',
    configResolved: (config) => {
      out = join(config.root, config.build.outDir);
    },
    closeBundle: () => {
      const kept = files(out).filter((name) => name !== 'sw.js');
      const hash = createHash('sha256');
      for (const name of kept) hash.update(name).update('\0').update(readFileSync(join(out, name)));
      const version = hash.digest('hex').slice(0, 16);
      const list = kept.map((name) => (name === 'index.html' ? '/' : `/${name}`));
      const path = join(out, 'sw.js');
      const text = readFileSync(path, 'utf8');
      writeFileSync(path, text.replace('"__KEPT__"', JSON.stringify(list)).replace('__VERSION__', version));
    },
  };
}

export default defineConfig({
  plugins: [svelte(), precache()],
  worker: { format: 'es' },
  build: {
    outDir: 'out',
    emptyOutDir: true,
    target: ['chrome111', 'firefox114', 'safari16.4'],
    modulePreload: { polyfill: false },
    assetsInlineLimit: 0,
    reportCompressedSize: false,
    rollupOptions: {
      input: { index: 'index.html', sw: 'src/sw.ts' },
      output: { entryFileNames: (chunk) => (chunk.name === 'sw' ? 'sw.js' : 'assets/[name]-[hash].js') },
    },
  },
});
