import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { makeOperation, writeEnvelope } from '../sync/operation';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { OperationStore, type PulledRow } from './operation-store';
import { checkRecords } from './store-check';

const catalogue = packagedCatalogue();
let disk: MemoryDisk;
let store: OperationStore;
let rows: PulledRow[];

beforeEach(async () => {
  disk = await openMemoryDisk();
  store = new OperationStore(disk.database, catalogue);
  let previous = '';
  rows = Array.from({ length: 30 }, (_, place) => {
    const operation = makeOperation({
      device: 'tablet-b',
      epoch: 'ep01',
      counter: place + 1,
      previous,
      stream: 'care',
      record: `puncture/p-${10 + (place % 10)}`,
      stamp: `${String(1_000 + place).padStart(15, '0')}.00000.tablet-b`,
      body: {
        salt: String(place).padStart(32, '0'),
        by: 'staff/s-1',
        tappedBy: 'staff/s-1',
        catalogue: 1,
        set: { [place < 10 ? 'stop_um' : 'bore_um']: place },
        over: {},
        retract: [],
        because: '',
      },
    });
    previous = operation.hash;
    return [place + 1, writeEnvelope(operation), operation.bodyText] as const;
  });
  store.applyPulled('care', rows, 30, 1_000);
});

function checkAll(limit: number) {
  const altered: string[] = [];
  const mended: string[] = [];
  let pieces = 0;
  for (let after: string | null = ''; after !== null; pieces++) {
    const aside: string[] = [];
    const part = checkRecords(disk.database, catalogue, after, limit, (one) => {
      aside.push(one.opId);
    });
    // What is taken out is kept aside in the same breath.
    expect(aside).toEqual(part.altered.map((one) => one.opId));
    altered.push(...part.altered.map((one) => one.opId));
    mended.push(...part.mended);
    after = part.next;
  }
  return { altered, mended, pieces };
}

test('a sound record is left as it is, piece by piece', () => {
  const before = disk.database.select('SELECT * FROM record_state ORDER BY record');

  expect(checkAll(4)).toEqual({ altered: [], mended: [], pieces: 3 });
  expect(disk.database.select('SELECT * FROM record_state ORDER BY record')).toEqual(before);
});

test('[REL-13] a state that was altered on the disk is made anew from the log', () => {
  const wanted = store.read({ kind: 'puncture' });
  disk.database.exec(
    `UPDATE record_state SET state = replace(state, '"value":7', '"value":8') WHERE record = 'puncture/p-17'`,
  );
  disk.database.exec(`DELETE FROM record_state WHERE record = 'puncture/p-12'`);
  expect(store.read({ kind: 'puncture' })).not.toEqual(wanted);

  expect(checkAll(4)).toMatchObject({ altered: [], mended: ['puncture/p-12', 'puncture/p-17'] });
  expect(store.read({ kind: 'puncture' })).toEqual(wanted);
});

/** The planted bug it has caught: a check that compares the commitment and not the hash. */
test.each([
  `body = replace(body, '"stop_um":7', '"stop_um":8')`,
  `stamp = replace(stamp, '01007', '09007')`,
  `record = 'puncture/p-99'`,
  `previous = zeroblob(32)`,
])(
  '[REL-13] an entry altered on the disk (%s) counts for nothing until it comes again',
  (change) => {
    const wanted = store.read({ kind: 'puncture' });
    disk.database.exec(`UPDATE operation SET ${change} WHERE counter = 8`);

    const { altered } = checkAll(4);

    expect(altered).toHaveLength(1);
    const [after] = store.read({ kind: 'puncture', record: 'puncture/p-17' });
    expect(after?.fields.stop_um).toBeUndefined();
    store.applyPulled('care', rows, 30, 1_000);
    expect(
      store.read({ kind: 'puncture' }).filter((one) => one.record !== 'puncture/p-99'),
    ).toEqual(wanted);
  },
);
