/*
 * Part of the service worker: hands out the build that a live case began with (HAZ-27).
 *
 * A browser lets a waiting build take over once no window is open: a tablet that is killed in the
 * middle of a case would come back with another build. So the page keeps its own files aside while
 * a case is live (src/device/held-build.ts), and whichever service worker is active hands those
 * out until the page says that no case is live any more.
 */
const LIVE = 'crura-live';
const HELD = 'crura-held-';
const NOT_OURS = /^\/(api|schema)(\/|$)/;

/** Return the build that a live case began with, null while no case is live. */
async function heldBuild() {
  const live = await caches.match('/live', { cacheName: LIVE });
  return live === undefined ? null : live.text();
}

/** Return a file: of the held build, else of the build of this service worker, else of the unit. */
async function handOut(request, path) {
  const build = await heldBuild();
  const held = build === null ? undefined : await caches.match(path, { cacheName: HELD + build });
  if (held !== undefined) return held;
  // Files of a build that waits lie in the same cache, but behind those of the active one.
  const precache = (await caches.keys()).find((name) => name.includes('-precache-'));
  const own =
    precache === undefined
      ? undefined
      : await caches.match(path, { cacheName: precache, ignoreSearch: true });
  return own ?? fetch(request);
}

self.addEventListener('fetch', (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== 'GET' || origin !== self.location.origin || NOT_OURS.test(pathname)) return;
  event.stopImmediatePropagation();
  event.respondWith(handOut(request, request.mode === 'navigate' ? '/index.html' : pathname));
});
