/** What a booking desk records on a visit, as drafts. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import { findBookBy, readCourseLimits } from '../clinical-rules/visit-course-limits';
import type { CourseAct } from '../clinical-rules/visit-course-request';
import { type ActName, listActs, type Role } from '../clinical-rules/visit-course-table';
import type { Draft, HistoryEntry, Json } from '../ports';
import { type DeathDay, deathFields } from './death-day';
import { withFields } from './record-state';
import { isInConflict, type RecordState, textOf } from './shown';
import type { WorkRow } from './worklist';
import {
  actDraft,
  type Course,
  countNoShows,
  factsOf,
  seenStamps,
  stateOf,
} from './worklist-course';
import type { OfferedSession } from './worklist-sessions';

/** What may be done with a visit at the desk. */
export type DeskAct =
  | 'book'
  | 'move'
  | 'came'
  | 'no-show'
  | 'cancel'
  | 'elsewhere'
  | 'give'
  | 'clinician'
  | 'decide'
  | 'end'
  | 'reopen';

/** The acts of the desk by those of a visit's course; two are one act in two hands. */
const COURSE_ACTS: Readonly<Record<DeskAct, ActName>> = {
  book: 'book',
  move: 'move',
  came: 'came',
  'no-show': 'no-show',
  cancel: 'cancel',
  elsewhere: 'done-elsewhere',
  give: 'hand-over',
  clinician: 'escalate',
  decide: 'hand-over',
  end: 'end',
  reopen: 'reopen',
};

/**
 * Return what a role may do with a row now: what the course allows, less what the day does not. A
 * course is ended by a clinician alone (HAZ-45).
 */
export function offerActs(row: WorkRow, role: Role, todayOn: string): Set<DeskAct> {
  const owner = row.owner === 'clinician' || row.owner === 'booking' ? row.owner : undefined;
  const allowed = listActs(stateOf(row.visit), role, owner);
  const isDayReached = row.status === 'booked' && (row.booking?.on ?? '') <= todayOn;
  const isClinicians = row.owner === 'clinician' || row.clinicianBecause !== '';
  const fitsNow: Partial<Record<DeskAct, boolean>> = {
    came: isDayReached,
    'no-show': isDayReached,
    clinician: !isClinicians,
    decide: role === 'clinician' && isClinicians,
  };
  const acts = Object.entries(COURSE_ACTS) as [DeskAct, ActName][];
  return new Set(
    acts
      .filter(([act, name]) => allowed.includes(name) && fitsNow[act] !== false)
      .map(([act]) => act),
  );
}

/**
 * Return the act that is offered first, the dark button; null where none is. Where a clinician acts
 * next it is no booking: a desk asks nobody to book what a clinician has yet to decide (FU-06).
 */
export function firstAct(row: WorkRow, acts: ReadonlySet<DeskAct>): DeskAct | null {
  if (row.clinicianBecause !== '') return acts.has('decide') ? 'decide' : null;
  if (row.owner === 'clinician' && !acts.has('decide')) return null;
  return acts.has('book') ? 'book' : null;
}

/** Return the draft that books a visit into a session, or moves it there. */
export function bookDraft(
  visit: RecordState,
  offer: OfferedSession,
  because: string,
  course: Course,
): Draft {
  const booking = { session: offer.session.record, on: offer.on, time: offer.starts };
  const act = stateOf(visit) === 'booked' ? 'move' : 'book';
  return actDraft(visit, { act, day: offer.on, because }, course, { booking });
}

/** Return the draft for a patient who came. */
export function cameDraft(visit: RecordState, course: Course): Draft {
  return actDraft(visit, { act: 'came', because: 'came' }, course);
}

/** Return the draft for a visit that was done in another place (FU-13). */
export function elsewhereDraft(
  visit: RecordState,
  on: string,
  place: string,
  course: Course,
): Draft {
  return actDraft(visit, { act: 'done-elsewhere', day: on, place }, course);
}

/**
 * Return the draft for a patient who did not come: back on the list and one more urgent, and from
 * so many misses on to the clinician (HAZ-43). The visit never leaves the list by it.
 *
 * @param failedTries - tries without an answer, where they are known
 */
