/**
 * Visits of a plan with their windows and states, and which of them comes next. Twin of
 * `follow_up_visits.py`.
 */
import { addDays, addInterval } from './civil-date';
import { type Course, isSeen } from './follow-up-course';
import { nameInputs } from './follow-up-inputs';
import type { FollowUpRequest, Happened } from './follow-up-request';
import type { VisitRow } from './follow-up-rows';

export type VisitState = 'planned' | 'due' | 'overdue' | 'attended' | 'no-show-rebook' | 'ended';

/** One dated visit of the answer; keys as in `calculate`. */
export interface PlannedVisit {
  visit: string;
  kind: string;
  /** Plain words for the booking staff, without a finding. */
  label: string;
  anchor: string;
  anchor_on: string;
  earliest_on: string;
  target_on: string;
  latest_on: string;
  state: VisitState;
  owner_role: string;
  because: string;
  basis: string | null;
  source: string | null;
  /** Keys of the request that the visit and its date rest on. */
  inputs: string[];
}

/** The one next act of a follow-up. */
export interface NextAct {
  visit: string;
  on: string;
  owner_role: string;
  because: string;
}

/** Say whether a visit still needs an act of somebody. */
export const isOpen = (visit: PlannedVisit) =>
  visit.state !== 'attended' && visit.state !== 'ended';
/** By target date, then by name. */
export const byTarget = (a: PlannedVisit, b: PlannedVisit) =>
  compare(a.target_on, b.target_on) || compare(a.visit, b.visit);

/** Text by code unit, as Python compares it. */
export function compare(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}

/** Return one visit of the plan with its window and state (FU4-FU7). */
export function dateVisit(
  row: VisitRow,
  course: Course,
  happened: readonly Happened[],
  read: FollowUpRequest,
  isEnded: boolean,
): PlannedVisit {
  const anchors: Record<string, string> = {
    procedure: course.indexOn,
    treatment: course.treatedOn,
    last_look: course.lookedOn ?? course.treatedOn,
    unseen_look: course.unseenOn ?? course.treatedOn,
    obliteration: course.obliteratedOn ?? course.treatedOn,
    last_contact: course.lastContactOn,
  };
  let anchorOn = anchors[row.anchor] ?? course.indexOn;
  let own = happened.filter((one) => one.visit === row.visit && one.on > anchorOn);
  let { months, days } = row;
  const attended = own.filter(isSeen).at(-1);
  const isRepeated = row.repeat_months !== null && attended !== undefined;
  if (row.repeat_months !== null && attended !== undefined) {
    // The next turn counts from the last one that took place (FU6).
    [anchorOn, months, days] = [attended.on, row.repeat_months, 0];
    own = own.filter((one) => one.on > attended.on);
  }
  const targetOn = addInterval(anchorOn, months, days);
  const earliestOn = addDays(targetOn, -row.before_days);
  const latestOn = addDays(targetOn, row.after_days);
  return {
    visit: row.visit,
    kind: row.kind,
    label: row.label,
    anchor: row.anchor,
    anchor_on: anchorOn,
    earliest_on: earliestOn,
    target_on: targetOn,
    latest_on: latestOn,
    state: stateOf(own, isEnded, read.today_on, earliestOn, latestOn),
    owner_role: row.owner_role,
    because: row.because,
    basis: row.basis ?? null,
    source: row.source ?? null,
    inputs: nameInputs(row.anchor, row.when, read, isRepeated),
  };
}

function stateOf(
  own: readonly Happened[],
  isEnded: boolean,
  todayOn: string,
  earliestOn: string,
  latestOn: string,
): VisitState {
  if (own.some(isSeen)) return 'attended';
  if (isEnded) return 'ended';
  if (own.findLast((one) => one.outcome !== undefined)?.outcome === 'no-show') {
    return 'no-show-rebook';
  }
  if (todayOn > latestOn) return 'overdue';
  return todayOn >= earliestOn ? 'due' : 'planned';
}

/**
 * End a visit that was missed once a later one stands for it (FU8, FU13).
 *
 * What took place before a visit could be planned stands for nothing: the look on which nothing
 * could be seen does not end the one that it asks for (FU18).
 */
export function supersede(
  visit: PlannedVisit,
  visits: readonly PlannedVisit[],
  happened: readonly Happened[],
  lapses: boolean,
): PlannedVisit {
  if (!isOpen(visit)) return visit;
  const since = new Set(
    happened.filter((one) => isSeen(one) && one.on > visit.anchor_on).map((one) => one.visit),
  );
  const later = visits.filter(
    (other) =>
      other.state === 'attended' && other.target_on > visit.target_on && since.has(other.visit),
  );
  if (later.some((other) => other.kind === visit.kind)) {
    return { ...visit, state: 'ended', because: 'A later visit of this kind took place.' };
  }
  if (lapses && later.length > 0) {
    return { ...visit, state: 'ended', because: 'A later visit took place.' };
  }
  return visit;
}

/** The one next act; an overdue or missed visit comes before a later one (FU9). */
export function findNextAct(
  visits: readonly PlannedVisit[],
  happened: readonly Happened[],
  todayOn: string,
  noShowsToClinician: number,
): NextAct {
  const visit = visits.filter(isOpen).sort(byTarget)[0];
  if (visit === undefined) throw new RangeError('FU10: a course that has not ended has a next act');
  const missed = happened.filter(
    (one) => one.visit === visit.visit && one.outcome === 'no-show' && one.on > visit.anchor_on,
  ).length;
  let [owner, because] = [visit.owner_role, visit.because];
  if (missed >= noShowsToClinician) {
    // Whatever was booked or cancelled since: who stayed away twice is a clinician's (HAZ-43).
    [owner, because] = ['clinician', 'Did not come twice: a clinician decides.'];
  } else if (visit.latest_on < todayOn) {
    [owner, because] = ['clinician', `Past its latest date. ${because}`];
  } else if (visit.state === 'no-show-rebook') {
    [owner, because] = ['booking', 'Did not come: book again.'];
  }
  return {
    visit: visit.visit,
    on: visit.target_on > todayOn ? visit.target_on : todayOn,
    owner_role: owner,
    because,
  };
}
