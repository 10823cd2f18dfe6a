/** What this tablet tells people until one has seen to it. */
import { beforeEach, expect, test } from 'vitest';
import { nameFork, nameSetAside } from '../record-catalogue/alarms';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { seenToDrafts } from '../state/decisions-draft';
import { sayTold } from '../text/told';
import { listAlarms, listOpenAlarms } from './alarm-rows';
import { openMemoryDisk } from './memory-database';
import { OperationStore } from './operation-store';

const NOON = 1_790_000_000_000;
const WHO = { by: 'staff/otis', tappedBy: 'staff/otis' };
let drawn = 0;
const around = { wallMs: NOON, newSalt: () => (drawn++).toString(16).padStart(32, '0') };
let store: OperationStore;

beforeEach(async () => {
  store = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  const streams = ['care', 'booking', 'unit'];
  store.becomeDevice(
    { device: 'tablet-a', role: 'bedside', token: 't', unitName: '', streams },
    'ep01',
  );
  for (const counter of [1, 2]) {
    const draft = {
      draftId: `d${counter}`,
      record: 'puncture/p-1',
      set: { stop_um: counter },
    };
    store.save([draft], WHO, around);
  }
});

function seeTo(alarms = listAlarms(store), because = 'Told the data manager'): void {
  store.save(seenToDrafts(alarms, store.read({ kind: 'decision' }), because), WHO, around);
}

test('[CF5] a tablet without alarms tells of nothing', () => {
  expect([listAlarms(store), store.standingTrouble()]).toEqual([[], '']);
});

/** The planted bug it has caught: told for ever, whoever had seen to it. */
test('[CF5] what was set aside is told until a person has seen to it, and stays set aside', () => {
  const envelope = '{"op_id":"tablet-b.ep01.1","record":"puncture/p-9"}';
  store.setAside('tablet', 'tablet-b.ep01.1', envelope, '{}', 'It was altered.', NOON);
  expect(listAlarms(store)).toEqual([
    {
      name: nameSetAside(envelope, '{}'),
      kind: 'set-aside',
      op_id: 'tablet-b.ep01.1',
      record: 'puncture/p-9',
      sentence: 'It was altered.',
      received_ms: NOON,
    },
  ]);
  expect(sayTold(store.standingTrouble())).toBe(
    '1 entry was set aside for the data manager: It was altered.',
  );

  seeTo();

  expect(store.standingTrouble()).toBe('');
  expect(listAlarms(store)).toHaveLength(1);
  expect(store.quarantined().count).toBe(1);
});

test('[CF6] another one is told again, and a retracted decision opens the first', () => {
  store.setAside('tablet', 'tablet-b.ep01.1', 'e1', null, 'The first.', NOON);
  seeTo();
  store.setAside('unit', 'tablet-b.ep01.2', 'e2', '{}', 'The second.', NOON);
  expect(listOpenAlarms(store).map(({ sentence }) => sentence)).toEqual(['The second.']);

  const [decision] = store.read({ kind: 'decision' });
  const retract = decision?.heads ?? [];
  store.save([{ draftId: 'undo', record: decision?.record ?? '', retract }], WHO, around);

  expect(sayTold(store.standingTrouble())).toBe(
    '2 entries were set aside for the data manager: The second.',
  );
});

/** The planted bug it has caught: one text told twice, by this tablet and by the unit. */
test('[CF5] a text that both the unit and this tablet set aside is one alarm', () => {
  store.setAside('tablet', 'tablet-b.ep01.1', 'e1', '{}', 'Said here.', NOON);
  store.setAside('unit', 'tablet-b.ep01.1', 'e1', '{}', 'Said there.', NOON);

  expect(listAlarms(store).map(({ sentence }) => sentence)).toEqual(['Said here.']);
});

test('[LG4] a second version of a held entry is told as such, the held one itself is not', () => {
  const [held] = store.ownOperations('ep01', 1, 1);
  const [envelope = '', body = ''] = held ?? [];
  store.setAside('unit', 'tablet-a.ep01.1', envelope, body, 'Forged.', NOON);
  store.setAside('unit', 'tablet-a.ep01.1', envelope.replace('p-1', 'p-2'), '{}', 'Other.', NOON);
  store.setAside('unit', 'unknown', 'no envelope', null, 'Unreadable.', NOON);

  expect(listAlarms(store).map(({ kind, sentence }) => [kind, sentence])).toEqual([
    ['set-aside', 'Forged.'],
    ['fork', 'Other.'],
    ['set-aside', 'Unreadable.'],
  ]);
});

/** The planted bug it has caught: a fork of the own log told for ever. */
test('[CF5] [EX9] a fork of the own log is told until a person has seen to it', () => {
  store.reissueBranch('ep01', 2, 'ep02');
  expect(listAlarms(store).map(({ name, kind }) => [name, kind])).toEqual([
    [nameFork('tablet-a', 'ep01'), 'fork'],
  ]);
  expect(sayTold(store.standingTrouble())).toContain('Two devices have written as this one');

  seeTo(undefined, 'Second device found');
  expect(store.standingTrouble()).toBe('');

  store.reissueBranch('ep02', 1, 'ep03');
  expect(sayTold(store.standingTrouble())).toContain('Two devices have written as this one');
});
