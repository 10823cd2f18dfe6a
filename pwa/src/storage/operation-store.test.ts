import { beforeEach, expect, test } from 'vitest';
import type { Draft } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { readOperation, referenceOf, writeEnvelope } from '../sync/operation';
import { sayTold } from '../text/told';
import { tell } from '../told';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { OperationStore, type PulledRow } from './operation-store';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-2' };
const NOON = 1_790_000_000_000;

interface Tablet {
  store: OperationStore;
  disk: MemoryDisk;
  save(...drafts: Draft[]): ReturnType<OperationStore['save']>;
}

async function newTablet(device: string): Promise<Tablet> {
  const disk = await openMemoryDisk();
  const store = new OperationStore(disk.database, packagedCatalogue());
  store.becomeDevice(
    { device, role: 'bedside', token: 't', unitName: 'Unit', streams: ['care', 'booking', 'unit'] },
    'ep01',
  );
  let drawn = 0;
  const newSalt = () => `${device.length}${String(++drawn)}`.padStart(32, '0');
  const save = (...drafts: Draft[]) => store.save(drafts, WHO, { wallMs: NOON + drawn, newSalt });
  return { store, disk, save };
}

/** All own operations of a tablet as they come from the server, one stream. */
function sent(tablet: Tablet): PulledRow[] {
  return tablet.store
    .ownOperations('ep01', 1, 1000)
    .map(([envelope, body], place) => [place + 1, envelope, body]);
}

const puncture = (draftId: string, stopUm: number): Draft => ({
  draftId,
  record: 'puncture/p-1',
  set: { case: 'case/c-1', stop_um: stopUm },
});

let a: Tablet;
let b: Tablet;
beforeEach(async () => {
  a = await newTablet('tablet-a');
  b = await newTablet('tablet-bb');
});

test('[REL-02] what was saved is there after a restart, byte for byte', () => {
  a.save(puncture('d-1', 30_000));
  const before = { states: a.store.read({ kind: 'puncture' }), texts: sent(a), tip: a.store.tip() };

  const again = new OperationStore(a.disk.reopen().database, packagedCatalogue());

  expect(again.read({ kind: 'puncture' })).toEqual(before.states);
  expect(again.ownOperations('ep01', 1, 10)).toEqual(
    before.texts.map(([, envelope, body]) => [envelope, body]),
  );
  expect(again.tip()).toEqual(before.tip);
  expect(before.tip.counter).toBe(1);
});

test('[HAZ-14] the same draft twice is one operation', () => {
  const first = a.save(puncture('d-1', 30_000));
  const second = a.save(puncture('d-1', 30_000));
  const together = a.save(puncture('d-2', 31_000), puncture('d-2', 31_000));

  expect(second.references).toEqual(first.references);
  expect(together.references[0]).toBe(together.references[1]);
  expect(a.store.tip().counter).toBe(2);
});

test('a draft id cannot be used for a second record', () => {
  a.save(puncture('d-1', 30_000));

  expect(() => a.save({ ...puncture('d-1', 1), record: 'puncture/p-2' })).toThrow(
    tell('draftElsewhere', { draft: 'd-1' }),
  );
  expect(a.store.tip().counter).toBe(1);
});

test('one bad draft of several leaves nothing behind', () => {
  const tip = a.store.tip();

  expect(() =>
    a.save(puncture('d-1', 30_000), {
      draftId: 'd-2',
      record: 'puncture/p-2',
      set: { stop_um: 1.5 },
    }),
  ).toThrow(/OP6/);

  expect(a.store.tip()).toEqual(tip);
  expect(a.store.read({ kind: 'puncture' })).toEqual([]);
  expect(a.store.unsent().count).toBe(0);
});

test('[LG1] each operation names the hash of the one before it', () => {
  a.save(puncture('d-1', 30_000), puncture('d-2', 31_000));
  const [first, second] = sent(a).map(([, envelope, body]) => readOperation(envelope, body));

  expect(first?.previous).toBe('');
  expect(second?.previous).toBe(first?.hash);
});

test('[MG1] operations of others in any order give the same state', () => {
  const first = a.save(puncture('d-1', 30_000));
  a.save({ ...puncture('d-2', 31_000), over: { stop_um: first.references } });
  a.save({ draftId: 'd-3', record: 'puncture/p-1', retract: first.references });
  const rows = sent(a);

  b.store.applyPulled('care', [...rows].reverse(), 3, NOON);
  b.store.applyPulled('care', rows, 3, NOON);

  expect(b.store.read({ kind: 'puncture' })).toEqual(a.store.read({ kind: 'puncture' }));
  expect(b.store.cursors()).toEqual({ care: 3 });
});

