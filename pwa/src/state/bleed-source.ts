/** From where a bleed came, as recorded beside its event, and the draft that records it. Pure. */
import type { Draft } from '../ports';
import { overOf, type RecordState, textOf, valuesOf } from './shown';

const FIELD = 'bleed_source';

/** Say whether a source is asked for: a bleed has one. */
export function hasSource(event: RecordState): boolean {
  return textOf(event, 'what') === 'bleeding';
}

/** Return the sources that stand; several where two devices answered differently. */
export function sourcesOf(event: RecordState): string[] {
  const told = valuesOf(event, FIELD).map(({ value }) => value);
  return [...new Set(told.filter((source) => typeof source === 'string'))];
}

/**
 * Return the draft that records a source, over every answer that was on screen.
 *
 * @param event - as drawn when pressed: an answer that came in since is not written over
 */
export function sourceDraft(event: RecordState, source: string, newId: () => string): Draft {
  return {
    draftId: `source-${newId()}`,
    record: event.record,
    set: { [FIELD]: source },
    over: overOf(event, FIELD),
  };
}
