/** A visit of the record as the rules of its course read it, and the drafts of acts on it. Pure. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { RuleBook } from '../clinical-rules/rule-book';
import { takeVisitAct } from '../clinical-rules/visit-course';
import { type CourseLimit, readCourseLimits } from '../clinical-rules/visit-course-limits';
import type { CourseAct, CourseVisit } from '../clinical-rules/visit-course-request';
import { type Role, readState, type VisitState } from '../clinical-rules/visit-course-table';
import type { Draft, HistoryEntry, Json } from '../ports';
import { draftOn } from './decisions-draft';
import { numberOf, type RecordState, structureOf, textOf, valuesOf } from './shown';
import { bookingOf } from './worklist';

/** Under which rules, on which day and by whom an act is done. */
export interface Course {
  ruleBook: RuleBook;
  todayOn: string;
  role: Role;
  /** Record of the person who taps, "" where nobody was chosen. */
  who: string;
}

/** What happened to a visit since a clinician last decided (CV8). */
export interface Counts {
  noShows?: number;
  failedTries?: number;
}

/** Return where a visit stands in its course. */
export function stateOf(visit: RecordState): VisitState {
  return readState({
    status: textOf(visit, 'status'),
    cancelled_by: textOf(visit, 'cancelled_by') || undefined,
    elsewhere: structureOf(visit, 'elsewhere') ?? undefined,
  });
}

/** Return what the rules of the course are told of a visit; what is not known is left out. */
export function factsOf(visit: RecordState, counts: Counts = {}): CourseVisit {
  const status = textOf(visit, 'status');
  const facts: Record<string, Json | undefined> = {
    status,
    window: structureOf(visit, 'window') as Json,
    elsewhere: structureOf(visit, 'elsewhere') as Json,
    booked_on: status === 'booked' ? bookingOf(visit)?.on : undefined,
    urgency: numberOf(visit, 'urgency'),
    no_shows: counts.noShows,
    failed_tries: counts.failedTries,
  };
  for (const field of ['cancelled_by', 'ended_because', 'owner_role', 'owner', 'act_on']) {
    facts[field] = textOf(visit, field);
  }
  const known = Object.entries(facts).filter(([, part]) => part != null && part !== '');
  return Object.fromEntries(known) as unknown as CourseVisit;
}

/** What the list reads of the limits. */
const LIMITS_READ = [
  'late_days_to_clinician',
  'failed_tries_to_clinician',
  'no_shows_to_clinician',
  'book_ahead_days',
];

/**
 * Return the limits of the course in force; where they cannot be read, those that came with the
 * app, and why: a list that stays empty would hide everybody.
 */
export function readListLimits(
  ruleBook: RuleBook,
  todayOn: string,
): { limitOf: CourseLimit; problem: string } {
  try {
    const { limitOf } = readCourseLimits(ruleBook);
    for (const item of LIMITS_READ) limitOf(item);
    return { limitOf, problem: '' };
  } catch (error) {
    if (!(error instanceof ClinicalRuleError)) throw error;
    const { limitOf } = readCourseLimits(packagedRuleBook(todayOn));
    return { limitOf, problem: error.message };
  }
}

/** An act as the desk asks for it; who and when are the course's. */
export type Asked = Omit<CourseAct, 'role' | 'today_on'>;

/**
 * Return the draft of an act on a visit: what the rules of its course say has to be recorded.
 *
 * @param more - what is recorded beside it: the booking
 * @throws ClinicalRuleError with a sentence, where the act does not follow or lacks something
 */
export function actDraft(
  visit: RecordState,
  asked: Asked,
  course: Course,
  more: Readonly<Record<string, Json>> = {},
  facts: CourseVisit = factsOf(visit),
): Draft {
  const act = { ...asked, role: course.role, today_on: course.todayOn };
  const taken = takeVisitAct({ visit: facts, act }, course.ruleBook);
  const set: Record<string, Json> = { ...more, ...(taken.set as Record<string, Json>) };
  // Who acts at a desk holds the visit from then on, where nobody did (FU-05).
  const isHeld = textOf(visit, 'owner') !== '' && set.owner !== null;
  const isDesks = course.role === 'booking' && taken.next?.owner_role === 'booking';
  if (isDesks && !isHeld && asked.owner === undefined && course.who !== '') set.owner = course.who;
  return draftOn(visit, visit.record, set, { because: asked.because ?? '' });
}

/**
 * Return how often a visit was missed since a clinician gave it back to booking, as its history
 * stands.
 *
 * @param seenStamps - stamps of what was on screen: a double press must not turn one miss into two
 *   (HAZ-14)
 */
export function countNoShows(
  history: readonly HistoryEntry[],
  seenStamps: readonly string[],
): number {
  const standing = history.filter(
    (entry) => !entry.isStruck && seenStamps.some((stamp) => entry.stamp <= stamp),
  );
  const decided = standing.findLastIndex(
    ({ set }) => set.owner_role === 'booking' && set.label === undefined,
  );
  return standing.slice(decided + 1).filter(({ set }) => set.status === 'no-show').length;
}

/** Return the stamps of what is shown of a visit's status. */
export function seenStamps(visit: RecordState): string[] {
  return valuesOf(visit, 'status').map((held) => held.stamp);
}