test('[MG4] two tablets that did not see each other make an open conflict on both', () => {
  a.save(puncture('d-1', 30_000));
  b.save(puncture('d-1', 32_000));
  const [ofA, ofB] = [sent(a), sent(b)];
  a.store.applyPulled('care', ofB, 1, NOON);
  b.store.applyPulled('care', ofA, 1, NOON);

  expect(a.store.conflicts()).toEqual(b.store.conflicts());
  const [conflict] = a.store.conflicts();
  expect(conflict?.field).toBe('stop_um');
  expect(conflict?.values.map((held) => held.value).sort()).toEqual([30_000, 32_000]);
});

test('[CF2] a resolution that names every reference settles the conflict everywhere', () => {
  a.save(puncture('d-1', 30_000));
  b.save(puncture('d-1', 32_000));
  a.store.applyPulled('care', sent(b), 1, NOON);
  const references = a.store.conflicts().flatMap((one) => one.values.flatMap((v) => v.references));
  a.save({
    draftId: 'd-2',
    record: 'puncture/p-1',
    set: { stop_um: 32_000 },
    over: { stop_um: references },
    because: 'chosen on screen',
  });
  b.store.applyPulled('care', sent(a), 2, NOON);

  expect(a.store.conflicts()).toEqual([]);
  expect(b.store.conflicts()).toEqual([]);
});

test('[MG9] a retracted record stays listed under its case, struck through', () => {
  const saved = a.save(puncture('d-1', 30_000));
  a.save({ draftId: 'd-2', record: 'puncture/p-1', retract: saved.references, because: 'slip' });

  const [state] = a.store.read({ kind: 'puncture', parent: 'case/c-1' });
  expect(state?.isEnteredInError).toBe(true);
  expect(state?.struck).toEqual(saved.references);
  expect(a.store.history('puncture/p-1').map((entry) => entry.isStruck)).toEqual([true, false]);
});

test('a record whose parents are in conflict is listed under each of them', () => {
  a.save({ draftId: 'd-1', record: 'target/t-1', set: { case: 'case/c-1' } });
  b.save({ draftId: 'd-1', record: 'target/t-1', set: { case: 'case/c-2' } });
  a.store.applyPulled('care', sent(b), 1, NOON);

  for (const parent of ['case/c-1', 'case/c-2']) {
    expect(a.store.read({ kind: 'target', parent }).map((state) => state.record)).toEqual([
      'target/t-1',
    ]);
  }
});

test('[OP5] a changed body is set aside alone and the rest is taken in', () => {
  a.save(puncture('d-1', 30_000), puncture('d-2', 31_000));
  const [first, second] = sent(a) as [PulledRow, PulledRow];
  const forged: PulledRow = [1, first[1], String(first[2]).replace('30000', '99000')];

  b.store.applyPulled('care', [forged, second], 2, NOON);

  expect(b.store.quarantined().count).toBe(1);
  expect(b.store.quarantined().sentence).toContain('not the one it commits to');
  expect(b.store.history('puncture/p-1').map((entry) => entry.set.stop_um)).toEqual([31_000]);
});

test('[SEC-23] an operation in a stream its kind does not belong to is set aside', () => {
  a.save(puncture('d-1', 30_000));

  b.store.applyPulled('booking', sent(a), 1, NOON);

  expect(b.store.read({ kind: 'puncture' })).toEqual([]);
  expect(b.store.quarantined().count).toBe(1);
});

test('[LG4] a second version under a known id is set aside and the first stays', () => {
  a.save(puncture('d-1', 30_000));
  b.store.applyPulled('care', sent(a), 1, NOON);
  const [row] = sent(a) as [PulledRow];
  const other = readOperation(row[1], row[2]);
  const fork = writeEnvelope({ ...other, stamp: other.stamp.replace('.00000.', '.00001.') });

  b.store.applyPulled('care', [[2, fork, row[2]]], 2, NOON);

  expect(sayTold(b.store.quarantined().sentence)).toContain('two versions');
  expect(b.store.history('puncture/p-1').map((entry) => entry.reference)).toEqual([
    referenceOf(other),
  ]);
});

