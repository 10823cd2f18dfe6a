/**
 * What the rule files below `follow_up` hold: visits of a plan, and limits of the early look. Twin
 * of `follow_up_rows.py`.
 */
import { rowShape } from './rule-file';
import { flag, text, wholeNumber } from './shapes';

export const EARLY_LOOK = 'follow_up/early_look';
/** Files of the folder that are no plan: nobody can be followed up by them. */
export const NOT_PLANS = [
  EARLY_LOOK,
  'follow_up/course',
  'follow_up/measures',
  'follow_up/reminders',
];

const orNull = (content: unknown, where: string): number | null =>
  content === null ? null : wholeNumber(content, where);
export const readVisitRow = rowShape({
  visit: text,
  kind: text,
  label: text,
  owner_role: text,
  anchor: text,
  months: wholeNumber,
  days: wholeNumber,
  before_days: wholeNumber,
  after_days: wholeNumber,
  repeat_months: orNull,
  when: text,
  lapses: flag,
  because: text,
});
export const readEarlyLookRow = rowShape({
  above_adhesive_ul: wholeNumber,
  from_coils: wholeNumber,
  no_shows_to_clinician: wholeNumber,
});

export type VisitRow = ReturnType<typeof readVisitRow>;
export type EarlyLookRow = ReturnType<typeof readEarlyLookRow>;