export function noShowDraft(
  visit: RecordState,
  history: readonly HistoryEntry[],
  because: string,
  course: Course,
  failedTries = 0,
): Draft {
  const noShows = countNoShows(history, seenStamps(visit));
  const facts = factsOf(visit, { noShows, failedTries });
  // A call that nobody answers was never booked, and is missed all the same.
  const missed = { ...facts, status: 'booked' as const };
  return actDraft(visit, { act: 'no-show', because }, course, {}, missed);
}

/** Return the draft that takes a booking back; the visit stays to be booked. */
export function cancelDraft(
  visit: RecordState,
  by: 'patient' | 'unit',
  because: string,
  course: Course,
  failedTries = 0,
): Draft {
  const asked = { act: 'cancel', cancelled_by: by, because } as const;
  return actDraft(visit, asked, course, {}, factsOf(visit, { failedTries }));
}

/** Return the draft that asks a clinician. */
export function escalateDraft(visit: RecordState, because: string, course: Course): Draft {
  return actDraft(visit, { act: 'escalate', because }, course);
}

/** Return the draft by which a clinician has decided: the desk goes on booking. */
export function decideDraft(visit: RecordState, because: string, course: Course): Draft {
  const { limitOf } = readCourseLimits(course.ruleBook);
  // Not asked again at once, and not before a place is looked for.
  const actOn = later(
    addDays(course.todayOn, limitOf('rebook_within_days')),
    findBookBy(factsOf(visit), course.todayOn, limitOf),
  );
  const asked = { act: 'hand-over', owner_role: 'booking', act_on: actOn, because } as const;
  return actDraft(visit, asked, course);
}

/** Return the draft that gives a visit to a person; whose turn it is, and by when, stays. */
export function giveDraft(
  visit: RecordState,
  person: string,
  because: string,
  course: Course,
): Draft {
  const { limitOf } = readCourseLimits(course.ruleBook);
  const written = textOf(visit, 'act_on') || findBookBy(factsOf(visit), course.todayOn, limitOf);
  const role: Role = textOf(visit, 'owner_role') === 'clinician' ? 'clinician' : 'booking';
  const actOn = later(course.todayOn, written);
  const asked = {
    act: 'hand-over',
    owner_role: role,
    owner: person,
    act_on: actOn,
    because,
  } as const;
  return actDraft(visit, asked, course);
}

const later = (one: string, other: string) => (one > other ? one : other);

/** Why a visit can end. */
export type EndReason = NonNullable<CourseAct['reason']>;

/**
 * Return the draft that ends a visit for good; a clinician's act, with a reason (HAZ-45). Where two
 * answers stand on how the visit stands, this one settles them: all of them are on screen.
 *
 * @param diedOn - read after a death alone
 */
export function endDraft(
  visit: RecordState,
  reason: EndReason,
  course: Course,
  diedOn?: DeathDay,
): Draft {
  const facts = isInConflict(visit, 'status')
    ? factsOf(withFields(visit, { status: 'to-book' }))
    : factsOf(visit);
  const day = deathFields(visit, reason === 'died' ? diedOn : undefined);
  return actDraft(visit, { act: 'end', reason }, course, day, facts);
}

/** Return the draft that opens again what took place or ended in error; a clinician's act. */
export function reopenDraft(visit: RecordState, because: string, course: Course): Draft {
  return actDraft(visit, { act: 'reopen', because }, course, deathFields(visit, undefined));
}

/** One try to reach a patient. */
export interface Try {
  how: string;
  result: string;
  /** ISO 8601 with offset. */
  at: string;
  /** Civil date of the next one, "" where none was agreed on. */
  nextOn: string;
}

/** Return the draft of one try to reach a patient. */
export function attemptDraft(attemptId: string, visit: RecordState, tried: Try): Draft {
  const { how, result, at, nextOn } = tried;
  const set: Record<string, Json> = { visit: visit.record, how, result, at };
  if (nextOn !== '') set.next_try_on = nextOn;
  return { draftId: `attempt:${attemptId}`, record: `contact_attempt/${attemptId}`, set };
}
