/**
 * Tells a hand scanner that types like a keyboard from people and pedals. Pure; reads no clock.
 *
 * A scanner types its code in one burst and ends it with Enter or another end of line. What is typed
 * slower than that is a person, and a key alone is a pedal: both are given back in their order, none
 * is swallowed. What only a scanner types never reaches the page, whole or torn: its Enter would
 * press the primary action, and so would a letter that is learned as a pedal's (HAZ-23).
 */

/** Longest pause within a burst, milliseconds (project default, no source). */
export const LONGEST_GAP_MS = 50;
/** Fewer characters than this before Enter are no code (project default, no source). */
export const SHORTEST_CODE = 6;
/** So many keys in one burst are no person's (project default, no source). */
export const SCANNERS_LEAST = 3;
/**
 * What follows a piece of a burst sooner than this may be the rest of the same code, milliseconds
 * (project default, no source): half a code may be a valid label of another lot.
 */
export const STUTTER_MS = 500;
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
 * `lost` as the end of one that did not come whole, `dropped` where else it is a scanner's, `passed`
 * where it is none. `released` are keys held before that were no scanner's.
 */
export type Taken =
  | { kind: 'held' | 'passed' | 'dropped'; released: readonly WedgeKey[] }
  | { kind: 'lost'; released: readonly [] }
  | { kind: 'read'; text: string; released: readonly [] };

const SEPARATOR = '\u001d';
/** Only change the key that follows. */
const MODIFIERS = ['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock'];
/**
 * How a scanner may be set to write the separator of GS1 fields where a keyboard has no key for
 * it. None of these characters may stand in a GS1 or HIBC code, so nothing else is meant by them.
 */
const WRITTEN_SEPARATORS = /\{GS\}|\^\]/g;

/** What a code of the keyboard that stands for no character of labels is read as; no rule takes it. */
const NO_CHARACTER = '\ufffd';

/**
 * Return the digit of a key that is pressed under Alt, null for any other key: a scanner may write a
 * character so, by its number (029 for the separator), and the digits are no part of the code.
 */
function altDigitOf({ key, code, ctrlKey, altKey, metaKey }: WedgeKey): string | null {
  if (!altKey || ctrlKey || metaKey) return null;
  // Without NumLock the key has another name.
  return /^Numpad([0-9])$/.exec(code)?.[1] ?? /^[0-9]$/.exec(key)?.[0] ?? null;
}

/** Return the character of a number typed under Alt: the separator, or one of ASCII. */
function characterOfNumber(digits: string): string {
  const number = Number(digits);
  if (number === SEPARATOR.charCodeAt(0)) return SEPARATOR;
  return number >= 32 && number <= 126 ? String.fromCharCode(number) : NO_CHARACTER;
}

/** Return the character that a key types, null for a key that types none. */
export function characterOf(key: WedgeKey): string | null {
  const digit = altDigitOf(key);
  if (digit !== null) return digit;
  const isSeparator = key.key === SEPARATOR || (key.ctrlKey && [']', '5'].includes(key.key));
  if (isSeparator) return SEPARATOR;
  if (key.metaKey || (key.ctrlKey && !key.altKey)) return null;
  return [...key.key].length === 1 ? key.key : null;
}

/** Say whether a key ends a code: carriage return, line feed or tab, as scanners are set to send. */
function endsCode({ key, ctrlKey }: WedgeKey): boolean {
  if (ctrlKey) return ['m', 'j', 'i'].includes(key.toLowerCase());
  return ['Enter', 'ArrowDown', 'Tab'].includes(key);
}

/** Return the text of a code with its separators as U+001D. */
export function codeText(typed: string): string {
  return typed.replace(WRITTEN_SEPARATORS, SEPARATOR);
}

/** Return what keys typed, a number under one press of Alt being one character. */
function textOf(keys: readonly WedgeKey[], altPressOf: WeakMap<WedgeKey, number>): string {
  let text = '';
  let digits = '';
  for (const [place, key] of keys.entries()) {
    const digit = altDigitOf(key);
    if (digit === null) {
      text += characterOf(key) ?? '';
      continue;
    }
    digits += digit;
    const next = keys[place + 1];
    const goesOn = next !== undefined && altDigitOf(next) !== null;
    if (goesOn && altPressOf.get(next) === altPressOf.get(key)) continue;
    text += characterOfNumber(digits);
    digits = '';
  }
  return text;
}

