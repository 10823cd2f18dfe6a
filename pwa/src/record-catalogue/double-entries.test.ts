/** The shared vectors; the Python twin runs them in `tests/unit/api/test_double_entries.py`. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { kindOf } from '../sync/operation';
import { effectsOf } from './conflict-effects';
import {
  type DoubleEntry,
  decisionRecord,
  findDoubleEntries,
  type Pair,
  roundsWanted,
} from './double-entries';
import { mergedStates, type VectorPart } from './vector-states';

function readCases<Given, Expect>(name: string) {
  const file = new URL(`../../../tests/conformance/double_entries/${name}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
    cases: { description: string; given: Given; expect: Expect }[];
  };
  expect(cases.length).toBeGreaterThan(0);
  return cases.map(
    ({ description, given, expect: wanted }) => [description, given, wanted] as const,
  );
}

test.each(readCases<{ operations: VectorPart[] }, DoubleEntry[]>('find_double_entries.json'))(
  '%s',
  (_, { operations }, expected) => {
    const states = mergedStates(operations);
    const of = (...kinds: string[]) =>
      states.filter(({ record }) => kinds.includes(kindOf(record)));
    const wanted = roundsWanted(of('adhesive_injected'));
    const rounds = new Map(
      states.filter(({ record }) => wanted.includes(record)).map((one) => [one.record, one]),
    );
    const physical = of('coil_placed', 'adhesive_injected');
    const decisions = of('decision');

    expect(findDoubleEntries(physical, rounds, decisions)).toEqual(expected);
    expect(findDoubleEntries(physical.reverse(), rounds, decisions.reverse())).toEqual(expected);
  },
);

test.each(readCases<Pair, string>('decision_record.json'))('%s', (_, pair, expected) => {
  expect(decisionRecord(pair)).toBe(expected);
});

test('[CF3] what a conflict holds back follows from kind and field', () => {
  expect(effectsOf('target', 'size')).toEqual(['plan', 'letter']);
  expect(effectsOf('package_opened', 'fate')).toEqual(['counts']);
  expect(effectsOf('visit', 'constructor')).toEqual(['booking']);
  expect(effectsOf('from_a_newer_version', 'anything')).toHaveLength(5);
});
