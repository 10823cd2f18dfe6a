/** Which key does what at the desk. Pure. */

/** One letter a common act, the same in every language; shown on its button. */
export const KEYS = {
  book: 'b',
  came: 'c',
  noShow: 'n',
  cancel: 'x',
  elsewhere: 'e',
  reach: 't',
  give: 'g',
  clinician: 'q',
  undo: 'u',
  find: '/',
} as const;
export type KeyedAct = keyof typeof KEYS;

/**
 * So long a question that follows another takes no digit, ms: a digit pressed twice answers one of
 * them. From memory: the pause within a double press is shorter. Unit setting (project default).
 */
export const SETTLE_MS = 400;

/** What a pressed key asks for. */
export type Asked =
  | { kind: 'act'; act: KeyedAct }
  /** The first choice is 0. */
  | { kind: 'choice'; place: number }
  | { kind: 'move'; to: 'next' | 'previous' | 'first' | 'last' }
  | { kind: 'leave' };

/** What counts of a key that went down. */
export type KeyDown = Pick<
  KeyboardEvent,
  'key' | 'repeat' | 'ctrlKey' | 'altKey' | 'metaKey' | 'isComposing'
>;

const MOVES: Readonly<Record<string, Extract<Asked, { kind: 'move' }>['to']>> = {
  ArrowDown: 'next',
  ArrowUp: 'previous',
  Home: 'first',
  End: 'last',
};

/**
 * Return what a key asks for, null where it means nothing here.
 *
 * Only moving goes on while a key is held: nothing is recorded twice by a slow finger.
 *
 * @param isTyping - a text is being entered: its letters are letters
 */
export function askedBy(down: KeyDown, isTyping: boolean): Asked | null {
  if (down.ctrlKey || down.altKey || down.metaKey || down.isComposing) return null;
  if (down.key === 'Escape') return down.repeat ? null : { kind: 'leave' };
  const to = MOVES[down.key];
  // In a text these four go through the text, but for the one that leads out of it.
  if (to !== undefined) return isTyping && down.key !== 'ArrowDown' ? null : { kind: 'move', to };
  if (isTyping || down.repeat) return null;
  if (/^[1-9]$/.test(down.key)) return { kind: 'choice', place: Number(down.key) - 1 };
  const found = Object.entries(KEYS).find(([, key]) => key === down.key.toLowerCase());
  return found === undefined ? null : { kind: 'act', act: found[0] as KeyedAct };
}

/** Say whether a held key would press the button that has the focus once more. */
export function wouldPressAgain({ key, repeat }: Pick<KeyDown, 'key' | 'repeat'>): boolean {
  return repeat && (key === 'Enter' || key === ' ');
}

/** Return where a move leads in a list of so many; -1 stands before the first. */
export function placeAfter(
  to: Extract<Asked, { kind: 'move' }>['to'],
  place: number,
  count: number,
): number {
  if (count === 0) return -1;
  const wanted = { next: place + 1, previous: place - 1, first: 0, last: count - 1 }[to];
  return Math.max(0, Math.min(count - 1, wanted));
}
