import { expect, test } from 'vitest';
import type { RecordState } from '../ports';
import { countOthers, staffHere, staffToAdd } from './people-here';

const value = (one: string | boolean) => ({ values: [{ value: one, references: [] }] });
const person = (id: string, role: string, active = true) =>
  ({
    record: `staff/${id}`,
    isEnteredInError: false,
    fields: { name: value(id), role: value(role), active: value(active) },
  }) as unknown as RecordState;

const STAFF = [
  person('wren', 'endoscopist'),
  person('otis', 'assistant'),
  person('lark', 'anaesthetist'),
  person('cass', 'booking'),
  person('ida', 'unit-admin'),
  person('mona', 'auditor'),
  person('dora', 'data-manager'),
  person('tom', 'training'),
  person('gone', 'endoscopist', false),
];
const names = (people: readonly { name: string }[]) => people.map(({ name }) => name);

/** Caught: a booking person was offered a PIN on a tablet that shows every finding. */
test('[SEC-22] a bedside tablet offers a PIN to who treats, a booking device to all who work', () => {
  expect(names(staffHere(STAFF, 'bedside'))).toEqual(['lark', 'otis', 'wren']);
  expect(names(staffHere(STAFF, 'booking'))).toHaveLength(8);
});

test('who has a PIN here is not offered another', () => {
  const here = staffHere(STAFF, 'bedside').filter(({ name }) => name === 'otis');
  expect(names(staffToAdd(STAFF, here, 'bedside'))).toEqual(['lark', 'wren']);
});

/** Caught, as it stood: "others can unlock now" on a tablet on which one person has a PIN. */
test('others who can unlock now are those with a PIN who wait for nothing', () => {
  const nowMs = 1_000;
  const [lark, otis, wren] = staffHere(STAFF, 'bedside').map((person, at) => ({
    ...person,
    // lark may try again now, wren not yet
    waitUntilMs: [1_000, 0, 1_001][at] ?? 0,
  }));
  if (!lark || !otis || !wren) throw new Error('three people');
  expect(countOthers([otis], otis.staff, nowMs)).toBe(0);
  expect(countOthers([lark, otis, wren], otis.staff, nowMs)).toBe(1);
  expect(countOthers([lark, otis, wren], wren.staff, nowMs)).toBe(2);
});
