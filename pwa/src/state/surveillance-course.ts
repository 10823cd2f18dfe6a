/** Acts of Surveillance on a visit, by the table of its course: owner and next day stay with it. Pure. */
import type { Role } from '../clinical-rules/visit-course-table';
import type { Draft } from '../ports';
import { idOf, type RecordState, textOf } from './shown';
import { blankState, withFields } from './surveillance';
import { handDraft, type VisitLabel } from './surveillance-by-hand';
import { isOpen } from './worklist';
import { type EndReason, endDraft } from './worklist-acts';
import { actDraft, type Course } from './worklist-course';

/** Whose word ends or plans a follow-up: the roles that the unit's check takes for it (FG6). */
const CLINICIANS: readonly string[] = ['endoscopist', 'anaesthetist'];

/**
 * Return as whom a person acts on visits. Nobody chosen is no clinician: the unit could not tell
 * who ended a follow-up (HAZ-45).
 *
 * @param staffRole - of the person who taps, "" where nobody was chosen
 */
export function courseRoleOf(staffRole: string): Role {
  return CLINICIANS.includes(staffRole) ? 'clinician' : 'booking';
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
): Draft[] {
  return visits.map((visit) => endDraft(visit, reason, course));
}

/** The words of the plan for a visit that only carries an end. */
export function endLabelOf(labels: readonly VisitLabel[]): string {
  return (labels.find(({ kind }) => kind === 'clinic') ?? labels[0])?.label ?? '';
}

/** Ends that hold for the person, and so for the visits of every case. */
const OF_THE_PERSON: readonly EndReason[] = ['died', 'transferred'];

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
): Draft[] {
  const standing = visits.filter((visit) => !visit.isEnteredInError);
  const isOwn = (visit: RecordState) => textOf(visit, 'case') === followUp.caseRecord;
  const isMeant = (visit: RecordState) => OF_THE_PERSON.includes(reason) || isOwn(visit);
  const open = standing.filter((visit) => isOpen(visit) && isMeant(visit));
  if (open.length > 0) return endDrafts(open, reason, course);
  const isEndedSo = (visit: RecordState) =>
    textOf(visit, 'status') === 'ended' && textOf(visit, 'ended_because') === reason;
  if (standing.some((visit) => isMeant(visit) && isEndedSo(visit))) return [];
  const record = `visit/${idOf(followUp.caseRecord)}-${reason}`;
  const { todayOn: targetOn } = course;
  const visit = { ...followUp, record, targetOn, aroundDays: 0, ownerRole: 'clinician' as const };
  const made = handDraft(visit, followUp.because, course);
  const end = endDraft(withFields(blankState(record), made.set ?? {}), reason, course);
  return [{ ...made, set: { ...made.set, ...end.set } }];
}
