/** The bookings of a day or a week as they go on paper. Pure; no finding stands in it (FU-11). */
import { addDays, weekdayOf } from '../clinical-rules/civil-date';
import { isInConflict, type RecordState, structureOf, textOf, valuesOf } from './shown';
import { bookingOf, mayBeBooked } from './worklist';

/** One booked visit on paper. */
export interface PaperLine {
  visit: RecordState;
  patient: RecordState | undefined;
  time: string;
}

/** One session with the visits booked into it. */
export interface PaperSession {
  /** Record of the session, "" for bookings whose session this device does not hold. */
  record: string;
  on: string;
  starts: string;
  place: string;
  closedBecause: string;
  lines: PaperLine[];
}

/** Stands where two answers wait for a person: nothing would read as "none". */
export const TWO_ANSWERS = '▲ ?';

/** Return what a list says of a field of a person, "" where nothing was entered. */
export function toldOf(patient: RecordState | undefined, field: string): string {
  return isInConflict(patient, field) ? TWO_ANSWERS : textOf(patient, field);
}

/**
 * Return what paper says of a field of a person: where two answers stand, each of them behind the
 * mark, since paper cannot be asked which.
 */
export function printedOf(patient: RecordState | undefined, field: string): string {
  if (!isInConflict(patient, field)) return textOf(patient, field);
  const texts = valuesOf(patient, field).flatMap(({ value }) =>
    typeof value === 'string' && value !== '' ? [value] : [],
  );
  return texts.length === 0 ? TWO_ANSWERS : `▲ ${texts.join(' / ')}`;
}

/** Return the Monday of the week that a day lies in. */
export function mondayOf(on: string): string {
  return addDays(on, -weekdayOf(on));
}

/**
 * Return the sessions from one day to another with their bookings, in the order of the clock;
 * closed ones only where somebody is booked.
 *
 * Every booking of these days is on it: also one whose session is closed, struck or not held.
 *
 * @param fromOn - first day
 * @param untilOn - last day
 */
export function listSessions(...held: Parameters<typeof gatherSessions>): PaperSession[] {
  return gatherSessions(...held).filter(
    (session) => session.lines.length > 0 || session.closedBecause === '',
  );
}

/** Return all of them, closed and empty ones too; as `listSessions`. */
export function gatherSessions(
  sessions: readonly RecordState[],
  visits: readonly RecordState[],
  patients: readonly RecordState[],
  fromOn: string,
  untilOn: string,
): PaperSession[] {
  const patientOf = new Map(patients.map((patient) => [patient.record, patient]));
  const isWithin = (on: string) => on >= fromOn && on <= untilOn;
  const found = new Map<string, PaperSession>();
  for (const session of sessions) {
    const held = structureOf(session, 'held');
    const on = typeof held?.on === 'string' ? held.on : '';
    if (session.isEnteredInError || !isWithin(on)) continue;
    found.set(`${session.record} ${on}`, {
      record: session.record,
      on,
      starts: typeof held?.starts === 'string' ? held.starts : '',
      place: textOf(session, 'place'),
      closedBecause: textOf(session, 'closed_because'),
      lines: [],
    });
  }
  for (const visit of visits) {
    const booking = bookingOf(visit);
    if (!mayBeBooked(visit)) continue;
    if (booking === null || !isWithin(booking.on)) continue;
    // A booking names its own day: where the session was moved since, people still come on it.
    const key = `${booking.session} ${booking.on}`;
    const session = found.get(key) ?? {
      record: '',
      on: booking.on,
      starts: booking.time,
      place: '',
      closedBecause: '',
      lines: [],
    };
    found.set(key, session);
    session.lines.push({
      visit,
      patient: patientOf.get(textOf(visit, 'patient')),
      time: booking.time,
    });
  }
  const order = (one: PaperSession) => `${one.on} ${one.starts} ${one.place} ${one.record}`;
  const nameOf = (line: PaperLine) =>
    `${line.time} ${textOf(line.patient, 'family_name')} ${line.visit.record}`;
  for (const session of found.values()) {
    session.lines.sort((a, b) => (nameOf(a) < nameOf(b) ? -1 : 1));
  }
  return [...found.values()].sort((a, b) => (order(a) < order(b) ? -1 : 1));
}
