/**
 * Visits that no plan shows: added by hand, or kept from before the case was recorded only. Pure.
 *
 * Days entered by people are compared here; nothing is computed from the case (HAZ-13).
 */
import { addDays } from '../clinical-rules/civil-date';
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { FollowUpAnswer, PlannedVisit, VisitState } from '../clinical-rules/follow-up';
import { readVisitRow } from '../clinical-rules/follow-up-rows';
import type { RuleBook } from '../clinical-rules/rule-book';
import { latestOf } from '../clinical-rules/visit-course-limits';
import type { Role } from '../clinical-rules/visit-course-table';
import type { Draft } from '../ports';
import { blankState } from './record-state';
import { type RecordState, structureOf, textOf } from './shown';
import { findingsOf } from './surveillance-happenings';
import { bookingOf, isOpen, windowOf } from './worklist';
import { actDraft, type Course } from './worklist-course';

const PLAN = 'follow_up/default';

/** A kind of visit as the plan words it for the booking desk: never with a finding (FU-11). */
export interface VisitLabel {
  label: string;
  kind: string;
}

/**
 * Return the words of the plan for its visits, each once, in its order.
 *
 * They are words, no numbers: they stand for a case that is recorded only, too. Empty where no plan
 * can be read: what is recorded is drawn all the same.
 */
export function listLabels(ruleBook: RuleBook): VisitLabel[] {
  const found = new Map<string, VisitLabel>();
  try {
    for (const { label, kind } of ruleBook.ruleFileOrListed(PLAN, readVisitRow).rows) {
      if (!found.has(label)) found.set(label, { label, kind });
    }
  } catch (error) {
    if (!(error instanceof ClinicalRuleError)) throw error;
  }
  return [...found.values()];
}

/** A visit as a clinician adds it by hand. */
export interface HandVisit {
  /** `visit/id`, made up before it is pressed: a double press is one visit. */
  record: string;
  patient: string;
  caseRecord: string;
  label: string;
  targetOn: string;
  /** How many days earlier or later it may be. */
  aroundDays: number;
  ownerRole: Role;
}

/**
 * Return the draft of a visit added by hand: planned by the table of its course, so that it has an
 * owner and a day to act on from the start (HAZ-43). The window never begins before today.
 *
 * @throws ClinicalRuleError with a sentence, where somebody else than a clinician adds it
 */
export function handDraft(told: HandVisit, because: string, course: Course): Draft {
  const { record, patient, caseRecord, label, targetOn, aroundDays, ownerRole } = told;
  const window = {
    earliest_on: latestOf(course.todayOn, addDays(targetOn, -aroundDays)),
    target_on: targetOn,
    latest_on: addDays(targetOn, aroundDays),
  };
  return actDraft(
    blankState(record),
    { act: 'plan', owner_role: ownerRole, because },
    course,
    { patient, case: caseRecord, label, window },
    { status: 'none', window },
  );
}

/** Say whether a visit was added by hand: no plan knows it. */
export function isByHand(visit: RecordState): boolean {
  return textOf(visit, 'plan_visit') === '';
}

/**
 * Return the recorded visits that the plan does not show, as its lines are drawn.
 *
 * @param answer - null where no plan can be made: then every visit is listed, nobody is lost
 */
export function listRecorded(
  visits: readonly RecordState[],
  answer: FollowUpAnswer | null,
  labels: readonly VisitLabel[],
  todayOn: string,
): PlannedVisit[] {
  return visits
    .filter((visit) => !visit.isEnteredInError && (answer === null || isByHand(visit)))
    .map((visit) => asLine(visit, labels, todayOn))
    .sort((a, b) => (a.target_on < b.target_on ? -1 : a.target_on > b.target_on ? 1 : 0));
}

