/**
 * Keeps the program that reads codes on the tablet, so that labels are read without a network.
 *
 * It is no part of the first install: it is fetched once after a start and stays in a cache of its
 * own. Its name holds the hash of its content, so a build always finds the one it was made for.
 */
import readerUrl from 'zxing-wasm/reader/zxing_reader.wasm?url';

const CACHE = 'crura-label-reader';
/** The one of this build and that of the build before, which a live case may hold (HAZ-27). */
const MOST_KEPT = 2;

const hasCaches = () => 'caches' in globalThis;

/** Fetch the reader unless it is kept already; does nothing without a network. */
export async function keepReader(): Promise<void> {
  if (!hasCaches()) return;
  const cache = await caches.open(CACHE);
  if ((await cache.match(readerUrl)) !== undefined) return;
  await cache.add(readerUrl).catch(() => {});
  const older = (await cache.keys()).filter(({ url }) => new URL(url).pathname !== readerUrl);
  for (const request of older.slice(0, Math.max(0, older.length - MOST_KEPT + 1))) {
    await cache.delete(request);
  }
}

/** Return the bytes of the reader; null where they are not kept and the network has gone. */
export async function readReader(): Promise<ArrayBuffer | null> {
  await keepReader();
  const kept = hasCaches() ? await caches.match(readerUrl, { cacheName: CACHE }) : undefined;
  const answer = kept ?? (await fetch(readerUrl).catch(() => null));
  return answer?.ok ? answer.arrayBuffer() : null;
}
