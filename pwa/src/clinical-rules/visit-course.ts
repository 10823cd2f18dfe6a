/**
 * The course of one visit: an act on it, and what has to be recorded by it. Twin of
 * `visit_course.py`; vectors in `tests/conformance/visit_course`.
 *
 * No act leaves a visit without owner and next day, and none but a clinician's ends it (HAZ-43,
 * HAZ-45). Reads no clock: today is part of the request.
 */
import { addDays } from './civil-date';
import { nameRuleFiles, type RuleBook } from './rule-book';
import {
  type CourseLimit,
  type Escalation,
  findBookBy,
  findEscalation,
  latestOf,
  liesTooLate,
  readCourseLimits,
} from './visit-course-limits';
import { refuseAct, refuseDays, refuseLack } from './visit-course-refusals';
import { type CourseAct, type CourseVisit, readLook, readTake } from './visit-course-request';
import {
  ACTS,
  type ActName,
  ENDED,
  listActs,
  type Need,
  type Role,
  readState,
  type VisitState,
} from './visit-course-table';

type RuleFiles = ReturnType<typeof nameRuleFiles>;

export interface VisitOutlook {
  state: VisitState;
  /** What the role may do, in the order of the table. */
  acts: { act: ActName; needs: Need[] }[];
  /** Why a clinician has to look at it; '' where none has to. */
  escalate: Escalation;
  rule_files: RuleFiles;
}

/** What an act records, and who holds the visit then. */
export interface TakenAct {
  /**
   * The fields to record, null clears one: only those that change, but the status with every act
   * that has one and all of an end, so that what others do meanwhile collides.
   */
  set: Record<string, string | number | { on: string; place: string } | null>;
  state: VisitState;
  /** Null once ended. */
  next: { owner_role: Role; act_on: string } | null;
  /** Why a clinician holds it by this act; 'asked' where somebody asked for it. */
  escalated: Escalation | 'asked';
  rule_files: RuleFiles;
}

/**
 * Return the state of a visit, what a role may do with it, and whether a clinician must look.
 * Rules CV1-CV3, CV8.
 *
 * @param request - parsed JSON: `visit`, `role` and `today_on`
 * @throws ShapeError when a key or type is wrong
 */
export function lookAtVisit(request: unknown, ruleBook: RuleBook): VisitOutlook {
  const { visit, role, today_on: todayOn } = readLook(request, '');
  const { limitOf, files } = readCourseLimits(ruleBook);
  const state = readState(visit);
  return {
    state,
    acts: listActs(state, role, visit.owner_role).map((act) => ({
      act,
      needs: [...ACTS[act].needs],
    })),
    escalate: findEscalation(state, visit, todayOn, limitOf),
    rule_files: nameRuleFiles(...files),
  };
}

/**
 * Return what an act on a visit records. Rules CV1-CV10. Place and time of a booking are the
 * caller's to record.
 *
 * @param request - parsed JSON: `visit` as it stands and `act`
 * @throws ShapeError when a key or type is wrong, the act lacks what it needs, or a day cannot be
 * @throws CalculationRefusedError when the act does not follow this state, or is not for this role
 */
export function takeVisitAct(request: unknown, ruleBook: RuleBook): TakenAct {
  const { visit, act } = readTake(request, '');
  const { limitOf, files } = readCourseLimits(ruleBook);
  const state = readState(visit);
  refuseAct(state, visit, act);
  refuseLack(visit, act);
  refuseDays(visit, act, limitOf);
  const { fields, next, escalated } = leave(state, visit, act, limitOf);
  const known: Record<string, unknown> = { ...visit };
  // Written though it stays (CV10): of two acts on one visit, none is taken for the other.
  const isWritten = (key: string) => next === null || key === 'status';
  const changed = Object.entries(fields).filter(
    ([key, part]) => isWritten(key) || JSON.stringify(part) !== JSON.stringify(known[key] ?? null),
  );
  const after = Object.entries({ ...known, ...fields }).filter(([, part]) => part !== null);
  return {
    set: Object.fromEntries(changed),
    state: readState(Object.fromEntries(after) as unknown as CourseVisit),
    next,
    escalated,
    rule_files: nameRuleFiles(...files),
  };
}

