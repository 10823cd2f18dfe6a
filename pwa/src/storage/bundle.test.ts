/** Bundles on the tablet: whole or refused, and taken in as an exchange would. */
import { beforeAll, beforeEach, expect, test, vi } from 'vitest';
import type { Json } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type Bundle, BundleError, readBundle, writeBundle } from './bundle';
import { collectBundle, signOwnHead, takeInBundle } from './bundle-transfer';
import { openMemoryDisk } from './memory-database';
import { openMemoryFile } from './memory-file';
import { OperationStore, type OwnDevice } from './operation-store';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };

async function tablet(device: string, role: OwnDevice['role'] = 'bedside', epoch = 'ep01') {
  const store = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  store.becomeDevice({ device, role, token: null, unitName: '', streams: [] }, epoch);
  return store;
}

let salts = 0;
function write(store: OperationStore, record: string, set: Record<string, Json>) {
  salts += 1;
  const draft = { draftId: `d-${salts}`, record, set };
  return store.save([draft], WHO, {
    wallMs: 1_000 + salts,
    newSalt: () => salts.toString(16).padStart(32, '0'),
  });
}

async function carried(store: OperationStore, scope: 'all' | 'unsent' = 'all'): Promise<Bundle> {
  const bytes = await writeBundle(openMemoryFile, collectBundle(store, scope, 5));
  return readBundle(openMemoryFile, bytes);
}

// SQLite takes the console as it finds it when it is loaded, and names each damaged page there.
beforeAll(() => {
  vi.spyOn(console, 'warn').mockImplementation(() => {});
});

let a: OperationStore;
beforeEach(async () => {
  a = await tablet('tablet-a');
  write(a, 'case/c-1', { indication: 'bleed' });
  write(a, 'puncture/p-1', { case: 'case/c-1', stop_um: 30_000 });
  write(a, 'visit/v-1', { label: 'first visit' });
});

test('[BU1] [BU2] a bundle reads as it was written', async () => {
  const bundle = collectBundle(a, 'all', 5);

  expect(await carried(a)).toEqual(bundle);
  expect(bundle.operations).toHaveLength(3);
  expect(bundle.manifest).toEqual({
    madeBy: 'tablet-a',
    madeAtMs: 5,
    scope: 'all',
    streams: ['booking', 'care'],
  });
});

/** The planted bug it has caught: a bundle of everything where only what is unsent was asked. */
test('[BU1] of the own log only what the unit does not hold is unsent', async () => {
  a.noteHeldByUnit('ep01', 2);

  const bundle = await carried(a, 'unsent');

  expect(bundle.operations.map(([envelope]) => JSON.parse(envelope).op_id)).toEqual([
    'tablet-a.ep01.3',
  ]);
});

test('[BU3] another tablet shows the same, and the second time changes nothing', async () => {
  const b = await tablet('tablet-b');
  const bundle = await carried(a);

  const taken = takeInBundle(b, bundle, 2_000);

  expect(taken).toMatchObject({ taken: 3, known: 0, waiting: 0, left: 0, setAside: 0 });
  expect(taken.records.sort()).toEqual(['case/c-1', 'puncture/p-1', 'visit/v-1']);
  expect(b.read({ kind: 'case' })).toEqual(a.read({ kind: 'case' }));
  expect(b.read({ kind: 'puncture', parent: 'case/c-1' })).toEqual(a.read({ kind: 'puncture' }));
  const rows = b.database.select('SELECT * FROM operation ORDER BY seq');
  expect(takeInBundle(b, bundle, 3_000)).toMatchObject({ taken: 0, known: 3, records: [] });
  expect(b.database.select('SELECT * FROM operation ORDER BY seq')).toEqual(rows);
  expect(b.unsent().count).toBe(0);
});

