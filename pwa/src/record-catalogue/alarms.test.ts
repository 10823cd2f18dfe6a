/** The shared vectors; the Python twin runs them in `tests/unit/api/test_alarms.py`. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { findSeenTo, nameFork, nameSetAside, type SeenTo, seenToRecord } from './alarms';
import { mergedStates, type VectorPart } from './vector-states';

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
test.each(readCases<VectorPart[], Record<string, SeenTo>>('find_seen_to.json'))(
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
