/** How what is typed of a person is kept, and which places there are. Pure. */
import { type RecordState, shown, textOf } from './shown';

/** Return an address as it is kept: its lines parted by line feeds, without blank ones. */
export function linesOf(typed: string): string {
  return typed
    .split('\n')
    .map((line) => line.trim())
    .filter((line) => line !== '')
    .join('\n');
}

/**
 * Return the places that a person may be nearest to: where clinics are held, and what is entered.
 *
 * Written as the sessions are: what is proposed compares the two letter by letter.
 */
export function placesOf(sessions: readonly RecordState[], patient: RecordState | null): string[] {
  const held = sessions
    .filter((session) => !session.isEnteredInError)
    .map((session) => textOf(session, 'place'));
  const named = [...held, textOf(patient, 'home_place')].filter((place) => place !== '');
  return [...new Set(named)].sort();
}

/** Return the id of the answer that a yes or no stands for; none where nobody has answered. */
export function answerIds(
  state: RecordState | null,
  field: string,
  [yes, no]: readonly [string, string],
): string[] {
  const held = shown(state, field);
  return typeof held === 'boolean' ? [held ? yes : no] : [];
}
