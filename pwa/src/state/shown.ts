/** What a screen reads out of a record's state. Pure. */
import type { FieldState, HeldValue, Json, RecordState } from '../ports';

export type { FieldState, HeldValue, Json, RecordState } from '../ports';

type MaybeState = RecordState | null | undefined;

/** Return the field's state, undefined where nothing stands. */
export function fieldOf(state: MaybeState, field: string): FieldState | undefined {
  return state && Object.hasOwn(state.fields, field) ? state.fields[field] : undefined;
}

/** Return the one value to read; undefined when nothing stands or a person has to settle it. */
export function shown(state: MaybeState, field: string): Json | undefined {
  const found = fieldOf(state, field);
  if (found === undefined || found.isConflict) return undefined;
  return found.values.at(-1)?.value;
}

/** Return every value left in a field, the one to read last. */
export function valuesOf(state: MaybeState, field: string): HeldValue[] {
  return fieldOf(state, field)?.values ?? [];
}

/** Say whether the field waits for a person to settle it. */
export function isInConflict(state: MaybeState, field: string): boolean {
  return fieldOf(state, field)?.isConflict ?? false;
}

/** Return what a form that shows these fields puts into `over`; take it when the form opens. */
export function overOf(state: MaybeState, ...fields: string[]): Record<string, string[]> {
  const named = fields.map((field): [string, string[]] => [
    field,
    valuesOf(state, field).flatMap((held) => held.references),
  ]);
  return Object.fromEntries(named.filter(([, references]) => references.length > 0));
}

/** Return the references of everything that stands in a record: what undoing it retracts. */
export function headsOf(state: MaybeState): string[] {
  return state?.heads ?? [];
}

/** Return the whole number in a field, null when none is shown. */
export function numberOf(state: MaybeState, field: string): number | null {
  const found = shown(state, field);
  return typeof found === 'number' ? found : null;
}

/** Return the text in a field, "" when none is shown. */
export function textOf(state: MaybeState, field: string): string {
  const found = shown(state, field);
  return typeof found === 'string' ? found : '';
}

/** Return the list in a field, empty when none is shown. */
export function listOf(state: MaybeState, field: string): readonly Json[] {
  const found = shown(state, field);
  return Array.isArray(found) ? (found as readonly Json[]) : [];
}

/** Return the structure in a field, null when none is shown. */
export function structureOf(
  state: MaybeState,
  field: string,
): { readonly [part: string]: Json } | null {
  const found = shown(state, field);
  return typeof found === 'object' && found !== null && !Array.isArray(found)
    ? (found as { readonly [part: string]: Json })
    : null;
}

/** Return the id part of a record, after the kind. */
export function idOf(record: string): string {
  return record.slice(record.indexOf('/') + 1);
}
