/**
 * The course of one visit: an act on it, and what has to be recorded by it. Twin of
 * `visit_course.py`; vectors in `tests/conformance/visit_course`.
 *
 * No act leaves a visit without owner and next day, and none but a clinician's ends it (HAZ-43,
 * HAZ-45). Reads no clock: today is part of the request.
 */
import { addDays } from './civil-date';
import { CalculationRefusedError, ShapeError } from './errors';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { civilDate, naturalNumber, oneOf, shape, text } from './shapes';
import {
  type CourseLimit,
  type Escalation,
  findBookBy,
  findEscalation,
  latestOf,
  liesTooLate,
  readCourseLimits,
} from './visit-course-limits';
import {
  ACT_NAMES,
  ACTS,
  type ActName,
  END_REASONS,
  ENDED,
  isAllowed,
  listActs,
  type Need,
  NONE,
  ROLES,
  type Role,
  readState,
  TOOK_PLACE,
  type VisitState,
} from './visit-course-table';

const STATUSES = [
  NONE,
  'planned',
  'to-book',
  'booked',
  'no-show',
  'cancelled',
  'attended',
  ENDED,
] as const;
const readVisit = shape(
  { status: oneOf(...STATUSES) },
  {
    cancelled_by: oneOf('patient', 'unit'),
    elsewhere: shape({ on: civilDate, place: text }),
    ended_because: oneOf(...END_REASONS),
    owner_role: oneOf(...ROLES),
    owner: text,
    act_on: civilDate,
    urgency: naturalNumber,
    window: shape({ earliest_on: civilDate, target_on: civilDate, latest_on: civilDate }),
    booked_on: civilDate,
    no_shows: naturalNumber,
    failed_tries: naturalNumber,
  },
);
const readAct = shape(
  { act: oneOf(...ACT_NAMES), role: oneOf(...ROLES), today_on: civilDate },
  {
    day: civilDate,
    because: text,
    cancelled_by: oneOf('patient', 'unit'),
    place: text,
    owner_role: oneOf(...ROLES),
    owner: text,
    act_on: civilDate,
    reason: oneOf(...END_REASONS),
  },
);
const readTake = shape({ visit: readVisit, act: readAct });
const readLook = shape({ visit: readVisit, role: oneOf(...ROLES), today_on: civilDate });

/** A visit as it is asked about: its recorded fields, the day of its booking, and two counts. */
export type CourseVisit = ReturnType<typeof readVisit>;
/** An act as it is asked for. */
export type CourseAct = ReturnType<typeof readAct>;
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

/** Refuse an act that does not follow the state, or is another role's (CV2, CV3). */
function refuseAct(state: VisitState, visit: CourseVisit, { act: name, role }: CourseAct): void {
  if (isAllowed(name, state, role, visit.owner_role)) return;
  if (!ACTS[name].startsFrom.includes(state)) {
    const listed = listActs(state, role, visit.owner_role).join(', ') || 'nothing';
    throw new CalculationRefusedError(
      `${name} does not follow ${state}. What can be done from here: ${listed}.`,
    );
  }
  if (!ACTS[name].roles.includes(role)) {
    throw new CalculationRefusedError(
      `${name} is for a clinician alone. Escalate the visit to a clinician.`,
    );
  }
  throw new CalculationRefusedError(
    `A clinician holds this visit: ${name} is for a clinician. Ask the clinician.`,
  );
}

/** Refuse an act without what it needs; a reason of blanks is none (CV4). */
function refuseLack(visit: CourseVisit, act: CourseAct): void {
  for (const key of ACTS[act.act].needs) {
    if (isBlank(act[key])) throw new ShapeError(`act.${key} is missing. Add it.`);
  }
  const { window } = visit;
  if (act.act === 'plan' && window === undefined) {
    throw new ShapeError('visit.window is missing. Add it.');
  }
  if (window === undefined) return;
  const { earliest_on, target_on, latest_on } = window;
  if (earliest_on > target_on || target_on > latest_on) {
    throw new ShapeError('visit.window is not in order. Correct its days.');
  }
  const day = act.day ?? '';
  if (act.act === 'book' && isBlank(act.because) && (day < earliest_on || day > latest_on)) {
    throw new ShapeError(
      `${day} lies outside the window ${earliest_on} to ${latest_on}. Add a reason, or choose a day inside.`,
    );
  }
}

function isBlank(content: string | undefined): boolean {
  return content === undefined || /^[ \t\r\n]*$/.test(content);
}

/** Refuse a day that cannot be, and a desk's next act put off too far (CV5, CV9). */
function refuseDays(visit: CourseVisit, act: CourseAct, limitOf: CourseLimit): void {
  const { act: name, today_on: todayOn, day = '', act_on: actOn = '' } = act;
  if (name === 'book' || name === 'move') {
    if (day < todayOn) {
      throw new ShapeError(`act.day ${day} lies before today. Choose a later day.`);
    }
    refuseLateDay(visit, act, limitOf);
  }
  if (name === 'done-elsewhere' && day > todayOn) {
    throw new ShapeError(`act.day ${day} lies after today. Correct the day.`);
  }
  if (name === 'no-show' && visit.booked_on !== undefined && visit.booked_on > todayOn) {
    throw new ShapeError(
      `The booking is on ${visit.booked_on}: nobody has missed it yet. Move or cancel it.`,
    );
  }
  if (name !== 'hand-over') return;
  const hasTakenPlace = (TOOK_PLACE as readonly string[]).includes(readState(visit));
  if (hasTakenPlace && act.owner_role !== 'clinician') {
    throw new ShapeError("What the visit showed is a clinician's to note. Hand it to a clinician.");
  }
  if (actOn < todayOn) {
    throw new ShapeError(`act.act_on ${actOn} lies before today. Choose a later day.`);
  }
  const latestOn = latestOf(
    visit.act_on ?? todayOn,
    findBookBy(visit, todayOn, limitOf),
    addDays(todayOn, limitOf('rebook_within_days')),
  );
  if (act.role === 'booking' && actOn > latestOn) {
    throw new ShapeError(
      `act.act_on ${actOn} lies after ${latestOn}, the last day a desk may set. Choose an earlier day.`,
    );
  }
}

/** Refuse a desk's booking that lies too late; an earlier day than before is always right. */
function refuseLateDay(visit: CourseVisit, act: CourseAct, limitOf: CourseLimit): void {
  if (act.role === 'clinician' || visit.window === undefined) return;
  const { latest_on: latestOn } = visit.window;
  const day = act.day ?? '';
  // Put off by the desk step after step, a visit would never come.
  const isMove = act.act === 'move';
  const isLater = !isMove || day > (visit.booked_on ?? '');
  if (isLater && liesTooLate(day, visit, isMove ? latestOn : act.today_on, limitOf)) {
    throw new CalculationRefusedError(
      `${day} lies more than ${limitOf('late_days_to_clinician')} days after the latest date ` +
        `${latestOn}: so late a day is a clinician's. Choose an earlier day, or escalate the ` +
        'visit to a clinician.',
    );
  }
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