test('[OP7] a kind of a newer version is kept and passed on untouched', async () => {
  const c = await newTablet('tablet-ccc');
  a.save(puncture('d-1', 30_000));
  const [row] = sent(a) as [PulledRow];
  const known = readOperation(row[1], row[2]);
  const envelope = writeEnvelope({ ...known, record: 'kind_of_next_year/k-1' });

  c.store.applyPulled('care', [[1, envelope, row[2]]], 1, NOON);

  const again = new OperationStore(c.disk.reopen().database, packagedCatalogue());
  expect(again.read({ kind: 'kind_of_next_year' })).toHaveLength(1);
  expect(again.quarantined().count).toBe(0);
});

test('[HC2] a wall clock that went back gives a later stamp all the same', () => {
  const newSalt = () => '0'.repeat(32);
  a.store.save([puncture('d-1', 1)], WHO, { wallMs: NOON, newSalt });
  a.store.save([puncture('d-2', 2)], WHO, { wallMs: NOON - 3_600_000, newSalt });

  const stamps = a.store.history('puncture/p-1').map((entry) => entry.stamp);
  expect(stamps).toEqual([
    `${String(NOON).padStart(15, '0')}.00000.tablet-a`,
    `${String(NOON).padStart(15, '0')}.00001.tablet-a`,
  ]);
});

test('[HC4] a stamp of next year is taken in and moves no clock', async () => {
  const fast = await newTablet('tablet-fast');
  fast.store.save([puncture('d-1', 1)], WHO, {
    wallMs: NOON + 366 * 86_400_000,
    newSalt: () => '0'.repeat(32),
  });
  a.store.applyPulled('care', sent(fast), 1, NOON);
  a.save({ ...puncture('d-2', 2), record: 'puncture/p-2' });

  expect(a.store.read({ kind: 'puncture' })).toHaveLength(2);
  expect(a.store.history('puncture/p-2')[0]?.wallMs).toBe(NOON);
});

test('the states made anew from the log are those that were kept', () => {
  a.save(puncture('d-1', 30_000));
  b.save(puncture('d-1', 32_000));
  a.store.applyPulled('care', sent(b), 1, NOON);
  const before = a.store.read({ kind: 'puncture' });

  a.store.rebuild();

  expect(a.store.read({ kind: 'puncture' })).toEqual(before);
});

test('unsent operations name the record, its case and its patient', () => {
  a.save(
    { draftId: 'd-0', record: 'case/c-1', set: { patient: 'patient/p-9' } },
    puncture('d-1', 30_000),
  );

  expect(a.store.unsentRecords()).toEqual(['case/c-1', 'patient/p-9', 'puncture/p-1']);
  a.store.noteHeldByUnit('ep01', 2);
  expect(a.store.unsentRecords()).toEqual([]);
  expect(a.store.unsent()).toEqual({ count: 0, oldestMs: null });
});

test('a booking device saves no clinical finding', async () => {
  const desk = await openMemoryDisk();
  const store = new OperationStore(desk.database, packagedCatalogue());
  store.becomeDevice(
    { device: 'desk', role: 'booking', token: 't', unitName: '', streams: ['booking', 'unit'] },
    'ep01',
  );

  expect(() =>
    store.save([puncture('d-1', 1)], WHO, { wallMs: NOON, newSalt: () => '0'.repeat(32) }),
  ).toThrow(tell('noFindings'));
  expect(store.tip().counter).toBe(0);
});

test('a store of a newer version is refused and left as it is', () => {
  a.disk.database.exec('PRAGMA user_version = 99');

  expect(() => new OperationStore(a.disk.database, packagedCatalogue())).toThrow(tell('newerApp'));
});

test('[EX7] a page that cannot be applied whole leaves neither operations nor cursor', () => {
  a.save(puncture('d-1', 30_000), puncture('d-2', 31_000));
  b.disk.database.exec(
    "CREATE TRIGGER torn BEFORE INSERT ON cursor BEGIN SELECT RAISE(ABORT, 'power cut'); END",
  );

  expect(() => b.store.applyPulled('care', sent(a), 2, NOON)).toThrow(/power cut/);

  expect(b.store.read({ kind: 'puncture' })).toEqual([]);
  expect(b.store.history('puncture/p-1')).toEqual([]);
  expect(b.store.cursors()).toEqual({});
});
