/** What is noted of people at a tablet: looks at patients, and what was done with PINs. */
import { beforeEach, expect, test } from 'vitest';
import { MemoryUnit } from '../network/memory-unit';
import { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type AccessNote, linesToSend, ONE_ACCESS_MS } from './access-rows';
import { KeyNotes } from './key-notes';
import { openMemoryDisk } from './memory-database';
import { MemorySecondCopy } from './memory-second-copy';
import { OperationStore } from './operation-store';
import { SecondCopyKeeper } from './second-copy-keeper';
import { StoreService } from './store-service';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const NOON = 1_790_000_000_000;

let nowMs: number;
let store: OperationStore;
let service: StoreService;
beforeEach(async () => {
  nowMs = NOON;
  const { database } = await openMemoryDisk();
  store = new OperationStore(database, packagedCatalogue());
  const around = { nowMs: () => nowMs, newEpoch: () => 'ep01' };
  const keeper = new SecondCopyKeeper(database, store, new MemorySecondCopy(), around);
  service = new StoreService(store, keeper, new UnitRequests(new MemoryUnit().fetch), {
    ...around,
    newSalt: () => '0'.repeat(32),
    newDeviceId: () => 'tablet-n',
    chance: () => 1,
    later: () => () => {},
    onRecords: () => {},
    onExchange: () => {},
  });
  service.startAlone('bedside');
  const drafts = [
    { draftId: 'd-1', record: 'patient/p-1', set: { family_name: 'Greyfen' } },
    { draftId: 'd-2', record: 'case/c-1', set: { patient: 'patient/p-1' } },
    { draftId: 'd-3', record: 'case/c-2', set: { patient: 'patient/p-1' } },
    { draftId: 'd-4', record: 'case/c-3', set: { stage: 'workup' } },
  ];
  expect(service.save(drafts, WHO).kind).toBe('saved');
  service.remember('who-taps', { id: 'staff/w', name: 'Dr W', role: 'endoscopist' });
});

const lines = () => (linesToSend(store.database, 100)?.lines ?? []).map((one) => JSON.parse(one));
const lookAt = (record: string) => service.read({ kind: 'case', record, isLookedAt: true });

/** The planted bug it has caught: what a list reads was noted as a look. */
test('a look at a case is noted once for a person and patient in 15 minutes [AU6]', () => {
  service.read({ kind: 'case' });
  service.read({ kind: 'case', record: 'case/c-1' });
  expect(lines()).toEqual([]);

  lookAt('case/c-1');
  lookAt('case/c-2');
  nowMs += ONE_ACCESS_MS - 1;
  lookAt('case/c-1');
  expect(lines()).toHaveLength(1);
  expect(lines()[0]).toMatchObject({
    device: 'tablet-n',
    person: 'staff/w',
    role: 'endoscopist',
    verb: 'read',
    object: 'case',
    records: ['patient/p-1', 'case/c-1'],
    at_ms: NOON,
  });
  expect(JSON.stringify(lines())).not.toContain('Greyfen');

  nowMs += 1;
  lookAt('case/c-2');
  service.remember('who-taps', { id: 'staff/x', name: 'Dr X', role: 'assistant' });
  lookAt('case/c-2');
  expect(lines().map((one) => one.person)).toEqual(['staff/w', 'staff/w', 'staff/x']);
});

test('a look at a patient alone is noted, and a case of nobody is not [AU6]', () => {
  lookAt('case/c-3');
  lookAt('case/none');
  expect(lines()).toEqual([]);
  service.read({ kind: 'patient', record: 'patient/p-1', isLookedAt: true });
  expect(lines()[0]).toMatchObject({ object: 'patient', records: ['patient/p-1'] });
});

/** The planted bug it has caught: wrong PINs of the locked tablet were lost with a reload. */
test('what was done with PINs waits in the ring until the records are open [AU4]', async () => {
  const kept = new Map<string, string | null>();
  const ring = {
    note: (name: string) => kept.get(name) ?? null,
    async keepNote(name: string, text: string | null) {
      kept.set(name, text);
    },
  };
  let atMs = NOON;
  const before = new KeyNotes(ring, () => atMs);
  await before.keep('unlock', ['staff/w', '000000'], { kind: 'wrong', triesLeft: 9 });
  await before.keep('keyStanding', [], {});
  atMs += 5;
  const after = new KeyNotes(ring, () => atMs);
  await after.keep('unlock', ['staff/w', '294618'], { kind: 'right' });
  await after.keep('addPerson', [{ staff: 'staff/y' }, '294618', null], { kind: 'refused' });
  await after.keep('removePerson', ['staff/y'], { kind: 'removed' });

  const taken: (Partial<AccessNote> & { atMs: number })[] = [];
  await after.handOver(({ verb, person, outcome }, at) =>
    taken.push({ verb, person, outcome, atMs: at }),
  );
  expect(taken).toEqual([
    { verb: 'unlock', person: 'staff/w', outcome: 'wrong', atMs: NOON },
    { verb: 'unlock', person: 'staff/w', outcome: 'done', atMs: NOON + 5 },
    { verb: 'add-pin', person: 'staff/y', outcome: 'refused', atMs: NOON + 5 },
    { verb: 'remove-pin', person: 'staff/y', outcome: 'done', atMs: NOON + 5 },
  ]);
  expect([...kept.values()].join('')).not.toContain('294618');
  await after.handOver(() => expect.unreachable());
});
