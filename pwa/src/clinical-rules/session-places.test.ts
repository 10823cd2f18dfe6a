/**
 * What a visit needs: the shared vectors, run by `tests/unit/api/test_session_places.py` too. Those
 * of `answerSessionPlaces` are run by `path-vectors.test.ts`.
 */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { fitsSession, neededEquipment } from './session-places';

function readCases<Given, Expect>(name: string) {
  const file = new URL(`../../../tests/conformance/bookings/${name}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
    cases: { description: string; given: Given; expect: Expect }[];
  };
  expect(cases.length).toBeGreaterThan(0);
  return cases.map((one) => [one.description, one.given, one.expect] as const);
}

test.each(readCases<string, string>('needed_equipment.json'))('%s', (_, label, expected) => {
  expect(neededEquipment(label)).toBe(expected);
});

test.each(readCases<{ needed: string; equipment: string[] }, boolean>('fits_session.json'))(
  '%s',
  (_, { needed, equipment }, expected) => {
    expect(fitsSession(needed, equipment)).toBe(expected);
  },
);
