/** Erasure on a tablet: what the unit destroyed is dropped here, and own entries wait to be sent. */
import { expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import type { JsonContent } from '../sync/canonical-text';
import { makeOperation, type Operation, writeEnvelope } from '../sync/operation';
import { goOnPastDropped } from './dropping';
import { dropErasedBodies } from './erased-records';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { selectOperations } from './operation-rows';
import { OperationStore } from './operation-store';

const NOON = 1_790_000_000_000;
const NAME = 'Quillonby-Marwick';
const OWN = {
  device: 'tablet-a',
  role: 'bedside' as const,
  token: 'token',
  unitName: 'Unit',
  streams: ['care', 'booking', 'unit'],
};

/** Somebody else's log, each operation continuing it. */
class Writer {
  #last: Operation | null = null;

  constructor(readonly device: string) {}

  write(record: string, stream: string, set: Record<string, JsonContent>): Operation {
    const counter = (this.#last?.counter ?? 0) + 1;
    this.#last = makeOperation({
      device: this.device,
      epoch: 'ep01',
      counter,
      previous: this.#last?.hash ?? '',
      stream,
      record,
      stamp: `00${NOON + counter}.00000.${this.device}`,
      body: {
        salt: String(counter).padStart(32, '0'),
        by: 'staff/s-1',
        tappedBy: 'staff/s-1',
        catalogue: 7,
        set,
        over: {},
        retract: [],
        because: '',
      },
    });
    return this.#last;
  }
}

let seq = 0;
function pull(store: OperationStore, stream: string, ...operations: Operation[]): string[] {
  const rows = operations.map((one) => [++seq, writeEnvelope(one), one.bodyText] as const);
  return store.applyPulled(stream, rows, seq, NOON);
}

async function tabletWithPatient(): Promise<{
  disk: MemoryDisk;
  store: OperationStore;
  other: Writer;
  patient: Operation;
}> {
  const disk = await openMemoryDisk();
  const store = new OperationStore(disk.database, packagedCatalogue());
  store.becomeDevice(OWN, 'ep01');
  const other = new Writer('tablet-b');
  const patient = other.write('patient/p-1', 'booking', { family_name: NAME });
  pull(store, 'booking', patient, other.write('patient/p-2', 'booking', { family_name: 'Other' }));
  pull(store, 'care', other.write('case/c-1', 'care', { patient: 'patient/p-1' }));
  return { disk, store, other, patient };
}

const ERASED = ['patient/p-1', 'case/c-1', 'puncture/x-1'];
const bodiesOf = (store: OperationStore) =>
  selectOperations(store.database, '', []).map((one) => one.bodyText ?? '');

test('drops the bodies that an erasure of the unit server names, and shows them no more [ER4]', async () => {
  const { store } = await tabletWithPatient();
  const hashes = selectOperations(store.database, '', []).map((one) => one.hash);

  const touched = pull(
    store,
    'unit',
    new Writer('unit-server').write('erasure/e-1', 'unit', { of: ERASED }),
  );

  expect(touched).toEqual(expect.arrayContaining(ERASED));
  expect(store.read({ kind: 'patient' }).map((one) => one.record)).toEqual(['patient/p-2']);
  expect(store.read({ kind: 'case', record: 'case/c-1' })).toEqual([]);
  expect(bodiesOf(store).join('')).not.toContain(NAME);
  expect(selectOperations(store.database, '', []).map((one) => one.hash)).toEqual(
    expect.arrayContaining(hashes),
  );
  store.rebuild();
  expect(store.everyRecord()).not.toContain('patient/p-1');
});

/** The planted bug it has caught: any device's word was taken for the unit's. */
test('an erasure that another device wrote counts for nothing [ER4]', async () => {
  const { store, other } = await tabletWithPatient();

  pull(store, 'unit', other.write('erasure/e-1', 'unit', { of: ERASED }));

  expect(store.read({ kind: 'patient' })).toHaveLength(2);
  expect(bodiesOf(store).join('')).toContain(NAME);
});

/** The planted bug it has caught: own entries that the unit had never seen were dropped. */
test('own entries stay until the unit holds them, and go then [ER4]', async () => {
  const { store } = await tabletWithPatient();
  const circumstances = { wallMs: NOON, newSalt: () => '7'.repeat(32) };
  const draft = { draftId: 'd', record: 'case/c-1', set: { indication: `${NAME} bleeds` } };
  store.save([draft], { by: 'staff/s-1', tappedBy: 'staff/s-1' }, circumstances);

  pull(store, 'unit', new Writer('unit-server').write('erasure/e-1', 'unit', { of: ERASED }));

  expect(store.read({ kind: 'case' })).toEqual([]);
  expect(store.ownLog('ep01', 1, 10).map((one) => one.bodyText)).not.toContain(null);
  expect(dropErasedBodies(store.database, 'tablet-a')).toBe(false);
  expect(store.unsent().count).toBe(1);

  store.noteHeldByUnit('ep01', 1);
  expect(dropErasedBodies(store.database, 'tablet-a')).toBe(true);
  expect(bodiesOf(store).join('')).not.toContain(NAME);
  expect(store.tip().counter).toBe(1);

  // A unit that was put back lacks it: it is sent as withheld, and no epoch is given up for it.
  store.noteHeldByUnit('ep01', 0);
  expect(store.ownLog('ep01', 1, 10).map((one) => one.bodyText)).toEqual([null]);
  expect(goOnPastDropped(store, 'ep02')).toBe(false);
});

/** The planted bug it has caught: a body that came by a file was filled in again. */
test('no body of an erased record is kept again, also where it is set aside [ER3]', async () => {
  const { store, other, patient } = await tabletWithPatient();
  pull(store, 'unit', new Writer('unit-server').write('erasure/e-1', 'unit', { of: ERASED }));
  const later = other.write('patient/p-1', 'booking', { given_name: NAME });
  const aside = other.write('case/c-1', 'care', { indication: NAME });

  pull(store, 'booking', patient, later);
  store.applyPulled('care', [[++seq, writeEnvelope(aside), `${aside.bodyText} `]], seq, NOON);

  expect(bodiesOf(store).join('')).not.toContain(NAME);
  expect(store.read({ kind: 'patient' }).map((one) => one.record)).toEqual(['patient/p-2']);
  const [kept] = store.database.select('SELECT body FROM quarantine');
  expect(kept?.body).toBe(null);
});