type Left = Pick<TakenAct, 'next' | 'escalated'> & { fields: TakenAct['set'] };

/** The fields after an act, and who holds the visit by it. */
function leave(state: VisitState, visit: CourseVisit, act: CourseAct, limitOf: CourseLimit): Left {
  const status = ACTS[act.act].leaves;
  if (status === ENDED) {
    const fields = {
      status,
      ended_because: act.reason ?? '',
      owner_role: 'clinician',
      act_on: null,
    };
    return { fields, next: null, escalated: '' };
  }
  const [ownerRole, actOn, escalated] = handOn(visit, act, limitOf);
  const kept = ownerRole === visit.owner_role ? visit.owner : undefined;
  return {
    fields: {
      ...(status === '' ? {} : { status }),
      ...note(state, visit, act, limitOf),
      owner_role: ownerRole,
      owner: act.owner ?? kept ?? null,
      act_on: actOn,
    },
    next: { owner_role: ownerRole, act_on: actOn },
    escalated,
  };
}

/** What an act records beside status, owner and day (CV6). */
function note(
  state: VisitState,
  visit: CourseVisit,
  { act: name, cancelled_by, day, place }: CourseAct,
  limitOf: CourseLimit,
): TakenAct['set'] {
  if (name === 'cancel') return { cancelled_by: cancelled_by ?? '' };
  if (name === 'no-show') {
    return { urgency: Math.min((visit.urgency ?? 0) + 1, limitOf('most_urgency')) };
  }
  if (name === 'done-elsewhere') return { elsewhere: { on: day ?? '', place: place ?? '' } };
  if (name !== 'reopen') return {};
  return state === ENDED ? { ended_because: null } : { elsewhere: null };
}

/** Who holds the visit after an act, until when, and why a clinician does (CV5-CV9). */
function handOn(
  visit: CourseVisit,
  act: CourseAct,
  limitOf: CourseLimit,
): [Role, string, TakenAct['escalated']] {
  const { act: name, today_on: todayOn } = act;
  const heldBy = visit.owner_role ?? 'booking';
  if (name === 'hand-over') return [act.owner_role ?? heldBy, act.act_on ?? todayOn, ''];
  if (name === 'plan' && act.owner_role === 'clinician') {
    const targetOn = visit.window?.target_on ?? todayOn;
    return ['clinician', latestOf(todayOn, targetOn), ''];
  }
  if (name === 'plan' || name === 'ask-to-book' || name === 'reopen') {
    return ['booking', findBookBy(visit, todayOn, limitOf), ''];
  }
  if (name === 'book' || name === 'move') {
    const day = act.day ?? todayOn;
    // Only a clinician books so late, and holds the visit from then on.
    return [liesTooLate(day, visit, todayOn, limitOf) ? 'clinician' : heldBy, day, ''];
  }
  if (ACTS[name].leaves === 'attended') {
    // What it showed is a clinician's to note: only then the next visit follows.
    return ['clinician', addDays(todayOn, limitOf('result_within_days')), ''];
  }
  const decideOn = addDays(todayOn, limitOf('decide_within_days'));
  if (name === 'escalate') return ['clinician', decideOn, 'asked'];
  const missed = (visit.no_shows ?? 0) + (name === 'no-show' ? 1 : 0);
  const told = { ...visit, no_shows: missed, act_on: '' };
  const escalated = findEscalation('no-show', told, todayOn, limitOf);
  if (escalated !== '' || heldBy === 'clinician') return ['clinician', decideOn, escalated];
  return ['booking', addDays(todayOn, limitOf('rebook_within_days')), ''];
}
