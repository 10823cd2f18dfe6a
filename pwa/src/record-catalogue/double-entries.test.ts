/** The shared vectors; the Python twin runs them in `tests/unit/api/test_double_entries.py`. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { JsonContent } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { mergeRecord, type RecordState } from '../sync/merge';
import { kindOf, makeOperation, type Operation, referenceOf } from '../sync/operation';
import { effectsOf } from './conflict-effects';
import {
  type DoubleEntry,
  decisionRecord,
  findDoubleEntries,
  type Pair,
  roundsWanted,
} from './double-entries';
import { packagedCatalogue } from './packaged-catalogue';

interface Part {
  name: string;
  at_ms: number;
  record: string;
  set?: Record<string, JsonContent>;
  retract?: string[];
}

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

function mergedStates(parts: readonly Part[]): RecordState[] {
  const made = new Map<string, Operation>();
  for (const { name, at_ms: wallMs, record, set = {}, retract = [] } of parts) {
    const device = name.charAt(0);
    made.set(
      name,
      makeOperation({
        device,
        epoch: `ep${name}`,
        counter: 1,
        previous: '',
        stream: 'care',
        record,
        stamp: writeStamp({ wallMs, counter: 0, device }),
        body: {
          salt: '0'.repeat(32),
          by: 'staff/s-1',
          tappedBy: 'staff/s-1',
          catalogue: packagedCatalogue().version,
          set,
          over: {},
          retract: retract.map((target) => referenceOf(made.get(target) as Operation)),
          because: '',
        },
      }),
    );
  }
  const operations = [...made.values()];
  return [...new Set(operations.map(({ record }) => record))].map((record) =>
    mergeRecord(
      record,
      operations.filter((one) => one.record === record),
      packagedCatalogue().policiesOf(kindOf(record)),
    ),
  );
}

test.each(readCases<{ operations: Part[] }, DoubleEntry[]>('find_double_entries.json'))(
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
