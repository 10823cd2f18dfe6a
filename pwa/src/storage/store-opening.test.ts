/** Opening fails closed: damage is named, repaired from the second copy, or refused. */
import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { makeOperation, writeEnvelope } from '../sync/operation';
import { sayTold } from '../text/told';
import { whyOf } from '../told';
import type { Database } from './database';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { NewerStoreError } from './migrations';
import { OperationStore, type PulledRow } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { checkRecords } from './store-check';
import { openStore, StoreRefusedError } from './store-opening';

const OWN = {
  device: 'tablet-a',
  role: 'bedside' as const,
  token: null,
  unitName: '',
  streams: ['care'],
};
const AROUND = { nowMs: () => 1_000, newEpoch: () => 'ep02' };

let disk: MemoryDisk;
let copy: MemorySecondCopy;
let fresh: MemoryDisk;
beforeEach(async () => {
  disk = await openMemoryDisk();
  fresh = await openMemoryDisk();
  copy = new MemorySecondCopy();
  const store = new OperationStore(disk.database, packagedCatalogue());
  const keeper = new SecondCopyKeeper(disk.database, store, copy, AROUND);
  await keeper.settle();
  store.becomeDevice(OWN, 'ep01');
  for (let place = 1; place <= 30; place++) {
    store.save(
      [{ draftId: `d-${place}`, record: `puncture/p-${place}`, set: { stop_um: place } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 1_000, newSalt: () => String(place).padStart(32, '0') },
    );
  }
  await keeper.keep();
});

function open(current: () => Database = () => disk.database) {
  const files = { current, next: () => fresh.database };
  return openStore(files, packagedCatalogue(), copy);
}

test('a sound file is opened as it is', async () => {
  const { database, store } = await open();

  expect(database).toBe(disk.database);
  expect(store.unsent().count).toBe(30);
});

test.each([
  [
    'an entry',
    `UPDATE operation SET body = CAST(substr(body, 1, length(body) - 1) || '8' AS BLOB) WHERE counter = 7`,
  ],
  ['what entries share', `UPDATE phrase SET text = replace(text, 'staff/s-1', 'staff/s-2')`],
  ['a hash', `UPDATE operation SET hash = zeroblob(32) WHERE counter = 30`],
  ['a stamp', `UPDATE operation SET stamp = 'rt.0' WHERE counter = 9`],
  ['the tip', `UPDATE own_epoch SET hash = 'ab'`],
  ['who this is', `UPDATE meta SET content = '{"device"' WHERE name = 'own_device'`],
])('[REL-13] %s altered in the file: the second copy takes its place', async (_, sql) => {
  disk.database.exec(sql);

  const { database, store } = await open();
  await new SecondCopyKeeper(database, store, copy, AROUND).settle();

  expect(database).toBe(fresh.database);
  expect(store.read({ kind: 'puncture' })).toHaveLength(30);
  const states = store.read({ kind: 'puncture', record: 'puncture/p-7' });
  expect(states[0]?.fields.stop_um?.values[0]?.value).toBe(7);
  expect(sayTold(store.notice())).toMatch(/^Store repaired: 30 entries restored/);
});

test.each(['wiped', 'unreadable'])(
  '[REL-13] [HAZ-36] damaged, and the second copy %s: nothing is opened',
  async (state) => {
    disk.database.exec(`UPDATE operation SET hash = zeroblob(32) WHERE counter = 3`);
    if (state === 'wiped') copy.wipe();
    else copy.fails = 'read';

    const opened = open();

    await expect(opened).rejects.toThrow(StoreRefusedError);
    const why = await opened.then(String, whyOf);
    expect(sayTold(why)).toMatch(
      /^NOT SAVED: .* is damaged \(entry tablet-a.ep01.3 was altered\).* Nothing was deleted\./,
    );
  },
);

test('what is no damage is told as it is and sets nothing aside', async () => {
  disk.database.exec('PRAGMA user_version = 99');

  await expect(open()).rejects.toThrow(NewerStoreError);
  await expect(
    open(() => {
      throw new StoreRefusedError('NOT SAVED: no private files here.');
    }),
  ).rejects.toThrow('no private files here');
  expect(fresh.database.select('PRAGMA user_version')).toEqual([{ user_version: 0 }]);
});

test('[REL-13] own entries whose log was renamed in the file come back from the second copy', async () => {
  const wanted = openedStates();
  disk.database.exec(`UPDATE phrase SET text = 'tablet-a.ep09' WHERE text = 'tablet-a.ep01'`);

  const { database, store } = await open();
  await new SecondCopyKeeper(database, store, copy, AROUND).settle();
  const { altered } = checkRecords(database, packagedCatalogue(), '', 1_000, () => {});

  expect(altered).toHaveLength(30);
  expect(store.unsent().count).toBe(30);
  expect(store.read({ kind: 'puncture' })).toEqual(wanted);
});

function openedStates() {
  return new OperationStore(disk.database, packagedCatalogue()).read({ kind: 'puncture' });
}

/** Entries of another tablet on the same records, as they come in a page. */
function pulledRows(): PulledRow[] {
  let previous = '';
  return Array.from({ length: 30 }, (_, place) => {
    const operation = makeOperation({
      device: 'tablet-b',
      epoch: 'epbb',
      counter: place + 1,
      previous,
      stream: 'care',
      record: `puncture/p-${place + 1}`,
      stamp: `${String(2_000 + place).padStart(15, '0')}.00000.tablet-b`,
      body: {
        salt: `b${String(place).padStart(31, '0')}`,
        by: 'staff/s-2',
        tappedBy: 'staff/s-2',
        catalogue: 1,
        set: { case: `case/c-${place}`, bore_um: place },
        over: {},
        retract: [],
        because: '',
      },
    });
    previous = operation.hash;
    return [place + 1, writeEnvelope(operation), operation.bodyText] as const;
  });
}

/**
 * The planted bug it has caught: `checkOwnEntries` that looks at the chain and not at the texts.
 */
test('[REL-13] noise anywhere in the file is found, and what is shown is mended', async () => {
  const rows = pulledRows();
  new OperationStore(disk.database, packagedCatalogue()).applyPulled('care', rows, 30, 1_000);
  const wanted = openedStates();
  let seed = 99;
  const draw = (below: number) => {
    seed = (seed * 1_103_515_245 + 12_345) % 2 ** 31;
    return Math.floor((seed / 2 ** 31) * below);
  };
  const found = { atOpening: 0, later: 0 };
  for (let round = 0; round < 50; round++) {
    const damaged = disk.reopen((bytes) => {
      let at = draw(bytes.length);
      while (bytes[at] === 0) at = draw(bytes.length);
      for (let place = at; place < Math.min(at + 8, bytes.length); place++) {
        bytes[place] = draw(256);
      }
    });
    fresh = await openMemoryDisk();
    const { database, store } = await open(() => damaged.database);
    await new SecondCopyKeeper(database, store, copy, AROUND).settle();
    const { altered, mended } = checkRecords(database, packagedCatalogue(), '', 1_000, () => {});
    store.applyPulled('care', rows, 30, 1_000);

    if (database === fresh.database) found.atOpening += 1;
    else if (mended.length > 0) found.later += 1;
    const others = altered.filter(({ opId }) => opId.startsWith('tablet-b.'));
    expect(altered, `round ${round}`).toEqual(others);
    const shown = store.read({ kind: 'puncture' });
    expect(shown, `round ${round}`).toEqual(wanted);
  }
  expect(found.atOpening).toBeGreaterThan(10);
  expect(found.later).toBeGreaterThan(2);
}, 60_000);
