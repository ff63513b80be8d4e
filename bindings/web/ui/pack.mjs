/** `pack.mjs OUT DIST`: compresses what Vite made, and lists it for the server as a Rust slice. */
import { createHash } from 'node:crypto';
import { mkdirSync, readFileSync, readdirSync, rmSync, writeFileSync } from 'node:fs';
import { dirname, extname, join, relative } from 'node:path';
import { brotliCompressSync, constants, gzipSync } from 'node:zlib';

const [out, dist] = process.argv.slice(2);
const TYPES = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.wasm': 'application/wasm',
  '.svg': 'image/svg+xml',
  '.png': 'image/png',
  '.webmanifest': 'application/manifest+json',
};

rmSync(dist, { recursive: true, force: true });
const all = readdirSync(out, { withFileTypes: true, recursive: true });
const names = all.filter((f) => f.isFile()).map((f) => relative(out, join(f.parentPath, f.name))).sort();
const lines = [];
const sizes = [];
let sum = 0;
for (const name of names) {
  const type = TYPES[extname(name)];
  if (type === undefined) throw new Error(`no content type for ${name}`);
  const bytes = readFileSync(join(out, name));
  const path = name === 'index.html' ? '/' : `/${name}`;
  const isHashed = name.startsWith('assets/');
  const put = (suffix, content) => {
    mkdirSync(dirname(join(dist, name)), { recursive: true });
    writeFileSync(join(dist, name + suffix), content);
  };
  const tag = createHash('sha256').update(bytes).digest('hex').slice(0, 16);
  const include = (suffix) => `include_bytes!(${JSON.stringify(name + suffix)})`;
  let forms = `plain: Some(${include('')}), gzip: None, brotli: None`;
  let wire = bytes.length;
  if (extname(name) === '.png') {
    put('', bytes);
  } else {
    const brotli = brotliCompressSync(bytes, {
      params: { [constants.BROTLI_PARAM_QUALITY]: 11, [constants.BROTLI_PARAM_SIZE_HINT]: bytes.length, [constants.BROTLI_PARAM_LGWIN]: 22 },
    });
    put('.br', brotli);
    put('.gz', gzipSync(bytes, { level: 9 }));
    forms = `plain: None, gzip: Some(${include('.gz')}), brotli: Some(${include('.br')})`;
    wire = brotli.length;
  }
  sum += wire;
  sizes.push(`${String(wire).padStart(8)}  ${String(bytes.length).padStart(8)}  ${path}`);
  lines.push(`    Asset { path: ${JSON.stringify(path)}, content_type: ${JSON.stringify(type)}, tag: "${tag}", hashed: ${isHashed}, ${forms} },`);
}
writeFileSync(join(dist, 'assets.rs'), `// Written by bindings/web/build.\n&[\n${lines.join('\n')}\n]\n`);
writeFileSync(join(dist, 'SIZES'), `on the wire     whole  (bytes; brotli)\n${sizes.join('\n')}\n${String(sum).padStart(8)}            all\n`);
