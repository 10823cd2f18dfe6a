/** [HAZ-01] [HAZ-41] A case of another person goes there whole, and the stand-in of an emergency goes. */
import { describe, expect, test } from 'vitest';
import type { HistoryEntry, RecordState } from '../ports';
import { compareTraits, moveDrafts, othersOf } from './case-move';
import { blankState, withFields } from './record-state';

const person = (id: string, fields: Record<string, string>) =>
  withFields(blankState(`patient/${id}`), fields);
const ada = person('ada', {
  family_name: 'Reedmace',
  given_name: 'Ada',
  born_on: '1970-05-06',
  sex: 'female',
  local_id: 'TH-1',
  identity: 'confirmed',
});
const unknown = person('e', {
  family_name: 'Emergency 14:32',
  given_name: 'Unknown',
  identity: 'to-be-confirmed',
});
const under = (record: string): RecordState => {
  const [state, value] = [blankState(record), 'patient/e'];
  const held = { value, references: [`tab.e.${record}#1`], by: 'staff/a', stamp: '1' };
  return { ...state, fields: { patient: { values: [held], isConflict: false } } };
};
const [itself, visit] = [under('case/c'), under('visit/v')];
const entry = (counter: number, more: Partial<HistoryEntry> = {}) =>
  ({
    reference: `tab.e.${counter}#1`,
    set: { family_name: 'Emergency' },
    isStruck: false,
    retract: [],
    ...more,
  }) as unknown as HistoryEntry;
const history = [entry(1), entry(2), entry(3, { isStruck: true }), entry(4, { set: {} })];
const struck = { ...visit, record: 'visit/w', isEnteredInError: true };
const move = { itself, from: unknown, history, to: ada, visits: [visit, struck], casesThere: 1 };

describe('what a move writes', () => {
  test('[HAZ-01] the case and each visit that stands name the other person over what was shown', () => {
    const drafts = moveDrafts({ ...move, because: 'Identity is known now' });

    expect(drafts.map(({ record, set }) => [record, set?.patient])).toEqual([
      ['case/c', 'patient/ada'],
      ['visit/v', 'patient/ada'],
      ['patient/e', undefined],
    ]);
    expect(drafts.every(({ because }) => because === 'Identity is known now')).toBe(true);
    expect(drafts.map(({ over }) => over)).toEqual([
      { patient: ['tab.e.case/c#1'] },
      { patient: ['tab.e.visit/v#1'] },
      undefined,
    ]);
  });

  test('a stand-in is struck whole, once nothing else is under it', () => {
    const [, , strike] = moveDrafts({ ...move, because: 'x' });

    expect(strike?.retract).toEqual(['tab.e.1#1', 'tab.e.2#1']);
    expect(moveDrafts({ ...move, casesThere: 2, because: 'x' })).toHaveLength(2);
  });

  test('a person who was confirmed stays, also without a case', () => {
    const other = person('b', { family_name: 'Sedge', identity: 'confirmed' });

    expect(moveDrafts({ ...move, from: other, because: 'x' })).toHaveLength(2);
  });
});

test('[HAZ-42] what differs is told first, and nothing entered is no match', () => {
  const twin = person('t', { family_name: 'Reedmace', given_name: 'Adam', sex: 'male' });

  expect(compareTraits(twin, ada).map(({ trait, isSame }) => [trait, isSame])).toEqual([
    ['given_name', false],
    ['born_on', false],
    ['sex', false],
    ['local_id', false],
    ['family_name', true],
  ]);
});

test('it can go to anybody who stands and is known, by name', () => {
  const sedge = person('s', { family_name: 'Sedge', given_name: 'Bo' });
  const gone = { ...person('g', { family_name: 'Aaa' }), isEnteredInError: true };

  expect(othersOf([sedge, unknown, gone, ada], 'patient/x').map(({ record }) => record)).toEqual([
    'patient/ada',
    'patient/s',
  ]);
  expect(othersOf([sedge, ada], 'patient/ada')).toEqual([sedge]);
});
