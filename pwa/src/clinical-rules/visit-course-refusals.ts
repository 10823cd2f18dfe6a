/**
 * Acts on a visit that are refused: out of turn, for want of something, on a day that cannot be.
 * Twin of `visit_course_refusals.py`.
 */
import { addDays } from './civil-date';
import { CalculationRefusedError, ShapeError } from './errors';
import { type CourseLimit, findBookBy, latestOf, liesTooLate } from './visit-course-limits';
import type { CourseAct, CourseVisit } from './visit-course-request';
import {
  ACTS,
  isAllowed,
  listActs,
  readState,
  TOOK_PLACE,
  type VisitState,
} from './visit-course-table';

/** Refuse an act that does not follow the state, or is another role's (CV2, CV3). */
export function refuseAct(
  state: VisitState,
  visit: CourseVisit,
  { act: name, role }: CourseAct,
): void {
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
export function refuseLack(visit: CourseVisit, act: CourseAct): void {
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
export function refuseDays(visit: CourseVisit, act: CourseAct, limitOf: CourseLimit): void {
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
