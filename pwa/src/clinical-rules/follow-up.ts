/**
 * Surveillance after treatment: dated visits with windows, and the one act that comes next.
 * Twin of `follow_up.py`; vectors in `tests/conformance/follow_up`.
 */
import { CalculationRefusedError, ShapeError } from './errors';
import { ENDS, findEnd, findMissing, holdConditions, readCourse } from './follow-up-course';
import { type FollowUpRequest, readRequest } from './follow-up-request';
import { EARLY_LOOK, NOT_PLANS, readEarlyLookRow, readVisitRow } from './follow-up-rows';
import {
  byTarget,
  compare,
  dateVisit,
  findNextAct,
  isOpen,
  type NextAct,
  type PlannedVisit,
  supersede,
} from './follow-up-visits';
import { nameRuleFiles, type RuleBook } from './rule-book';

export type { PlannedVisit, VisitState } from './follow-up-visits';

export interface FollowUpAnswer {
  visits: PlannedVisit[];
  next: NextAct | null;
  ended: { on: string; reason: string } | null;
  assumed: string[];
  /** What a condition lacks to be decided. */
  missing: string[];
  rule_files: { name: string; version: number; sha256: string }[];
}

const ASSUMED = [
  'cirrhosis',
  'transplant_listed',
  'on_beta_blocker',
  'oesophageal_banded',
] as const;

/**
 * Return the visits of a plan with their windows and states, and the next act (FU1-FU21).
 *
 * @throws ShapeError when a key or type is wrong
 * @throws CalculationRefusedError when the plan is not in force
 */
export function answerFollowUp(request: unknown, ruleBook: RuleBook): FollowUpAnswer {
  const read = readRequest(request, '');
  const name = read.plan === 'default' ? 'follow_up/default' : `follow_up/${read.plan}`;
  if (!ruleBook.has(name) || NOT_PLANS.includes(name)) {
    throw new CalculationRefusedError(
      `No follow-up plan ${read.plan} is in force. Use default, or approve the plan.`,
    );
  }
  const plan = ruleBook.ruleFile(name, readVisitRow);
  const early = ruleBook.ruleFile(EARLY_LOOK, readEarlyLookRow);
  const [limits] = early.rows;
  if (limits === undefined) throw new RangeError('follow_up/early_look has no rows');
  refuseImpossibleDays(read);
  const happened = [...(read.happened ?? [])].sort((a, b) => compare(a.on, b.on));
  const conditions = read.conditions ?? {};
  const course = readCourse(read.index_on, happened, plan.rows);
  const holds = holdConditions(read.acute_bleed, conditions, course, limits);
  const ended = findEnd(happened);
  const rows = plan.rows.filter((row) => holds[row.when]);
  const planned = rows.map((row) => dateVisit(row, course, happened, read, ended !== null));
  let visits = planned.map((visit, place) =>
    supersede(visit, planned, happened, rows[place]?.lapses === true),
  );
  if (ended === null && !visits.some(isOpen)) {
    const review = plan.rows.filter((row) => row.when === 'nothing_else');
    visits = [...visits, ...review.map((row) => dateVisit(row, course, happened, read, false))];
  }
  visits.sort(byTarget);
  return {
    visits,
    next: ended ? null : findNextAct(visits, happened, read.today_on, limits.no_shows_to_clinician),
    ended,
    assumed: ASSUMED.filter((key) => conditions[key] === undefined).map((key) => `${key}: false`),
    missing: findMissing(conditions, course, happened, plan.rows),
    rule_files: nameRuleFiles(plan, early),
  };
}

/** Refuse what is said to have happened after today, and an end before the beginning (FU17). */
function refuseImpossibleDays(read: FollowUpRequest): void {
  for (const [place, one] of (read.happened ?? []).entries()) {
    if (one.on > read.today_on) {
      throw new ShapeError(`happened[${place}].on ${one.on} lies after today_on. Correct the day.`);
    }
    if (one.on < read.index_on && ENDS.some((reason) => one[reason] === true)) {
      throw new ShapeError(
        `happened[${place}].on ${one.on} lies before index_on. Correct the day.`,
      );
    }
  }
}
