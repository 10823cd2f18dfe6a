/**
 * A tablet that is met by files alone, for tests that carry bundles between unit and tablet.
 *
 * Takes in the bundle INWARD, writes one operation of its own and saves all to OUTWARD; prints
 * what was taken in, as one JSON.
 * Run from the folder `pwa`: node src/storage/carry-bundle.mjs INWARD OUTWARD ROLE
 */
import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { createServer } from 'vite';

const folder = (path) => fileURLToPath(new URL(path, import.meta.url));
const [inward, outward, role] = process.argv.slice(2);
const server = await createServer({
  configFile: false,
  root: folder('../..'),
  logLevel: 'error',
  appType: 'custom',
  resolve: { alias: { $catalogue: folder('../../../api/record_catalogue') } },
  server: { middlewareMode: true, watch: null, ws: false, fs: { allow: [folder('../../..')] } },
  optimizeDeps: { noDiscovery: true },
});
const load = (module) => server.ssrLoadModule(`/src/${module}`);
try {
  const { OperationStore } = await load('storage/operation-store.ts');
  const { packagedCatalogue } = await load('record-catalogue/packaged-catalogue.ts');
  const { openMemoryFile } = await load('storage/memory-file.ts');
  const { readBundle, writeBundle } = await load('storage/bundle.ts');
  const { collectBundle, takeInBundle } = await load('storage/bundle-transfer.ts');
  const store = new OperationStore((await openMemoryFile(null)).database, packagedCatalogue());
  const own = { device: 'tablet-t', role, token: null, unitName: '', streams: [] };
  store.becomeDevice(own, 'ep01');
  const bundle = await readBundle(openMemoryFile, new Uint8Array(readFileSync(inward)));
  const taken = takeInBundle(store, bundle, 1_000);
  store.save(
    [{ draftId: 'd-1', record: 'visit/v-of-tablet', set: { label: 'first visit' } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1_000, newSalt: () => '5'.repeat(32) },
  );
  writeFileSync(outward, await writeBundle(openMemoryFile, collectBundle(store, 'all', 2_000)));
  process.stdout.write(JSON.stringify({ ...taken, madeBy: bundle.manifest.madeBy }));
} finally {
  await server.close();
}
