/** Acts of Surveillance on a visit, by the table of its course: owner and next day stay with it. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import { latestOf } from '../clinical-rules/visit-course-limits';
import type { CourseVisit } from '../clinical-rules/visit-course-request';
import type { Draft, Json } from '../ports';
import { DEATH_DAY, type DeathDay, deathDayOf, endedByDeath } from './death-day';
import { draftOn } from './decisions-draft';
import { blankState, withFields } from './record-state';
import { idOf, isInConflict, type RecordState, structureOf, textOf } from './shown';
import { handDraft, type VisitLabel } from './surveillance-by-hand';
import { isOpen, windowOf } from './worklist';
import { type EndReason, endDraft } from './worklist-acts';
import { actDraft, type Course } from './worklist-course';

/**
 * Return the draft of a visit that the plan brings: planned by the table of its course, so that it
 * has an owner and a day to act on from the start (CV5, HAZ-43).
 *
 * @param visit - the record as it is held now, blank where it is new
 * @param set - what the plan says of it; its `window` and `owner_role` among it
 * @throws ClinicalRuleError with a sentence, where somebody else than a clinician plans it (CV3)
 */
export function plannedDraft(
  visit: RecordState,
  set: Readonly<Record<string, Json>>,
  course: Course,
): Draft {
  const planned = withFields(blankState(visit.record), set);
  const owner_role = textOf(planned, 'owner_role') === 'clinician' ? 'clinician' : 'booking';
  const window = structureOf(planned, 'window') as NonNullable<CourseVisit['window']>;
  return actDraft(visit, { act: 'plan', owner_role }, course, set, { status: 'none', window });
}

/** Where and on which day a visit took place; `place` "" is here. */
export interface TookPlace {
  on: string;
  place: string;
}

/**
 * Return the draft of a visit that took place: a clinician notes what it showed, until a day (CV5).
 *
 * @throws ClinicalRuleError with a sentence, where it cannot have taken place
 */
export function tookPlaceDraft(
  visit: RecordState,
  { on, place }: TookPlace,
  because: string,
  course: Course,
): Draft {
  return place === ''
    ? actDraft(visit, { act: 'came', because }, course)
    : actDraft(visit, { act: 'done-elsewhere', day: on, place, because }, course);
}

/**
 * Return the drafts that end visits with one reason; none where one of them may not be ended.
 *
 * @throws ClinicalRuleError with a sentence, where nobody of that role ends a visit
 */
export function endDrafts(
  visits: readonly RecordState[],
  reason: EndReason,
  course: Course,
  diedOn?: DeathDay,
): Draft[] {
  return visits.map((visit) => endDraft(visit, reason, course, diedOn));
}

/** The words of the plan for a visit that only carries an end. */
export function endLabelOf(labels: readonly VisitLabel[]): string {
  return (labels.find(({ kind }) => kind === 'clinic') ?? labels[0])?.label ?? '';
}

/** Ends that hold for the person, and so for the visits of every case. */
const OF_THE_PERSON: readonly EndReason[] = ['died', 'transferred'];

/** Return the visit that carries the end of a case of which no visit is open. */
export function endVisitOf(caseRecord: string, reason: EndReason): string {
  return `visit/${idOf(caseRecord)}-${reason}`;
}

/** Which follow-up ends, and in which words a visit made for that is told to the desk. */
export interface FollowUp {
  patient: string;
  caseRecord: string;
  label: string;
  because: string;
}

/**
 * Return the drafts that end a follow-up: all its open visits, after a death or a transfer those of
 * every case of the patient. Where none is open one visit is made that carries the end: a death is
 * recorded in any case (HAZ-43). None where the follow-up has ended for that reason already.
 *
 * @param visits - all visits of the patient
 * @throws ClinicalRuleError with a sentence, where nobody of that role ends a follow-up
 */
export function endFollowUpDrafts(
  visits: readonly RecordState[],
  reason: EndReason,
  followUp: FollowUp,
  course: Course,
  diedOn?: DeathDay,
): Draft[] {
  const standing = visits.filter((visit) => !visit.isEnteredInError);
  const isOwn = (visit: RecordState) => textOf(visit, 'case') === followUp.caseRecord;
  const isMeant = (visit: RecordState) => OF_THE_PERSON.includes(reason) || isOwn(visit);
  const open = standing.filter((visit) => isOpen(visit) && isMeant(visit));
  if (open.length > 0) return endDrafts(open, reason, course, diedOn);
  const isEndedSo = (visit: RecordState) =>
    textOf(visit, 'status') === 'ended' && textOf(visit, 'ended_because') === reason;
  if (standing.some((visit) => isMeant(visit) && isEndedSo(visit))) return [];
  const record = endVisitOf(followUp.caseRecord, reason);
  // The last visit planned: on an earlier one "not needed" would end nothing (FG5).
  const targetOn = standing
    .filter(isOwn)
    .flatMap((visit) => windowOf(visit)?.targetOn ?? [])
    .reduce((last, on) => latestOf(last, addDays(on, 1)), course.todayOn);
  const visit = { ...followUp, record, targetOn, aroundDays: 0, ownerRole: 'clinician' as const };
  const made = handDraft(visit, followUp.because, course);
  // On what is held of it: told anew after an undo it is a new act, not the one that was struck.
  const held = visits.find((one) => one.record === record) ?? blankState(record);
  const end = endDraft(withFields(held, made.set ?? {}), reason, course, diedOn);
  const set = { ...made.set, ...end.set };
  return [draftOn(held, record, set, { because: followUp.because })];
}

/**
 * Return the drafts that say on which day a person died whose follow-up has ended by it: on every
 * visit that the death ended, as one old answer left standing would be read as well. No step of
 * the course: the visits stay ended (CV13).
 *
 * @param visits - all visits of the patient
 * @throws ClinicalRuleError with a sentence, where nobody of that role ends a visit
 */
export function deathDayDrafts(
  visits: readonly RecordState[],
  diedOn: string | null,
  course: Course,
): Draft[] {
  const ended = visits.filter(endedByDeath);
  // Whoever may end one may say on which day: the table of the course is asked for both.
  for (const visit of ended) endDraft(withFields(visit, { status: 'to-book' }), 'died', course);
  return ended
    .filter((visit) => isInConflict(visit, DEATH_DAY) || deathDayOf(visit) !== diedOn)
    .map((visit) => draftOn(visit, visit.record, { [DEATH_DAY]: diedOn }));
}
