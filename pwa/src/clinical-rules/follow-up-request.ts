/** What a follow-up is asked with; its Python twin stands in `follow_up.py`. */
import { civilDate, flag, listOf, naturalNumber, oneOf, shape, text } from './shapes';

const OUTCOMES = ['attended', 'no-show', 'cancelled', 'done-elsewhere'] as const;
const readHappened = shape(
  { visit: text, on: civilDate },
  {
    outcome: oneOf(...OUTCOMES),
    doppler_flow: flag,
    obliterated: flag,
    not_seen: flag,
    retreated: flag,
    died: flag,
    transferred: flag,
    declined: flag,
  },
);
const readConditions = shape(
  {},
  {
    cirrhosis: flag,
    child_class: oneOf('A', 'B', 'C'),
    transplant_listed: flag,
    on_beta_blocker: flag,
    oesophageal_banded: flag,
    adhesive_ul: naturalNumber,
    coils: naturalNumber,
  },
);
export const readRequest = shape(
  { plan: text, index_on: civilDate, acute_bleed: flag, today_on: civilDate },
  { conditions: readConditions, happened: listOf(readHappened) },
);

export type FollowUpRequest = ReturnType<typeof readRequest>;
export type Happened = ReturnType<typeof readHappened>;
export type Conditions = ReturnType<typeof readConditions>;
