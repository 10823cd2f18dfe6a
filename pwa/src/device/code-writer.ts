/**
 * Draws the codes of an implant card on the tablet, without a network.
 *
 * The program that draws them is no part of the first install: it is fetched once after a start
 * and stays in a cache of its own. Its name holds the hash of its content.
 */
import writerUrl from 'zxing-wasm/writer/zxing_writer.wasm?url';
import type { CodeWriter } from '../ports';

const CACHE = 'crura-code-writer';
const KEEP_AFTER_MS = 20_000;

let loading: Promise<typeof import('zxing-wasm/writer') | null> | null = null;

export const browserCodes: CodeWriter = {
  keep() {
    setTimeout(() => void keepWriter(), KEEP_AFTER_MS);
  },
  async draw(kind, text) {
    loading ??= load();
    const writer = await loading;
    if (writer === null) {
      // The network may come back: the next code asks again.
      loading = null;
      return null;
    }
    const isGs1 = text.startsWith('[');
    const { svg, error } = await writer.writeBarcode(text, {
      format: kind === 'matrix' ? 'DataMatrix' : 'QRCode',
      options: kind === 'qr' ? 'ecLevel=M' : isGs1 ? 'gs1,forceSquare' : 'forceSquare',
      withQuietZones: true,
    });
    return error === '' && svg !== '' ? svg : null;
  },
};

/** Fetch the program unless it is kept already; does nothing without a network. */
async function keepWriter(): Promise<void> {
  if (!('caches' in globalThis)) return;
  const cache = await caches.open(CACHE);
  if ((await cache.match(writerUrl)) !== undefined) return;
  await cache.add(writerUrl).catch(() => {});
}

async function load(): Promise<typeof import('zxing-wasm/writer') | null> {
  await keepWriter();
  const kept =
    'caches' in globalThis ? await caches.match(writerUrl, { cacheName: CACHE }) : undefined;
  const answer = kept ?? (await fetch(writerUrl).catch(() => null));
  if (!answer?.ok) return null;
  const writer = await import('zxing-wasm/writer');
  writer.prepareZXingModule({ overrides: { wasmBinary: await answer.arrayBuffer() } });
  return writer;
}