export class WedgeKeys {
  #held: WedgeKey[] = [];
  #altPresses = 0;
  /** Which press of Alt a key came under. */
  readonly #altPressOf = new WeakMap<WedgeKey, number>();
  /** When the last key came that was a scanner's beyond doubt. */
  #scannedAtMs = Number.NEGATIVE_INFINITY;
  /** A code was torn by a pause, and its end has not come. */
  #isTorn = false;
  /** When the last key came that a pause broke off, be it a scanner's or a person's. */
  #brokenAtMs = Number.NEGATIVE_INFINITY;

  /** How many keys are held. */
  get heldCount(): number {
    return this.#held.length;
  }

  /** Take one key as it comes. */
  take(key: WedgeKey): Taken {
    if (key.key === 'Alt' && !key.repeat) this.#altPresses += 1;
    if (MODIFIERS.includes(key.key)) return { kind: 'passed', released: [] };
    const isInBurst = this.#isWithin(key.atMs) && !key.repeat;
    const character = characterOf(key);
    if (isInBurst && endsCode(key) && this.#held.length > 1) return this.#end(key);
    const released = isInBurst && character !== null ? [] : this.#release();
    // A space alone is a pedal or a button; within a code it is a character like any other.
    const mayBegin = character !== null && character !== ' ' && !key.repeat;
    if (this.#held.length === 0 && this.#isScanners(key, mayBegin)) {
      if (this.#isTorn && endsCode(key)) return this.#end(key);
      this.#scannedAtMs = key.atMs;
      return { kind: 'dropped', released };
    }
    if (character === null || !(isInBurst || mayBegin)) return { kind: 'passed', released };
    this.#held.push(key);
    this.#altPressOf.set(key, this.#altPresses);
    if (this.#held.length > LONGEST_CODE) return { kind: 'dropped', released: this.#release() };
    return { kind: 'held', released };
  }

  /** Give back what was held and was no scanner's, once no key has followed for long enough. */
  giveUp(nowMs: number): WedgeKey[] {
    return this.#isWithin(nowMs) ? [] : this.#release();
  }

  #isWithin(atMs: number): boolean {
    const last = this.#held.at(-1);
    return last !== undefined && atMs - last.atMs <= LONGEST_GAP_MS && atMs >= last.atMs;
  }

  /** Say whether a key goes on from what a scanner typed: its second end, or the rest of a code. */
  #isScanners(key: WedgeKey, mayBegin: boolean): boolean {
    const sinceMs = key.atMs - this.#scannedAtMs;
    const isRest = this.#isTorn && (characterOf(key) !== null || endsCode(key));
    return (isRest && sinceMs < STUTTER_MS) || (!mayBegin && sinceMs <= LONGEST_GAP_MS);
  }

  /** End a code: read what is held, unless it is too short or only the rest of one. */
  #end(key: WedgeKey): Taken {
    const typed = this.#held;
    const isRest = (typed[0] ?? key).atMs - this.#brokenAtMs < STUTTER_MS;
    this.#held = [];
    this.#isTorn = false;
    this.#scannedAtMs = key.atMs;
    this.#brokenAtMs = Number.NEGATIVE_INFINITY;
    const text = textOf(typed, this.#altPressOf);
    if (text.length < SHORTEST_CODE || isRest) return { kind: 'lost', released: [] };
    return { kind: 'read', text: codeText(text), released: [] };
  }

  /** Hold no longer what came without an end; returns what may be a person's of it. */
  #release(): WedgeKey[] {
    const held = this.#held;
    const last = held.at(-1);
    if (last === undefined) return [];
    this.#held = [];
    this.#brokenAtMs = last.atMs;
    this.#isTorn = held.length >= SCANNERS_LEAST;
    if (this.#isTorn) this.#scannedAtMs = last.atMs;
    // A space is held only within a burst; given back it would press as a pedal does.
    return this.#isTorn ? [] : held.filter(({ key }) => key !== ' ');
  }
}
