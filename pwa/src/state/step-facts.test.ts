import { expect, test } from 'vitest';
import type { CaseRecord } from './case-record.svelte';
import type { RecordState } from './shown';
import { stepFacts } from './step-facts';

function stateOf(record: string, fields: Record<string, unknown>): RecordState {
  const held = Object.entries(fields).map(([name, value]) => [
    name,
    {
      values: [{ value, references: [`t.aaaa.1#${'0'.repeat(16)}`], by: 's', stamp: '1' }],
      isConflict: false,
    },
  ]);
  return {
    record,
    fields: Object.fromEntries(held),
    struck: [],
    isEnteredInError: false,
    heads: [],
  } as unknown as RecordState;
}

function caseWith(fields: Record<string, unknown>, under: Record<string, RecordState[]> = {}) {
  return {
    itself: stateOf('case/c', fields),
    standing: (kind: string) => under[kind] ?? [],
  } as unknown as CaseRecord;
}

test('the allergies recorded stand beside the question about them', () => {
  const record = caseWith({ allergies: ['latex', 'acrylate'] });
  expect(stepFacts('allergies', record)).toEqual([
    { about: 'allergies', entered: ['latex', 'acrylate'] },
  ]);
});

test('what nobody entered is empty, and no drug taken is said as none', () => {
  expect(stepFacts('drugs_held', caseWith({}))).toEqual([{ about: 'drugs', entered: [] }]);
  const none = caseWith({ antithrombotics: { drugs: [] } });
  expect(stepFacts('drugs_held', none)).toEqual([{ about: 'drugs', entered: ['none'] }]);
});

test('the counts are those of the packages and coils', () => {
  const coil = stateOf('coil_placed/1', { package: 'package_opened/1' });
  const packages = [
    stateOf('package_opened/1', { item: 'coil' }),
    stateOf('package_opened/2', { item: 'coil', fate: 'discarded' }),
  ];
  const record = caseWith({}, { package_opened: packages, coil_placed: [coil] });
  expect(stepFacts('counts', record)).toEqual([{ about: 'packages', entered: ['2 = 1 + 1 + 0'] }]);
});

test('a step that asks about nothing recorded has no facts', () => {
  expect(stepFacts('gas_out', caseWith({}))).toEqual([]);
});
