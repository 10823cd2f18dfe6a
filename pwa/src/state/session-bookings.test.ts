/** The shared vectors, run by `tests/unit/api/test_session_places.py` too. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { SessionPlacesAnswer } from '../clinical-rules/session-places';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import type { JsonContent } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { mergeRecord } from '../sync/merge';
import { makeOperation, type Operation, referenceOf } from '../sync/operation';
import { seatBookings } from './session-bookings';
import type { RecordState } from './shown';

interface Part {
  name: string;
  at_ms: number;
  record: string;
  set?: Record<string, JsonContent>;
  retract?: string[];
}

const file = new URL('../../../tests/conformance/bookings/seat_bookings.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
  cases: { description: string; given: Part[]; expect: Record<string, SessionPlacesAnswer> }[];
};

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
        stream: 'booking',
        record,
        stamp: writeStamp({ wallMs, counter: 0, device }),
        body: {
          salt: '0'.repeat(32),
          by: 'staff/s-1',
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
  return [...new Set(operations.map(({ record }) => record))].map((record) => {
    const kind = record.slice(0, record.indexOf('/'));
    const own = operations.filter((one) => one.record === record);
    return mergeRecord(record, own, packagedCatalogue().policiesOf(kind)) as RecordState;
  });
}

test('holds cases', () => expect(cases.length).toBeGreaterThan(0));

/** The planted bug it has caught: of two capacities none believed. */
test.each(cases)('$description', ({ given, expect: expected }) => {
  const states = mergedStates(given);
  const of = (kind: string) => states.filter(({ record }) => record.startsWith(kind));
  const [sessions, visits] = [of('clinic_session/'), of('visit/')];
  expect(Object.fromEntries(seatBookings(sessions, visits))).toEqual(expected);
  expect(Object.fromEntries(seatBookings(sessions, visits.toReversed()))).toEqual(expected);
});
