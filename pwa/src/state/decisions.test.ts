import { expect, test } from 'vitest';
import type { Json, RecordStore } from '../ports';
import { decisions } from '../text/decisions';
import { valueWords } from '../text/record';
import { aboutWhom, deviceOf, isLate, OpenDecisions, writtenMs } from './decisions.svelte';
import { draftOn, settleDraft, undoDraft } from './decisions-draft';
import { blankState, withFields } from './record-state';
import type { RecordState } from './shown';
import { dayWords, monthMarks, placeOnAxis, rangeWords, weekBefore } from './surveillance-dates';

const held = (value: Json, reference: string, stamp = '') => ({
  value,
  references: [reference],
  by: 'staff/a',
  stamp,
});
const patient = (references: string[], struck: string[] = []): RecordState => ({
  ...blankState('patient/p'),
  struck,
  fields: { phone: { values: references.map((one) => held('1', one)), isConflict: false } },
});

test('[CF2] settling names every reference of every answer', () => {
  const draft = settleDraft('patient/p', 'phone', '2', ['a.e.1#x', 'b.e.1#y'], 'Asked the patient');

  expect(draft.set).toEqual({ phone: '2' });
  expect(draft.over).toEqual({ phone: ['a.e.1#x', 'b.e.1#y'] });
  expect(draft.because).toBe('Asked the patient');
});

test('[HAZ-14] a second press is the same act until the screen shows what the first one did', () => {
  const before = draftOn(patient(['a.e.1#x']), 'patient/p', { phone: '2' });
  const bounced = draftOn(patient(['a.e.1#x']), 'patient/p', { phone: '2' });
  const redrawn = draftOn(patient(['a.e.2#y']), 'patient/p', { phone: '2' });
  const afterUndo = draftOn(patient(['a.e.1#x'], ['a.e.2#y']), 'patient/p', { phone: '2' });

  expect(bounced.draftId).toBe(before.draftId);
  expect(new Set([before, redrawn, afterUndo].map((one) => one.draftId)).size).toBe(3);
  expect(undoDraft('patient/p', ['a.e.2#y']).draftId).not.toBe(before.draftId);
});

test('[MG2] a form that opened earlier replaces what it showed then', () => {
  const draft = draftOn(
    patient(['a.e.9#z']),
    'patient/p',
    { phone: '2' },
    {
      over: { phone: ['a.e.1#x'] },
    },
  );

  expect(draft.over).toEqual({ phone: ['a.e.1#x'] });
});

test('an answer is said with who, when and on which device', () => {
  expect(writtenMs('001790000000123.00000.tab-a')).toBe(1_790_000_000_123);
  expect(writtenMs('nonsense')).toBeNull();
  expect(deviceOf('tab-a.e1.7#00ff')).toBe('tab-a');
});

test('[CF3] an open conflict tells what it holds back and since when it is open', async () => {
  const store = {
    read: async () => [],
    conflicts: async () => [
      {
        record: 'target/t',
        kind: 'target',
        field: 'size',
        values: [
          held(1, 'a.e.1#x', '001790000000123.00000.a'),
          held(2, 'b.e.1#y', '001790000060123.00000.b'),
        ],
      },
    ],
    onRecords: () => () => {},
  } as unknown as RecordStore;
  const open = new OpenDecisions(store);
  await new Promise((resolve) => setTimeout(resolve));

  expect(open.rows[0]).toMatchObject({
    holdsBack: ['plan', 'letter'],
    openSinceMs: 1_790_000_060_123,
  });
});

test('[HAZ-32] who wrote last settles a conflict, the oldest stands first, and a day later the lead hears', async () => {
  const row = (record: string, field: string, second: string, by: string) => ({
    record,
    kind: 'patient',
    field,
    values: [held(1, 'a.e.1#x', '001790000000123.00000.a'), { ...held(2, 'b.e.1#y', second), by }],
  });
  const store = {
    read: async () => [],
    conflicts: async () => [
      row('patient/new', 'phone', '001790000090123.00000.b', 'staff/n'),
      row('patient/old', 'phone', '001790000060123.00000.b', 'staff/o'),
    ],
    onRecords: () => () => {},
  } as unknown as RecordStore;
  const open = new OpenDecisions(store);
  await new Promise((resolve) => setTimeout(resolve));
  const [oldest] = open.rows;
  if (oldest === undefined) throw new Error('no conflict');
  const day = 24 * 60 * 60 * 1000;

  expect(open.rows.map(({ owner }) => owner)).toEqual(['staff/o', 'staff/n']);
  expect(isLate(oldest, 1_790_000_060_123 + day)).toBe(false);
  expect(isLate(oldest, 1_790_000_060_124 + day)).toBe(true);
  expect(decisions.ownedBy('Ada Byrne', true)).toContain('unit lead');
});

test('a record under a case is about the patient of the case', async () => {
  const records: RecordState[] = [
    withFields(blankState('patient/p'), { family_name: 'Sample', given_name: 'Sam' }),
    withFields(blankState('case/c'), { patient: 'patient/p' }),
    withFields(blankState('target/t'), { case: 'case/c' }),
    withFields(blankState('visit/v'), { patient: 'patient/p', case: 'case/c' }),
  ];
  const store = {
    read: async ({ record }: { record?: string }) => records.filter((one) => one.record === record),
  } as unknown as RecordStore;

  expect(await aboutWhom(store, 'target/t')).toBe('Sample, Sam');
  expect(await aboutWhom(store, 'visit/v')).toBe('Sample, Sam');
  expect(await aboutWhom(store, 'stock_item/x')).toBe('');
});

test('[HAZ-03] every quantity is said with its unit', () => {
  expect(valueWords({ short_axis_um: 14000, long_axis_um: 22500 })).toBe(
    'Short axis: 14 mm · Long axis: 22.5 mm',
  );
  expect(valueWords({ mix_ul: 1050 })).toBe('Mix (adhesive + oil): 1.05 mL');
  expect(valueWords(42000, 'elapsed_ms')).toBe('42 s');
  expect(valueWords(null)).toBe('nothing');
  expect(valueWords(true)).toBe('yes');
});

test('dates read with their weekday, also across a leap day', () => {
  // From memory, checked against the calendar: 29 February 2024 was a Thursday.
  expect(dayWords('2024-02-29')).toBe('Thu 29 Feb 2024');
  expect(dayWords('2026-03-16')).toBe('Mon 16 Mar 2026');
  expect(rangeWords('2026-12-28', '2027-01-04')).toBe('28 Dec 2026 – 4 Jan 2027');
  expect(rangeWords('2026-03-02', '2026-03-09')).toBe('2 Mar – 9 Mar 2026');
  expect(weekBefore('2026-03-02', 0).at(-1)).toBe('2026-02-24');
  expect(weekBefore('2026-03-02', 1)[0]).toBe('2026-02-23');
});

test('a day outside the axis sits at its end, and month marks stay few', () => {
  expect(placeOnAxis('2026-01-01', '2026-02-01', '2026-03-01')).toBe(0);
  expect(placeOnAxis('2026-02-15', '2026-02-01', '2026-03-01')).toBe(500);
  expect(placeOnAxis('2027-01-01', '2026-02-01', '2026-03-01')).toBe(1000);
  expect(monthMarks('2026-01-15', '2028-01-15').length).toBeLessThanOrEqual(8);
  expect(monthMarks('2026-11-15', '2027-02-15').map(({ words }) => words)).toEqual([
    'Dec',
    'Jan 2027',
    'Feb',
  ]);
});
