/** The second copy on the disk: nothing in clear, restored by the data key, sealed for the unit. */
import { beforeEach, expect, test } from 'vitest';
import { aboutEntry, makeReturnPair, openSealed } from '../network/sealing';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { cipherFor } from './data-key';
import { MemoryCopyShelf } from './memory-copy-shelf';
import { openMemoryDisk } from './memory-database';
import { OperationStore, type OwnDevice } from './operation-store';
import { ProtectedCopy } from './protected-copy';
import { SecondCopyKeeper } from './second-copy-keeper';

const KEY = new Uint8Array(32).fill(7);
const NAME = 'Zacharias Planted';
const OWN: OwnDevice = {
  device: 'tablet-a',
  role: 'bedside',
  token: null,
  unitName: '',
  streams: ['care'],
};
const random = (bytes: number) => crypto.getRandomValues(new Uint8Array(bytes));

let shelf: MemoryCopyShelf;
beforeEach(() => {
  shelf = new MemoryCopyShelf();
});

/** A tablet with entries that name somebody, all of them in the copy. */
async function tablet(count: number, own = OWN, key = KEY) {
  const { database } = await openMemoryDisk();
  const store = new OperationStore(database, packagedCatalogue());
  const copy = new ProtectedCopy(shelf, await cipherFor(key, 'copy', random));
  const around = { nowMs: () => 1_000, newEpoch: () => 'ep02' };
  const keeper = new SecondCopyKeeper(database, store, copy, around);
  await keeper.settle();
  if (store.ownDevice() === null) store.becomeDevice(own, 'ep01');
  for (let place = 1; place <= count; place++) {
    store.save(
      [{ draftId: `d-${place}`, record: `patient/p-${place}`, set: { name: NAME } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 1_000, newSalt: () => String(place).padStart(32, '0') },
    );
  }
  await keeper.keep();
  return { store, keeper, copy };
}

/** Every byte and text that lies in the copy. */
function lies(): string {
  const decoder = new TextDecoder('latin1');
  return JSON.stringify([shelf.head, shelf.entries, shelf.plain], (_, part) =>
    part instanceof Uint8Array ? decoder.decode(part) : part,
  );
}

/** [SEC-12] The planted bug it has caught: the record's id kept beside the row to find it by. */
test('no name, no record and no body of an entry lies in clear', async () => {
  await tablet(3);

  expect(shelf.entries).toHaveLength(3);
  for (const word of [NAME, 'patient/', 'salt', 'd-1', 'staff/s-1']) {
    expect(lies()).not.toContain(word);
  }
});

test('a lost file is filled from the copy again, under its key and no other', async () => {
  await tablet(3);

  const again = await tablet(0);
  expect(again.store.read({ kind: 'patient' })).toHaveLength(3);
  expect(again.store.unsent().count).toBe(3);

  const other = new ProtectedCopy(
    shelf,
    await cipherFor(
      KEY.map(() => 8),
      'copy',
      random,
    ),
  );
  expect((await other.read()).operations).toEqual([]);
});

test('[SE2] [SEC-14] a joined tablet seals each entry, those from before too', async () => {
  const { pair, publicKey } = await makeReturnPair();
  const { store, keeper } = await tablet(3);
  expect(shelf.entries.map(({ sealed }) => sealed)).toEqual([null, null, null]);

  store.becomeDevice({ ...OWN, token: 'token-a', serverKey: publicKey }, 'ep01');
  store.save(
    [{ draftId: 'd-4', record: 'patient/p-4', set: { name: NAME } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1_000, newSalt: () => '4'.padStart(32, '0') },
  );
  await keeper.keep();

  expect(shelf.entries).toHaveLength(4);
  const texts = await Promise.all(
    shelf.entries.map(async ({ epoch, counter, sealed }) => {
      const about = aboutEntry('tablet-a', epoch, counter);
      const opened = await openSealed(pair, about, sealed ?? new Uint8Array());
      return JSON.parse(new TextDecoder().decode(opened ?? new Uint8Array())) as string[];
    }),
  );
  const sent = store.ownOperations('ep01', 1, 10);
  expect(texts.sort()).toEqual(sent.sort());
  expect(lies()).not.toContain(NAME);
});

test('entries that an earlier version wrote plain are taken over and lie in clear no more', async () => {
  const { store } = await tablet(2);
  const { head } = shelf;
  shelf.plain = store.ownOperations('ep01', 1, 10).map(([envelope, body], place) => ({
    epoch: 'ep01',
    counter: place + 1,
    envelope,
    body,
    draftId: `d-${place + 1}`,
    takenInMs: 1_000,
  }));
  shelf.entries = [];
  shelf.head = head;
  expect(lies()).toContain(NAME);

  const again = await tablet(0);

  expect(again.store.unsent().count).toBe(2);
  expect(lies()).not.toContain(NAME);
  expect(shelf.entries).toHaveLength(2);
});

test('an entry that was altered on the disk is as good as not there, and written again', async () => {
  const { copy } = await tablet(2);
  const entry = shelf.entries[0];
  if (entry) entry.closed[20] = (entry.closed[20] ?? 0) ^ 1;

  expect((await copy.read()).operations.map(({ counter }) => counter)).toEqual([2]);
});
