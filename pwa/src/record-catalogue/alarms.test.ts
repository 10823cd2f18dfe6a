/** The shared vectors; the Python twin runs them in `tests/unit/api/test_alarms.py`. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { JsonContent } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { mergeRecord, type RecordState } from '../sync/merge';
import { makeOperation, type Operation, referenceOf } from '../sync/operation';
import { findSeenTo, nameFork, nameSetAside, type SeenTo, seenToRecord } from './alarms';
import { packagedCatalogue } from './packaged-catalogue';

interface Part {
  name: string;
  at_ms: number;
  record: string;
  by?: string;
  set?: Record<string, JsonContent>;
  retract?: string[];
}

function readCases<Given, Expect>(name: string) {
  const file = new URL(`../../../tests/conformance/alarms/${name}`, import.meta.url);
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
  for (const { name, at_ms: wallMs, record, by, set = {}, retract = [] } of parts) {
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
          by: by ?? 'staff/s-1',
          tappedBy: 'staff/s-1',
          catalogue: packagedCatalogue().version,
          set,
          over: {},
          retract: retract.map((one) => referenceOf(made.get(one) as Operation)),
          because: '',
        },
      }),
    );
  }
  const operations = [...made.values()];
  const policies = packagedCatalogue().policiesOf('decision');
  return [...new Set(operations.map(({ record }) => record))].map((record) =>
    mergeRecord(
      record,
      operations.filter((one) => one.record === record),
      policies,
    ),
  );
}

test.each(readCases<{ envelope: string; body: string | null }, string>('name_set_aside.json'))(
  '%s',
  (_, { envelope, body }, expected) => {
    expect(nameSetAside(envelope, body)).toBe(expected);
  },
);

test.each(readCases<string[], string>('seen_to_record.json'))('%s', (_, names, expected) => {
  expect(seenToRecord(names)).toBe(expected);
});

/** The planted bug it has caught: of two verdicts the first believed. */
test.each(readCases<Part[], Record<string, SeenTo>>('find_seen_to.json'))(
  '%s',
  (_, parts, expected) => {
    const states = mergedStates(parts);
    expect(Object.fromEntries(findSeenTo(states))).toEqual(expected);
    expect(Object.fromEntries(findSeenTo([...states].reverse()))).toEqual(expected);
  },
);

test('[CF5] [LG5] a fork is named by its log', () => {
  expect(nameFork('tablet-a', 'ep01')).toBe('fork/tablet-a.ep01');
});
