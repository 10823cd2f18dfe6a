/**
 * Tells a hand scanner that types like a keyboard from people and pedals. Pure; reads no clock.
 *
 * A scanner types its code in one burst and ends it with Enter. What is typed slower than that is a
 * person, and a key alone is a pedal: both are given back in their order, none is swallowed.
 */

/** Longest pause within a burst, milliseconds (project default, no source). */
export const LONGEST_GAP_MS = 50;
/** Fewer characters than this before Enter are no code (project default, no source). */
export const SHORTEST_CODE = 6;
/** More than any code that the rules read. */
const LONGEST_CODE = 500;

/** The part of a `KeyboardEvent` that is read. */
export interface WedgeKey {
  key: string;
  code: string;
  ctrlKey: boolean;
  altKey: boolean;
  metaKey: boolean;
  repeat: boolean;
  /** When the key was pressed, of a clock that never jumps. */
  atMs: number;
}

/**
 * What became of a key: `held` until it is told what it belongs to, `read` as the end of a code,
 * `passed` where it is none of a scanner's. `released` are keys held before that were no code.
 */
export type Taken =
  | { kind: 'held'; released: readonly WedgeKey[] }
  | { kind: 'passed'; released: readonly WedgeKey[] }
  | { kind: 'read'; text: string; released: readonly [] };

const SEPARATOR = '\u001d';
/** Only change the key that follows. */
const MODIFIERS = ['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock'];
/**
 * How a scanner may be set to write the separator of GS1 fields where a keyboard has no key for
 * it. None of these characters may stand in a GS1 or HIBC code, so nothing else is meant by them.
 */
const WRITTEN_SEPARATORS = /\{GS\}|\^\]/g;

/** Return the character that a key types, null for a key that types none. */
export function characterOf(key: WedgeKey): string | null {
  const isSeparator = key.key === SEPARATOR || (key.ctrlKey && [']', '5'].includes(key.key));
  if (isSeparator) return SEPARATOR;
  if (key.metaKey || (key.ctrlKey && !key.altKey)) return null;
  return [...key.key].length === 1 ? key.key : null;
}

/** Return the text of a code with its separators as U+001D. */
export function codeText(typed: string): string {
  return typed.replace(WRITTEN_SEPARATORS, SEPARATOR);
}

export class WedgeKeys {
  #held: WedgeKey[] = [];

  /** Take one key as it comes. */
  take(key: WedgeKey): Taken {
    if (MODIFIERS.includes(key.key)) return { kind: 'passed', released: [] };
    const isInBurst = this.#isWithin(key.atMs) && !key.repeat;
    const character = characterOf(key);
    if (key.key === 'Enter' && isInBurst && this.#held.length >= SHORTEST_CODE) {
      const typed = this.#release().map((one) => characterOf(one) ?? '');
      return { kind: 'read', text: codeText(typed.join('')), released: [] };
    }
    const released = isInBurst && character !== null ? [] : this.#release();
    // A space alone is a pedal or a button; within a code it is a character like any other.
    const mayBegin = character !== null && character !== ' ' && !key.repeat;
    if (character === null || !(isInBurst || mayBegin)) return { kind: 'passed', released };
    this.#held.push(key);
    if (this.#held.length <= LONGEST_CODE) return { kind: 'held', released };
    return { kind: 'held', released: this.#release() };
  }

  /** Give back what was held and was no code, once no key has followed for long enough. */
  giveUp(nowMs: number): WedgeKey[] {
    return this.#isWithin(nowMs) ? [] : this.#release();
  }

  #isWithin(atMs: number): boolean {
    const last = this.#held.at(-1);
    return last !== undefined && atMs - last.atMs <= LONGEST_GAP_MS && atMs >= last.atMs;
  }

  #release(): WedgeKey[] {
    const held = this.#held;
    this.#held = [];
    return held;
  }
}