/** The planted bug it has caught: the streams of a bedside tablet for every role. */
test('[BU4] a desk takes in no clinical operation', async () => {
  const desk = await tablet('desk-1', 'booking');

  expect(takeInBundle(desk, await carried(a), 2_000)).toMatchObject({ taken: 1, left: 2 });
  expect(desk.read({ kind: 'case' })).toEqual([]);
  expect(desk.database.select("SELECT 1 FROM operation WHERE stream = 'care'")).toEqual([]);
});

/** Planted bugs it has caught: rule files and erasures of anybody, and the server's own log. */
test('[BU4] no file speaks for the unit server', async () => {
  const server = await tablet('unit-server');
  const told = write(server, 'rule_file_release/r-1', { file: 'sizing/limits' });
  const liar = await tablet('tablet-x');
  write(liar, 'rule_file_release/r-2', { file: 'sizing/limits' });
  write(liar, 'site/s-1', { live_from: '2026-01-01' });
  write(liar, 'erasure/e-1', { of: ['case/c-1'], because: 'asked' });
  liar.save([{ draftId: 'd-x', record: 'staff/s-9', retract: told.references }], WHO, {
    wallMs: 5_000,
    newSalt: () => '7'.repeat(32),
  });

  expect(takeInBundle(a, await carried(server), 6_000)).toMatchObject({ taken: 0, left: 1 });
  expect(takeInBundle(a, await carried(liar), 6_000)).toMatchObject({ taken: 0, setAside: 4 });
  expect(a.read({ kind: 'rule_file_release' })).toEqual([]);
});

