/**
 * What is asked about the course of a visit: its keys and types. Twin of `visit_course_request.py`.
 */
import { civilDate, naturalNumber, oneOf, shape, text } from './shapes';
import { ACT_NAMES, END_REASONS, ENDED, NONE, ROLES } from './visit-course-table';

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
export const readTake = shape({ visit: readVisit, act: readAct });
export const readLook = shape({ visit: readVisit, role: oneOf(...ROLES), today_on: civilDate });

/** A visit as it is asked about: its recorded fields, the day of its booking, and two counts. */
export type CourseVisit = ReturnType<typeof readVisit>;
/** An act as it is asked for. */
export type CourseAct = ReturnType<typeof readAct>;
