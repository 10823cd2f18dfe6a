/**
 * Who holds a place and who is over in each session, as the record shows it now: BK1 to BK5 over
 * merged states. Twin of `seat_bookings` in `booking_records.py`. Pure.
 */
import { answerSessionPlaces, type SessionPlacesAnswer } from '../clinical-rules/session-places';
import { type Json, type RecordState, textOf, valuesOf } from './shown';

const MOST_URGENT = 3;

interface Booked {
  session: string;
  stamp: string;
}

/**
 * Return the answer for each session that anybody is booked into, by its record.
 *
 * @param sessions - all sessions held; one that is not held here is not judged
 * @param visits - all visits held
 */
export function seatBookings(
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
): Map<string, SessionPlacesAnswer> {
  const named = new Map<string, { visit: string; stamp: string; urgency: number }[]>();
  for (const visit of visits) {
    for (const { session, stamp } of bookedInto(visit)) {
      const one = { visit: visit.record, stamp, urgency: urgencyOf(visit) };
      const known = named.get(session);
      if (known === undefined) named.set(session, [one]);
      else known.push(one);
    }
  }
  const found = new Map<string, SessionPlacesAnswer>();
  for (const session of sessions) {
    const bookings = named.get(session.record);
    if (bookings === undefined) continue;
    const request = {
      bookings,
      capacity: capacityOf(session),
      closed_because: closedBecause(session),
    };
    found.set(session.record, answerSessionPlaces(request));
  }
  return found;
}

/** Return why a session does not take place, "" where it does; of two answers one is enough. */
export function closedBecause(session: RecordState): string {
  if (session.isEnteredInError) return 'entered-in-error';
  const answers = valuesOf(session, 'closed_because').map((held) => held.value);
  return answers.find((one): one is string => typeof one === 'string' && one !== '') ?? '';
}

/** Return how many visits a session may hold, null where nobody says; of two answers the smaller. */
export function capacityOf(session: RecordState): number | null {
  const answers = wholeNumbers(session, 'capacity').filter((one) => one >= 0);
  return answers.length === 0 ? null : Math.min(...answers);
}

/** Return every session that a booked visit names; two where two answers stand. */
function bookedInto(visit: RecordState): Booked[] {
  if (visit.isEnteredInError || textOf(visit, 'status') !== 'booked') return [];
  return valuesOf(visit, 'booking').map(({ value, stamp }) => {
    const session = isStructure(value) ? value.session : undefined;
    return { session: typeof session === 'string' ? session : '', stamp };
  });
}

/** Return 0 to 3; of two answers the higher. */
function urgencyOf(visit: RecordState): number {
  return Math.min(MOST_URGENT, Math.max(0, ...wholeNumbers(visit, 'urgency')));
}

function wholeNumbers(state: RecordState, field: string): number[] {
  return valuesOf(state, field)
    .map((held) => held.value)
    .filter((one): one is number => Number.isSafeInteger(one));
}

function isStructure(value: Json): value is { readonly [part: string]: Json } {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
