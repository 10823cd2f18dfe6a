/**
 * Drafts on what is on screen: the draft id follows from the record, from what is set and from
 * what was seen, so that a second press before the screen has redrawn is the same act (HAZ-14).
 */
import type { Draft, Json } from '../ports';
import { overOf, type RecordState } from './shown';

interface More {
  because?: string;
  /** What was on screen when the form opened, where that is earlier than now. */
  over?: Record<string, readonly string[]>;
}

/**
 * Return the draft that sets fields of a record as it is shown now.
 *
 * @param state - the record as shown; null when it does not exist yet
 * @param set - every field is written over what is shown of it, so that nobody's other value is
 *   dropped unseen
 */
export function draftOn(
  state: RecordState | null | undefined,
  record: string,
  set: Record<string, Json>,
  { because = '', over = overOf(state, ...Object.keys(set)) }: More = {},
): Draft {
  // What was struck counts too: after an undo the same press is a new act.
  const seen = [over, state?.struck ?? []];
  return {
    draftId: JSON.stringify([record, set, seen, because]),
    record,
    set,
    over,
    ...(because === '' ? {} : { because }),
  };
}

/** Return the draft that marks operations as entered in error. */
export function undoDraft(record: string, references: readonly string[], because = ''): Draft {
  return {
    draftId: JSON.stringify(['undo', record, references]),
    record,
    retract: references,
    ...(because === '' ? {} : { because }),
  };
}

/**
 * Return the draft by which a person settles a conflict (CF2).
 *
 * @param references - all references of all values of the field: none may be left standing
 */
export function settleDraft(
  record: string,
  field: string,
  chosen: Json,
  references: readonly string[],
  because: string,
): Draft {
  return {
    draftId: JSON.stringify(['settle', record, field, chosen, references]),
    record,
    set: { [field]: chosen },
    over: { [field]: references },
    because,
  };
}
