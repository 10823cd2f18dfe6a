import { expect, test } from 'vitest';
import type { HeldValue, RecordState } from '../ports';
import { patientLine } from '../text/patient';
import { isInConflict, listOf, numberOf, overOf, shown, textOf } from './shown';

const held = (value: HeldValue['value'], ...references: string[]): HeldValue => ({
  value,
  references,
  by: 'staff/s-1',
  stamp: '000000000001000.00000.a',
});
const state = (fields: RecordState['fields']): RecordState => ({
  record: 'patient/p-1',
  fields,
  struck: [],
  isEnteredInError: false,
  heads: [],
});
const one = (value: HeldValue['value'], ...references: string[]) => ({
  values: [held(value, ...references)],
  isConflict: false,
});
const open = { values: [held('A', 'a#1'), held('B', 'b#1', 'c#1')], isConflict: true };

test('[MG4] a field in conflict shows no value and names every reference for over', () => {
  const patient = state({ family_name: open });

  expect(shown(patient, 'family_name')).toBeUndefined();
  expect(textOf(patient, 'family_name')).toBe('');
  expect(isInConflict(patient, 'family_name')).toBe(true);
  expect(overOf(patient, 'family_name', 'sex')).toEqual({ family_name: ['a#1', 'b#1', 'c#1'] });
});

test('nothing is shown of a field that nobody filled in', () => {
  expect(shown(null, 'sex')).toBeUndefined();
  expect(shown(state({}), 'constructor')).toBeUndefined();
  expect(numberOf(state({}), 'stop_um')).toBeNull();
  expect(listOf(state({}), 'needs')).toEqual([]);
  expect(overOf(undefined, 'sex')).toEqual({});
});

test('zero and false are values', () => {
  const record = state({ count: one(0), active: one(false) });

  expect(numberOf(record, 'count')).toBe(0);
  expect(shown(record, 'active')).toBe(false);
});

test('the patient line names two identifiers', () => {
  const patient = state({
    family_name: one('Example'),
    given_name: one('Ada'),
    born_on: one('1961-05-04'),
    sex: one('female'),
    local_id: one('4711'),
  });

  expect(patientLine(patient)).toBe('Example, Ada · 1961-05-04 · F · ID 4711');
});

test('[HAZ-32] an open conflict in the patient line is marked, never guessed', () => {
  const patient = state({ family_name: open, given_name: one('Ada'), local_id: open });

  expect(patientLine(patient)).toBe('?, Ada · ID ?');
});