/** The planted bug it has caught: own operations from a file counted as held by the unit. */
test('[BU5] the own log comes back whole from a file and is unsent again', async () => {
  const empty = await tablet('tablet-a', 'bedside', 'ep02');

  expect(takeInBundle(empty, await carried(a), 2_000)).toMatchObject({ taken: 3, waiting: 0 });

  expect(empty.tipOf('ep01')).toEqual(a.tipOf('ep01'));
  expect(empty.unsent().count).toBe(3);
  expect(empty.epochsToExchange()).toEqual(['ep02', 'ep01']);
  const saved = write(empty, 'puncture/p-9', { case: 'case/c-1' });
  expect(saved.references[0]).toMatch(/^tablet-a\.ep02\.1#/);
});

/** The planted bug it has caught: a gap in the own log taken in. */
test('[BU5] a gap in the own log waits in the file', async () => {
  const empty = await tablet('tablet-a', 'bedside', 'ep02');
  const bundle = await carried(a);

  const later = { ...bundle, operations: bundle.operations.slice(1) };
  expect(takeInBundle(empty, later, 2_000)).toMatchObject({ taken: 0, waiting: 2 });
  expect(takeInBundle(empty, bundle, 2_000)).toMatchObject({ taken: 3, waiting: 0 });
});

/** The planted bug it has caught: only the same counter looked at, not its neighbours. */
test('[BU3] another past before or after what is held is set aside', async () => {
  const [b, twin] = [await tablet('tablet-b'), await tablet('tablet-a')];
  write(twin, 'puncture/p-1', { case: 'case/c-1', stop_um: 20_000 });
  write(twin, 'puncture/p-2', { case: 'case/c-1', stop_um: 20_000 });
  const [own, other] = [await carried(a), await carried(twin)];
  const second = (bundle: Bundle) => ({ ...bundle, operations: bundle.operations.slice(1, 2) });
  const first = (bundle: Bundle) => ({ ...bundle, operations: bundle.operations.slice(0, 1) });

  takeInBundle(b, first(own), 2_000);
  expect(takeInBundle(b, second(other), 2_000)).toMatchObject({ taken: 0, setAside: 1 });
  expect(takeInBundle(b, first(other), 2_000)).toMatchObject({ taken: 0, setAside: 1 });
  const c = await tablet('tablet-c');
  takeInBundle(c, second(own), 2_000);
  expect(takeInBundle(c, first(other), 2_000)).toMatchObject({ taken: 0, setAside: 1 });
  expect(c.quarantined().count).toBe(1);
});

test('[BU6] the own head is signed by the key that the unit knows, else by none', async () => {
  const signer = { publicKey: btoa('key'), sign: async (text: string) => `signed ${text}` };
  const own = a.ownDevice() as OwnDevice;
  expect(await signOwnHead(a, signer)).toEqual([]);
  a.becomeDevice({ ...own, key: btoa('key') }, 'ep01');

  const { counter, hash } = a.tip();
  // SHA-256 of the three letters of the key.
  const name = '2c70e12b7a0646f92279f427c7b38e7334d8e5389cff167a1dc30e73f826b683';
  expect(await signOwnHead(a, signer)).toEqual([
    ['tablet-a', 'ep01', counter, hash, name, `signed crura-head\ntablet-a\nep01\n3\n${hash}`],
  ]);
  expect(await signOwnHead(a, { ...signer, publicKey: btoa('other') })).toEqual([]);
  expect(await signOwnHead(a, null)).toEqual([]);
});

test('[BU3] a forged body is set aside alone', async () => {
  const bundle = collectBundle(a, 'all', 5);
  const operations = bundle.operations.map(
    ([envelope, body], at) => [envelope, at === 1 ? body.replace('30000', '31000') : body] as const,
  );
  const b = await tablet('tablet-b');

  const bytes = await writeBundle(openMemoryFile, { ...bundle, operations });
  const taken = takeInBundle(b, await readBundle(openMemoryFile, bytes), 2_000);

  expect(taken).toMatchObject({ taken: 2, setAside: 1 });
  expect(b.read({ kind: 'puncture' })).toEqual([]);
});

test('[BU3] a disk that refuses in the middle leaves nothing half taken in', async () => {
  const b = await tablet('tablet-b');
  b.database.exec(`CREATE TRIGGER full BEFORE INSERT ON operation WHEN NEW.counter = 2
    BEGIN SELECT RAISE(ABORT, 'disk is full'); END`);

  const bundle = await carried(a);
  expect(() => takeInBundle(b, bundle, 2_000)).toThrow('disk is full');

  expect(b.database.select('SELECT * FROM operation')).toEqual([]);
  expect(b.read({ kind: 'case' })).toEqual([]);
});

test.each([
  ['nothing', new Uint8Array()],
  ['a text', new TextEncoder().encode('SQLite format 3')],
  ['noise', Uint8Array.from({ length: 5_000 }, (_, at) => (at * 73) % 251)],
])('[BU1] %s is refused in one sentence', async (_, bytes) => {
  await expect(readBundle(openMemoryFile, bytes)).rejects.toThrow(BundleError);
});

/** The planted bug it has caught: the comparison with the manifest left out. */
test('[BU2] one changed byte anywhere yields the same operations or none', {
  timeout: 60_000,
}, async () => {
  for (let number = 10; number < 40; number++) {
    write(a, `puncture/p-${number}`, { case: 'case/c-1', stop_um: number });
  }
  const bundle = collectBundle(a, 'all', 5);
  const bytes = await writeBundle(openMemoryFile, bundle);
  let refused = 0;
  for (let part = 0; part < 200; part++) {
    const place = Math.floor((part * bytes.length) / 200);
    for (const mask of [0x01, 0xff]) {
      const changed = bytes.slice();
      changed[place] = (changed[place] ?? 0) ^ mask;
      refused += await readsAlikeOrNot(changed, bundle);
    }
    refused += await readsAlikeOrNot(bytes.slice(0, place), bundle);
  }
  expect(refused).toBeGreaterThan(300);
});

async function readsAlikeOrNot(bytes: Uint8Array, bundle: Bundle): Promise<number> {
  try {
    expect(await readBundle(openMemoryFile, bytes)).toEqual(bundle);
    return 0;
  } catch (error) {
    if (!(error instanceof BundleError)) throw error;
    return 1;
  }
}
