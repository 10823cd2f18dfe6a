/** What a booking desk records on a visit, as drafts. Pure. */
import type { Draft, HistoryEntry } from '../ports';
import { draftOn } from './decisions-draft';
import { type RecordState, valuesOf } from './shown';
import { countNoShows, type OfferedSession } from './worklist';

/** Two misses, and a clinician looks at it (FU-06, HAZ-43). */
export const NO_SHOWS_BEFORE_CLINICIAN = 2;

/** Return the draft that books a visit into a session. */
export function bookDraft(visit: RecordState, offer: OfferedSession, because: string): Draft {
  const booking = { session: offer.session.record, on: offer.on, time: offer.starts };
  return draftOn(visit, visit.record, { booking, status: 'booked' }, { because });
}

/** Return the draft for a patient who came. */
export function cameDraft(visit: RecordState): Draft {
  return draftOn(visit, visit.record, { status: 'attended' }, { because: 'came' });
}

/**
 * Return the draft for a patient who did not come: back on the list, and from the second miss on
 * to the clinician. The visit never leaves the list by it.
 */
export function noShowDraft(
  visit: RecordState,
  history: readonly HistoryEntry[],
  because: string,
): Draft {
  // Only what was on screen counts: a double press must not turn one miss into two (HAZ-14).
  const seen = valuesOf(visit, 'status').map((held) => held.stamp);
  const before = history.filter((entry) => seen.some((stamp) => entry.stamp <= stamp));
  const isRepeated = countNoShows(before) + 1 >= NO_SHOWS_BEFORE_CLINICIAN;
  return draftOn(
    visit,
    visit.record,
    { status: 'no-show', ...(isRepeated ? { owner_role: 'clinician' } : {}) },
    { because },
  );
}

/** Return the draft that takes a booking back; the visit stays to be booked. */
export function cancelDraft(visit: RecordState, because: string): Draft {
  return draftOn(visit, visit.record, { status: 'cancelled' }, { because });
}

/** Return the draft that hands a visit to the clinician or back to booking. */
export function ownerDraft(
  visit: RecordState,
  owner: 'booking' | 'clinician',
  because: string,
): Draft {
  return draftOn(visit, visit.record, { owner_role: owner }, { because });
}

/** Return the draft that ends a visit for good; a clinician's act (HAZ-45). */
export function endDraft(visit: RecordState, reason: string): Draft {
  return draftOn(visit, visit.record, { status: 'ended', ended_because: reason });
}

/** Return the draft of one try to reach a patient. */
export function attemptDraft(
  attemptId: string,
  visit: RecordState,
  how: string,
  result: string,
  atIso: string,
): Draft {
  return {
    draftId: `attempt:${attemptId}`,
    record: `contact_attempt/${attemptId}`,
    set: { visit: visit.record, how, result, at: atIso },
  };
}
