/**
 * Who signed or answered for something, and whether a PIN showed that it was them. Pure.
 *
 * Whoever taps is a name that anybody may press on the tablet; only who signs or passes a gate shows
 * by PIN who they are (HAZ-25). A paper tells a name that no PIN stands behind as stated, never as
 * shown. Twin of `api/documents/who_confirmed.py`.
 */
import type { PaperWords } from './paper-words';
import { nameOf, type ShownCase, type ShownRecord, structure, textIn } from './shown-case';

/** Return how whoever answers for a record showed who it is, "untold" where nothing says so. */
export function howConfirmed(record: ShownRecord): string {
  const kept = structure(record, 'confirmation');
  // Of another person it confirms nothing of this one.
  return textIn(kept, 'by') === record.by ? textIn(kept, 'how') : 'untold';
}

/** Return the name of who answers for a record: as stated, unless a PIN showed it. */
export function sayActor(shown: ShownCase, record: ShownRecord, words: PaperWords): string {
  if (howConfirmed(record) === 'pin') return nameOf(shown, record.by);
  return sayStated(shown, record.by, words);
}

/** Return the name of a person whom somebody else named, "" for nobody. */
export function sayStated(shown: ShownCase, person: string, words: PaperWords): string {
  return person === '' ? '' : words.say('report.as_stated', { name: nameOf(shown, person) });
}
