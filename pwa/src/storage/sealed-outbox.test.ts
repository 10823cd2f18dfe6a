/** A locked tablet sends what was sealed, and what the unit has taken counts as sent afterwards. */
import { beforeEach, expect, test } from 'vitest';
import { aboutEntry, bytesOf, makeReturnPair, openSealed } from '../network/sealing';
import { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { cipherFor } from './data-key';
import { MemoryCopyShelf } from './memory-copy-shelf';
import { openMemoryDisk } from './memory-database';
import { OperationStore, type OwnDevice } from './operation-store';
import { ProtectedCopy } from './protected-copy';
import { SealedOutbox } from './sealed-outbox';
import { SecondCopyKeeper } from './second-copy-keeper';

const KEY = new Uint8Array(32).fill(7);
const random = (bytes: number) => crypto.getRandomValues(new Uint8Array(bytes));

interface Sent {
  device: string;
  entries: [string, number, string][];
  signature?: string;
}

let pair: CryptoKeyPair;
let own: OwnDevice;
let shelf: MemoryCopyShelf;
/** What the unit has opened, by its counter. */
let held: string[][];
let sizes: number[];
let answers: 'takes' | 'refuses' | 'silent' | 'takes-and-is-cut-off';

beforeEach(async () => {
  const made = await makeReturnPair();
  pair = made.pair;
  own = {
    device: 'tablet-a',
    role: 'bedside',
    token: 'token-a',
    unitName: 'Unit',
    streams: ['care'],
    serverKey: made.publicKey,
  };
  shelf = new MemoryCopyShelf();
  held = [];
  sizes = [];
  answers = 'takes';
});

/** A unit that opens what it is sent and takes in what follows. */
async function unit(path: string, init: RequestInit): Promise<Response> {
  if (answers === 'silent') throw new TypeError('network down');
  expect(path).toBe('/api/exchange/sealed');
  if (answers === 'refuses') {
    return new Response('{"detail":"No."}', { status: 403 });
  }
  const body = init.body instanceof ArrayBuffer ? await inflate(init.body) : String(init.body);
  const { entries } = JSON.parse(body) as Sent;
  sizes.push(entries.length);
  for (const [epoch, counter, sealed] of entries) {
    const opened = await openSealed(pair, aboutEntry('tablet-a', epoch, counter), bytesOf(sealed));
    if (opened === null) return new Response('{"detail":"It does not open."}', { status: 422 });
    if (counter === held.length + 1) held.push(JSON.parse(new TextDecoder().decode(opened)));
  }
  if (answers === 'takes-and-is-cut-off') throw new TypeError('cut off');
  const tip = { epoch: 'ep01', counter: held.length, hash: '' };
  return new Response(JSON.stringify({ tip, quarantined: [] }));
}

async function inflate(bytes: ArrayBuffer): Promise<string> {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).text();
}

const outbox = () => new SealedOutbox([shelf], new UnitRequests(unit), null);

/** One start of the open tablet on what the copy holds; saves more entries. */
async function openTablet(more: number) {
  const { database } = await openMemoryDisk();
  const store = new OperationStore(database, packagedCatalogue());
  const copy = new ProtectedCopy(shelf, await cipherFor(KEY, 'copy', random));
  const around = { nowMs: () => 1_000, newEpoch: () => 'ep02' };
  const keeper = new SecondCopyKeeper(database, store, copy, around);
  await keeper.settle();
  if (store.ownDevice() === null) store.becomeDevice(own, 'ep01');
  for (let place = 1; place <= more; place++) {
    store.save(
      [{ draftId: `d-${place}`, record: `patient/p-${place}`, set: { name: 'A Name' } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 1_000, newSalt: () => String(place).padStart(32, '0') },
    );
  }
  await keeper.keep();
  return store;
}

/** [SE3] [SEC-14] The planted bug it has caught: entries of one request not sent in their order. */
test('everything goes up in order, without the data key, and is counted down', async () => {
  const store = await openTablet(230);
  expect(await outbox().unsent()).toEqual({ count: 230, oldestMs: 1_000 });

  expect(await outbox().run()).toEqual({ kind: 'done' });

  expect(held).toEqual(store.ownOperations('ep01', 1, 300));
  expect(sizes).toEqual([100, 100, 30]);
  expect(await outbox().unsent()).toEqual({ count: 0, oldestMs: null });
  // The last one stays, by which a handshake compares (EX2).
  expect(shelf.entries.map(({ counter }) => counter)).toEqual([230]);
  expect(await outbox().run()).toEqual({ kind: 'done' });
  expect(sizes).toHaveLength(3);
});

test('the next start of the open tablet knows what was sent meanwhile', async () => {
  await openTablet(5);
  await outbox().run();

  const again = await openTablet(0);

  expect(again.heldByUnit('ep01')).toBe(5);
});

/** The planted bug it has caught: what was sent counted as held before the unit had answered. */
test('without an answer nothing counts as sent, and a repeat does no harm', async () => {
  await openTablet(5);
  answers = 'silent';
  expect(await outbox().run()).toEqual({ kind: 'no-network' });
  answers = 'takes-and-is-cut-off';
  expect(await outbox().run()).toEqual({ kind: 'no-network' });
  expect((await outbox().unsent()).count).toBe(5);
  expect(shelf.entries).toHaveLength(5);

  answers = 'takes';
  expect(await outbox().run()).toEqual({ kind: 'done' });

  expect(held).toHaveLength(5);
  expect((await outbox().unsent()).count).toBe(0);
});

test('a refusal is told with its sentence and changes nothing', async () => {
  await openTablet(2);
  answers = 'refuses';

  expect(await outbox().run()).toMatchObject({ kind: 'refused', sentence: 'No.' });
  expect((await outbox().unsent()).count).toBe(2);
});

test('a tablet that has not joined, and one without its signing key, send nothing', async () => {
  await openTablet(2);
  const { head } = shelf;
  if (head?.own) shelf.head = { ...head, own: { ...head.own, token: null } };
  expect(await outbox().run()).toEqual({ kind: 'done' });
  if (head?.own) shelf.head = { ...head, own: { ...head.own, key: 'of the enrolled one' } };
  expect((await outbox().run()).kind).toBe('refused');
  expect(held).toEqual([]);
});
