/** What the checks share: the tool, servers, browsers. */
import { spawn, execFile } from 'node:child_process';
import { createServer } from 'node:http';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { promisify } from 'node:util';

import { chromium } from 'playwright-core';

export const HERE = dirname(fileURLToPath(import.meta.url));
const ROOT = join(HERE, '..', '..');
export const TOOL = process.env.EMBERTALLY_TOOL ?? join(ROOT, 'target', 'debug', 'embertally');
export const CHROMIUM = process.env.EMBERTALLY_CHROMIUM ?? '/usr/bin/chromium';
const ARGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];

/** How long anything may take before a check fails. */
export const PATIENCE = 30_000;

export function scratch() {
  const folder = mkdtempSync(join(tmpdir(), 'embertally-browser-'));
  return { folder, clear: () => rmSync(folder, { recursive: true, force: true }) };
}

/** Runs the tool and returns what it printed. */
export async function tool(args, log) {
  const { stdout } = await promisify(execFile)(TOOL, [...(log ? ['--log', log] : []), ...args]);
  return stdout;
}

/** Starts a command of the tool that goes on, and waits for its first JSON object. */
export function serving(args) {
  const child = spawn(TOOL, args, { stdio: ['ignore', 'pipe', 'ignore'] });
  const ended = new Promise((done) => child.once('exit', done));
  const first = new Promise((found, fail) => {
    let text = '';
    child.stdout.on('data', (data) => {
      text += data;
      try {
        found(JSON.parse(text));
      } catch {
        // More is to come.
      }
    });
    child.once('exit', (code) => fail(new Error(`the tool ended with ${code}: ${text}`)));
  });
  const stop = async (signal = 'SIGTERM') => {
    child.kill(signal);
    await ended;
  };
  return first.then((told) => ({ told, stop }));
}

/** The demo's season, served. */
export async function demo(port = 0) {
  const { told, stop } = await serving(['--json', 'demo', '--serve', '--port', String(port)]);
  const url = new URL(told.address);
  return { address: told.address, origin: url.origin, secret: url.hash, stop };
}

/** A crew's server without TLS, as behind a proxy; it may be stopped and started again on the same port and data. */
export async function crewServer(data, listen = '127.0.0.1:0') {
  const { told, stop } = await serving(['--json', 'serve', '--data', data, '--plain', '--listen', listen]);
  const port = told.address.split(':').at(-1);
  const secret = told.invitation?.split('#')[1];
  return { port, origin: `http://localhost:${port}`, secret, stop };
}

export async function browser(options = {}) {
  return chromium.launch({ executablePath: CHROMIUM, args: ARGS, ...options });
}

/** A browser whose data outlives it, as on a phone. */
export async function phone(folder, options = {}) {
  return chromium.launchPersistentContext(folder, { executablePath: CHROMIUM, args: ARGS, viewport: { width: 360, height: 740 }, ...options });
}

/** Watches a page for what must not happen. */
export function watch(page, faults) {
  page.on('console', (m) => {
    const text = m.text();
    if (m.type() === 'error' && !text.includes('Failed to load resource') && !text.includes('WebSocket')) faults.push(`console: ${text}`);
  });
  page.on('pageerror', (e) => faults.push(`error: ${e.message}`));
  page.on('request', (r) => {
    const url = new URL(r.url());
    if (url.protocol.startsWith('http') && url.hostname !== 'localhost') faults.push(`asked elsewhere: ${r.url()}`);
  });
}

/** Waits until the page says that it has the log. */
export async function opened(page) {
  await page.waitForFunction(() => !document.querySelector('.pill')?.textContent?.includes('Opening'), undefined, { timeout: PATIENCE });
}

/** Waits until a condition on the page's state pill holds. */
export async function pill(page, text) {
  await page.waitForFunction((t) => document.querySelector('.pill .num')?.textContent?.startsWith(t), text, { timeout: PATIENCE });
}

/** Begins an outing and names a lot, in an empty log. */
export async function prepare(page, { outing = 'Dry run', lot = 'KB-104', fuse = 'visco, green' } = {}) {
  await page.getByRole('button', { name: /^Outing/ }).click();
  await page.getByLabel(/^Name, such as/).fill(outing);
  await page.getByRole('button', { name: 'Begin it' }).click();
  await page.locator('.chip.outing', { hasText: outing }).waitFor();
  for (const [chip, name] of [[/^Lot/, lot], [/^Fuse/, fuse]]) {
    if (name === null) continue;
    await page.getByRole('button', { name: chip }).click();
    const known = page.getByRole('dialog').getByRole('button', { name, exact: true });
    if (await known.count()) await known.click();
    else {
      await page.getByRole('dialog').locator('input').fill(name);
      await page.getByRole('button', { name: 'Add', exact: true }).click();
    }
  }
  await page.getByRole('dialog').waitFor({ state: 'detached' });
}

/** Presses Save and waits until "saved" is said. */
export async function save(page) {
  await page.getByRole('button', { name: /^Save/ }).click();
  await page.locator('.said', { hasText: 'Saved on this device' }).waitFor({ timeout: PATIENCE });
  await page.getByRole('button', { name: 'Dismiss' }).click().catch(() => undefined);
}

/** A door before a server that may change what comes through it. */
export async function door(origin) {
  const opened = { alter: (_path, text) => text };
  const server = createServer(async (request, response) => {
    const answer = await fetch(origin + request.url, { method: request.method, headers: { 'accept-encoding': 'identity' } }).catch(() => undefined);
    if (answer === undefined) return response.writeHead(502).end();
    const kind = answer.headers.get('content-type') ?? '';
    let body = Buffer.from(await answer.arrayBuffer());
    if (kind.startsWith('text/')) body = Buffer.from(opened.alter(request.url, body.toString()));
    const headers = Object.fromEntries(['content-type', 'content-security-policy'].flatMap((h) => (answer.headers.has(h) ? [[h, answer.headers.get(h)]] : [])));
    return response.writeHead(answer.status, { ...headers, 'cache-control': 'no-cache' }).end(body);
  });
  await new Promise((done) => server.listen(0, '127.0.0.1', done));
  opened.origin = `http://localhost:${server.address().port}`;
  opened.stop = () => new Promise((done) => { server.close(done); server.closeAllConnections(); });
  return opened;
}
