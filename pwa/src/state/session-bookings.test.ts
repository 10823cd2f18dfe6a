/** The shared vectors, run by `tests/unit/api/test_session_places.py` too. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { SessionPlacesAnswer } from '../clinical-rules/session-places';
import { mergedStates, type VectorPart } from '../record-catalogue/vector-states';
import { seatBookings } from './session-bookings';

const file = new URL('../../../tests/conformance/bookings/seat_bookings.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
  cases: {
    description: string;
    given: VectorPart[];
    expect: Record<string, SessionPlacesAnswer>;
  }[];
};

test('holds cases', () => expect(cases.length).toBeGreaterThan(0));

/** The planted bug it has caught: of two capacities none believed. */
test.each(cases)('$description', ({ given, expect: expected }) => {
  const states = mergedStates(given);
  const of = (kind: string) => states.filter(({ record }) => record.startsWith(kind));
  const [sessions, visits] = [of('clinic_session/'), of('visit/')];
  expect(Object.fromEntries(seatBookings(sessions, visits))).toEqual(expected);
  expect(Object.fromEntries(seatBookings(sessions, visits.toReversed()))).toEqual(expected);
});
