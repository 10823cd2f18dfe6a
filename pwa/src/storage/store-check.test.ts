import { beforeEach, expect, test, vi } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { makeOperation, writeEnvelope } from '../sync/operation';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { recordNumber } from './operation-rows';
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
  const conflicts = store.conflicts();
  const numberOf = (record: string) => recordNumber(disk.database, record);
  disk.database.exec('UPDATE record_state SET has_conflict = 0 WHERE record = ?', [
    numberOf('puncture/p-17'),
  ]);
  disk.database.exec('DELETE FROM record_state WHERE record = ?', [numberOf('puncture/p-12')]);
  disk.database.exec('INSERT INTO record_parent VALUES (?, ?)', [
    numberOf('puncture/p-14'),
    numberOf('puncture/p-12'),
  ]);
  expect(store.read({ kind: 'puncture' })).not.toEqual(wanted);

  expect(checkAll(4)).toMatchObject({
    altered: [],
    mended: ['puncture/p-12', 'puncture/p-14', 'puncture/p-17'],
  });
  expect(store.read({ kind: 'puncture' })).toEqual(wanted);
  expect(store.conflicts()).toEqual(conflicts);
  expect(store.read({ kind: 'puncture', parent: 'puncture/p-12' })).toEqual([]);
});

/** The planted bug it has caught: a check that compares the commitment and not the hash. */
test.each([
  // Its last byte is the one value that it holds.
  `body = CAST(substr(body, 1, length(body) - 1) || '8' AS BLOB)`,
  `stamp = 'zz.0'`,
  `record = (SELECT record FROM operation WHERE counter = 1)`,
  `previous = zeroblob(32)`,
  `commitment = zeroblob(32)`,
  `hash = zeroblob(32)`,
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

/** The planted bug it has caught: what was read of the altered hash handed on to the next entry. */
test.each([7, 8, 10])(
  '[REL-13] behind a hash altered at %i no sound entry counts as altered, now or later',
  (counter) => {
    const wanted = store.read({ kind: 'puncture' });
    disk.database.exec('UPDATE operation SET hash = zeroblob(32) WHERE counter = ?', [counter]);

    // In the one case the entry behind is looked at first, in the other it is taken out before.
    expect(checkAll(4).altered).toEqual([`tablet-b.ep01.${counter}`]);
    expect(checkAll(4)).toMatchObject({ altered: [], mended: [] });
    store.applyPulled('care', rows, 30, 1_000);
    expect(checkAll(4)).toMatchObject({ altered: [], mended: [] });
    expect(store.read({ kind: 'puncture' })).toEqual(wanted);
  },
);

test('[REL-13] an own entry behind an altered hash still waits for the unit', () => {
  store.becomeDevice(
    { device: 'tablet-a', role: 'bedside', token: 't', unitName: 'Unit', streams: ['care'] },
    'ep01',
  );
  for (let place = 1; place <= 8; place++) {
    store.save(
      [{ draftId: `d${place}`, record: `puncture/o-${place}`, set: { stop_um: place } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 2_000 + place, newSalt: () => String(place).padStart(32, '0') },
    );
  }
  store.noteHeldByUnit('ep01', 5);
  const wanted = store.ownOperations('ep01', 6, 10);
  disk.database.exec(
    `UPDATE operation SET hash = zeroblob(32) WHERE counter = 5
     AND log = (SELECT id FROM phrase WHERE text = 'tablet-a.ep01')`,
  );

  expect(checkAll(4).altered).toEqual(['tablet-a.ep01.5']);

  expect(store.unsent().count).toBe(3);
  expect(store.ownOperations('ep01', 6, 10)).toEqual(wanted);
});

/** The planted bug it has caught: records picked by IN over the whole log. */
test('[REL-13] no piece of the check reads the whole log', () => {
  const plans: string[] = [];
  const select = disk.database.select.bind(disk.database);
  vi.spyOn(disk.database, 'select').mockImplementation((sql, bind) => {
    plans.push(...select(`EXPLAIN QUERY PLAN ${sql}`, bind).map((row) => String(row.detail)));
    return select(sql, bind);
  });

  checkRecords(disk.database, catalogue, '', 4, () => {});

  expect(plans.some((plan) => plan.includes('operation'))).toBe(true);
  expect(
    plans.filter((plan) => /\bSCAN (operation|record_state|record_parent)\b/.test(plan)),
  ).toEqual([]);
});
