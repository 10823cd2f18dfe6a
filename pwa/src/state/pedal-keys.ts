/**
 * Keys of pedals and page turners: which act a key does, and how a new key is learned (UX-07).
 *
 * A pedal presses the marked primary action or goes back one view. Pure; the screen hands in what
 * it shows.
 */
import { pedalRefusals } from '../text/tablet';

/** The two acts of a pedal; neither undoes, signs or passes a hard gate. */
export type PedalAct = 'primary' | 'back';

/** Names of keys learned on this tablet, besides the standard ones. */
export type LearnedKeys = Readonly<Record<PedalAct, readonly string[]>>;

/** What a key event tells; the part of `KeyboardEvent` that is read. */
export interface PressedKey {
  key: string;
  code: string;
  repeat: boolean;
}

export const STANDARD_KEYS: LearnedKeys = {
  primary: ['PageDown', 'ArrowRight', 'ArrowDown', 'Enter', 'Space'],
  back: ['PageUp', 'ArrowLeft', 'ArrowUp'],
};
export const NO_LEARNED_KEYS: LearnedKeys = { primary: [], back: [] };

/** Keys that a person at a keyboard needs for themselves, or that only change another key. */
const NOT_LEARNED: readonly string[] = [
  ...['Tab', 'Escape', 'Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock', 'Dead'],
];
const NAMELESS: readonly string[] = ['', 'Unidentified'];

/** Return the name of a key: `key`, else `code` (some tablets tell only one), else "". */
export function nameOfKey({ key, code }: Pick<PressedKey, 'key' | 'code'>): string {
  if (key === ' ') return 'Space';
  if (!NAMELESS.includes(key)) return key;
  return NAMELESS.includes(code) ? '' : code;
}

/** Return which act a key name does, null for a key that is not ours. */
export function actOfKey(name: string, learned: LearnedKeys = NO_LEARNED_KEYS): PedalAct | null {
  // The standard keys come first: nothing learned can turn one of them round.
  for (const known of [STANDARD_KEYS, learned]) {
    if (known.primary.includes(name)) return 'primary';
    if (known.back.includes(name)) return 'back';
  }
  return null;
}

/** Read a key event: the act it does, `ignored` for a pedal held down, null when not ours. */
export function readPedalKey(
  event: PressedKey,
  learned: LearnedKeys = NO_LEARNED_KEYS,
): PedalAct | 'ignored' | null {
  const act = actOfKey(nameOfKey(event), learned);
  return act !== null && event.repeat ? 'ignored' : act;
}

/** What became of a key pressed on the learn screen. */
export type Learning =
  | { kind: 'learned'; name: string; keys: LearnedKeys }
  | { kind: 'known'; name: string }
  | { kind: 'refused'; sentence: string };

/**
 * Take a pressed key as one that does an act.
 *
 * @returns the keys with the new one, or why it is refused: one sentence with what to do
 */
export function learnKey(event: PressedKey, act: PedalAct, learned: LearnedKeys): Learning {
  const name = nameOfKey(event);
  if (name === '') return { kind: 'refused', sentence: pedalRefusals.nameless };
  if (NOT_LEARNED.includes(name))
    return { kind: 'refused', sentence: pedalRefusals.ofOthers(name) };
  const before = actOfKey(name, learned);
  if (before === act) return { kind: 'known', name };
  if (before !== null) return { kind: 'refused', sentence: pedalRefusals.taken(name, before) };
  return { kind: 'learned', name, keys: { ...learned, [act]: [...learned[act], name] } };
}

/** What the Procedure screen shows, as far as a pedal has to know. */
export interface PedalScreen {
  isStarted: boolean;
  /** A dialog, a pad or the wipe lock lies over the screen. */
  isCovered: boolean;
  /** The step asks what somebody saw: yes and no are both answers. */
  asksFinding: boolean;
  isJumped: boolean;
}

/**
 * Decide what a key does on the screen: press the primary action, go back to the step of the
 * protocol, nothing though it is a pedal's (`swallow`), or null: not ours.
 *
 * What was seen takes a touch, never a pedal: pressed in rhythm it would record findings that
 * nobody looked for, and whether blood came back lifts a hard gate (HAZ-23).
 */
export function pedalDoes(
  event: PressedKey,
  learned: LearnedKeys,
  screen: PedalScreen,
): 'press' | 'leave-jump' | 'swallow' | null {
  if (!screen.isStarted || screen.isCovered) return null;
  const act = readPedalKey(event, learned);
  if (act === null) return null;
  if (act === 'primary') return screen.asksFinding ? 'swallow' : 'press';
  return act === 'back' && screen.isJumped ? 'leave-jump' : 'swallow';
}