function asLine(visit: RecordState, labels: readonly VisitLabel[], todayOn: string): PlannedVisit {
  const label = textOf(visit, 'label');
  const window = windowOf(visit);
  // Two answers to the window are asked on the line itself; until then it stands at its next act.
  const otherwise = textOf(visit, 'act_on') || todayOn;
  const earliestOn = window?.earliestOn ?? otherwise;
  const latestOn = window?.latestOn ?? otherwise;
  return {
    visit: visit.record,
    kind: labels.find((one) => one.label === label)?.kind ?? '',
    label,
    anchor: '',
    anchor_on: '',
    earliest_on: earliestOn,
    target_on: window?.targetOn ?? otherwise,
    latest_on: latestOn,
    state: standingOf(textOf(visit, 'status'), earliestOn, latestOn, todayOn),
    owner_role: textOf(visit, 'owner_role'),
    because: '',
    basis: null,
    source: null,
    inputs: [],
  };
}

function standingOf(
  status: string,
  earliestOn: string,
  latestOn: string,
  todayOn: string,
): VisitState {
  if (status === 'attended' || status === 'ended') return status;
  if (status === 'no-show') return 'no-show-rebook';
  if (todayOn > latestOn) return 'overdue';
  return todayOn >= earliestOn ? 'due' : 'planned';
}

/**
 * Say whether follow-up has ended without a plan: for the patient, or with its last visit (FG5). A
 * visit that was not needed ends nothing while a later one took place.
 */
export function hasEnded(visits: readonly RecordState[]): boolean {
  const standing = visits.filter((visit) => !visit.isEnteredInError);
  if (standing.some(isOpen)) return false;
  const ended = standing.filter((visit) => textOf(visit, 'status') === 'ended');
  if (ended.some((visit) => textOf(visit, 'ended_because') !== 'not-needed')) return true;
  const targetOf = (visit: RecordState) => windowOf(visit)?.targetOn ?? '';
  const last = standing.toSorted((a, b) => (targetOf(a) < targetOf(b) ? -1 : 1)).at(-1);
  return last !== undefined && ended.includes(last);
}

/** Who acts next, and when. */
export interface RecordedAct {
  label: string;
  on: string;
  ownerRole: string;
}

/**
 * Return the next act on recorded visits: of those open the first by its day to act, as the unit's
 * check of follow-up reads it (FG2); null where nobody acts.
 */
export function findNextRecorded(visits: readonly RecordState[]): RecordedAct | null {
  const acts = visits
    .filter((visit) => isOpen(visit) && textOf(visit, 'owner_role') !== '')
    .map((visit) => ({
      label: textOf(visit, 'label'),
      on: dayOf(visit),
      ownerRole: textOf(visit, 'owner_role'),
    }))
    .filter(({ on }) => on !== '');
  return acts.reduce<RecordedAct | null>(
    (first, act) => (first === null || act.on < first.on ? act : first),
    null,
  );
}

function dayOf(visit: RecordState): string {
  const bookedOn = textOf(visit, 'status') === 'booked' ? (bookingOf(visit)?.on ?? '') : '';
  return textOf(visit, 'act_on') || bookedOn || (windowOf(visit)?.targetOn ?? '');
}

/** Kinds of visits that look at the varix: what they showed decides on what comes next. */
export const LOOK_KINDS: readonly string[] = ['look', 'yearly', 'treatment'];

/**
 * Say whether a look among the listed visits took place and nobody noted what it showed, as the
 * unit's check of follow-up asks (FG7). The plan names such a look itself, where it is made (FU19).
 *
 * @param lines - of `listRecorded`: their `visit` is the record
 */
export function lacksFinding(
  lines: readonly PlannedVisit[],
  results: readonly RecordState[],
): boolean {
  return lines.some(({ visit, kind, state }) => {
    if (state !== 'attended' || !LOOK_KINDS.includes(kind)) return false;
    const result = results.find((one) => !one.isEnteredInError && textOf(one, 'visit') === visit);
    return result === undefined || Object.keys(findingsOf(result)).length === 0;
  });
}

/** Return the places in which visits were done elsewhere before, each once. */
export function listPlacesElsewhere(visits: readonly RecordState[]): string[] {
  const named = visits.map((visit) => structureOf(visit, 'elsewhere')?.place);
  return [...new Set(named.filter((place) => typeof place === 'string'))].sort();
}
