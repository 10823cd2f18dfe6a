/**
 * Until when somebody acts on a visit, and from when on a clinician does. Twin of
 * `visit_course_limits.py`.
 */
import { addDays, daysBetween } from './civil-date';
import { EARLY_LOOK, readEarlyLookRow } from './follow-up-rows';
import type { RuleBook } from './rule-book';
import type { RuleFile } from './rule-file';
import { limitsOf, readLimitRow } from './sizing-limits';
import type { VisitState } from './visit-course-table';
import { TO_DO } from './visit-course-table';

export const COURSE = 'follow_up/course';
const NO_SHOWS = 'no_shows_to_clinician';

/** Return the amount of a limit, in days or as a count. */
export type CourseLimit = (item: string) => number;

/** Why a clinician has to look at a visit; '' where none has to. */
export type Escalation = '' | 'late' | 'no-shows' | 'no-answer';

/** A window as it is recorded. */
export interface VisitWindow {
  readonly earliest_on: string;
  readonly target_on: string;
  readonly latest_on: string;
}

/** What tells whether a clinician has to look; what is not known is left out. */
export interface EscalationFacts {
  readonly window?: VisitWindow | undefined;
  /** The day by which the owner acts. */
  readonly act_on?: string | undefined;
  readonly booked_on?: string | undefined;
  readonly owner_role?: string | undefined;
  /** Of all times. */
  readonly no_shows?: number | undefined;
  /** Tries without an answer, since the patient was last reached or a clinician last decided. */
  readonly failed_tries?: number | undefined;
}

/**
 * Return the limits by name, and the rule files they come from.
 *
 * A limit that nobody has approved yet still holds: without it nobody would be told (CV8).
 *
 * @throws RuleFileError when a file or an item is missing
 */
export function readCourseLimits(ruleBook: RuleBook): {
  limitOf: CourseLimit;
  files: RuleFile<unknown>[];
} {
  const course = ruleBook.ruleFileOrListed(COURSE, readLimitRow);
  const early = ruleBook.ruleFileOrListed(EARLY_LOOK, readEarlyLookRow);
  const named = limitsOf(course);
  const missed = early.rows[0]?.no_shows_to_clinician;
  const limitOf = (item: string) =>
    item === NO_SHOWS && missed !== undefined ? missed : named(item);
  return { limitOf, files: [course, early] };
}

/**
 * Return why a clinician has to look at a visit, '' where none has to (CV8).
 *
 * What is booked waits for its day; a booking that lies too late is late at once, until a clinician
 * holds it. Lateness and misses wait for the day by which the owner acts: a clinician who gave such
 * a visit back is not asked again before it.
 *
 * @param state - as `readState` gives it
 * @param todayOn - civil date
 * @param limitOf - of `readCourseLimits`
 */
export function findEscalation(
  state: VisitState,
  visit: EscalationFacts,
  todayOn: string,
  limitOf: CourseLimit,
): Escalation {
  if (state === 'booked') {
    const isFar = liesTooLate(visit.booked_on ?? '', visit, todayOn, limitOf);
    return isFar && visit.owner_role !== 'clinician' ? 'late' : '';
  }
  if (!(TO_DO as readonly string[]).includes(state)) return '';
  const latestOn = visit.window?.latest_on;
  const isLate =
    latestOn !== undefined && daysBetween(latestOn, todayOn) > limitOf('late_days_to_clinician');
  if (todayOn > (visit.act_on ?? '')) {
    if (isLate) return 'late';
    if ((visit.no_shows ?? 0) >= limitOf(NO_SHOWS)) return 'no-shows';
  }
  return (visit.failed_tries ?? 0) >= limitOf('failed_tries_to_clinician') ? 'no-answer' : '';
}

/**
 * Say whether a day of a booking is a clinician's to choose (CV8, CV9): more than
 * `late_days_to_clinician` after the latest date, or after today where that has passed. Whoever is
 * late already is still booked at the desk, and soon.
 */
export function liesTooLate(
  day: string,
  visit: Pick<EscalationFacts, 'window'>,
  todayOn: string,
  limitOf: CourseLimit,
): boolean {
  if (visit.window === undefined) return false;
  const countedFrom = latestOf(visit.window.latest_on, todayOn);
  return day > addDays(countedFrom, limitOf('late_days_to_clinician'));
}

/** Return the day from which a desk looks for a place: never before today. */
export function findBookBy(
  visit: Pick<EscalationFacts, 'window'>,
  todayOn: string,
  limitOf: CourseLimit,
): string {
  if (visit.window === undefined) return todayOn;
  return latestOf(todayOn, addDays(visit.window.target_on, -limitOf('book_ahead_days')));
}

/** Return the latest of some civil dates. */
export function latestOf(...days: string[]): string {
  return days.sort().at(-1) ?? '';
}
