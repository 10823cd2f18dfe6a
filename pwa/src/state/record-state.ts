/** A record before anything is held of it, and as it will read once something is saved. Pure. */
import type { Json } from '../ports';
import type { RecordState } from './shown';

/** Return a record of which nothing is held. */
export function blankState(record: string): RecordState {
  return { record, fields: {}, struck: [], isEnteredInError: false, heads: [] };
}

/** Return a record as it will read once these fields are saved. */
export function withFields(state: RecordState, set: Readonly<Record<string, Json>>): RecordState {
  const told = Object.entries(set).map(([field, value]) => [
    field,
    { values: [{ value, references: [], by: '', stamp: '' }], isConflict: false },
  ]);
  return { ...state, fields: { ...state.fields, ...Object.fromEntries(told) } };
}
