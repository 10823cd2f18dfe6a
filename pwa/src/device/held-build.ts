/**
 * Keeps the files of this build aside while a case is live; `public/hold-build.js` hands them out,
 * also after a kill, when the browser has let a waiting build take over (HAZ-27).
 */
import { BUILD } from './build';

const LIVE = 'crura-live';
const HELD = 'crura-held-';
const FLAG = '/live';

/** Without a service worker nothing is handed out but by the unit itself. */
const canHold = () => 'caches' in globalThis && navigator.serviceWorker?.controller != null;

/** Keep every file of this build, then say that a case is live; does nothing when it is said. */
export async function holdBuild(): Promise<void> {
  if (!canHold() || (await readHeld()) !== null) return;
  const held = await caches.open(HELD + BUILD);
  // Asked through the service worker of now, so that each is the file of this very build.
  await Promise.all(
    (await listFiles()).map(async (path) => {
      const answer = await fetch(path).catch(() => null);
      if (answer?.ok) await held.put(path, answer);
    }),
  );
  const isWhole = (await held.match('/index.html')) !== undefined;
  if (isWhole) await (await caches.open(LIVE)).put(FLAG, new Response(BUILD));
}

/** Say that no case is live any more and drop the files; returns whether any were kept. */
export async function releaseBuild(): Promise<boolean> {
  if (!('caches' in globalThis) || (await readHeld()) === null) return false;
  await caches.delete(LIVE);
  const names = await caches.keys();
  await Promise.all(
    names.filter((name) => name.startsWith(HELD)).map((name) => caches.delete(name)),
  );
  return true;
}

async function readHeld(): Promise<string | null> {
  const flag = await caches.match(FLAG, { cacheName: LIVE });
  return flag === undefined ? null : flag.text();
}

/** Return the path of every file that the service workers keep; a waiting build's are among them. */
async function listFiles(): Promise<string[]> {
  const names = (await caches.keys()).filter((name) => name.includes('-precache-'));
  const kept = await Promise.all(names.map(async (name) => (await caches.open(name)).keys()));
  return [...new Set(kept.flat().map(({ url }) => new URL(url).pathname))];
}
