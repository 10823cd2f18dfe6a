/** Conflicts as data that a screen can list; twin of `sync/conflict.py`. */
import type { HeldValue, RecordState } from './merge';

export interface OpenConflict {
  record: string;
  field: string;
  /** Every value left, each with its references (CF1). */
  values: HeldValue[];
}

/** Return the open conflicts of one record, by field name. */
export function listConflicts(state: RecordState): OpenConflict[] {
  return Object.entries(state.fields)
    .filter(([, field]) => field.isConflict)
    .map(([name, field]) => ({ record: state.record, field: name, values: field.values }));
}
