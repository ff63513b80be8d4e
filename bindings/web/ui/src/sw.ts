/// <reference lib="webworker" />
/**
 * Keeps the page and all that it needs, so that it opens with no signal. A new version is fetched whole beside the old
 * one and takes over when the page says so; nothing of the log passes here.
 */
const sw = globalThis as unknown as ServiceWorkerGlobalScope;

const KEPT = '__KEPT__' as unknown as string[];
const CACHE = 'embertally-__VERSION__';
const OURS = 'embertally-';

sw.addEventListener('install', (event) => {
  event.waitUntil(
    caches.open(CACHE).then((cache) => cache.addAll(KEPT.map((path) => new Request(path, { cache: 'reload' })))),
  );
});

sw.addEventListener('activate', (event) => {
  const clear = async (): Promise<void> => {
    const old = (await caches.keys()).filter((name) => name.startsWith(OURS) && name !== CACHE);
    await Promise.all(old.map((name) => caches.delete(name)));
    await sw.clients.claim();
  };
  event.waitUntil(clear());
});

sw.addEventListener('message', (event) => {
  if (event.data === 'take over') void sw.skipWaiting();
});

sw.addEventListener('fetch', (event) => {
  const { request } = event;
  const url = new URL(request.url);
  const path = request.mode === 'navigate' && url.pathname === '/' ? '/' : url.pathname;
  if (request.method !== 'GET' || url.origin !== sw.location.origin || !KEPT.includes(path)) return;
  const answer = async (): Promise<Response> => {
    const kept = await caches.open(CACHE).then((cache) => cache.match(path));
    return kept ?? fetch(request);
  };
  event.respondWith(answer());
});
