/**
 * Reads parsed JSON strictly: a wrong key or type is refused by name. Twin of `shapes.py`.
 *
 * A reader takes the content and where it stands (`drugs[2]`) and returns it, typed, or throws
 * a `ShapeError` of one sentence. Both engines write the same sentences.
 */
import { isCivilDate } from './civil-date';
import { ShapeError } from './errors';

/** Takes parsed JSON and where it stands; returns it typed or throws a `ShapeError`. */
export type Reader<T> = (content: unknown, where: string) => T;

type Readers = Readonly<Record<string, Reader<unknown>>>;
type ReadBy<R extends Readers> = { readonly [K in keyof R]: ReturnType<R[K]> };

/** Text, also empty. */
export const text: Reader<string> = (content, where) => {
  if (typeof content === 'string') return content;
  throw wrongType(content, where, 'text');
};

/** A whole number of at most 2^53 - 1; `1.0` counts as 1. */
export const wholeNumber: Reader<number> = (content, where) => {
  if (typeof content === 'number' && Number.isSafeInteger(content)) return content + 0;
  throw wrongType(content, where, 'a whole number');
};

/** A whole number that is not negative. */
export const naturalNumber: Reader<number> = (content, where) => {
  const read = wholeNumber(content, where);
  if (read < 0) throw new ShapeError(`${where} must not be negative. Correct it.`);
  return read;
};

/**
 * Return a reader of a natural number up to a bound.
 *
 * @param zeroAdvice - what to do about a 0 where that is none, such as "Correct it."
 */
export function atMost(most: number, zeroAdvice = ''): Reader<number> {
  return (content, where) => {
    const amount = naturalNumber(content, where);
    if (zeroAdvice !== '' && amount === 0) {
      throw new ShapeError(`${where} must be above 0. ${zeroAdvice}`);
    }
    if (amount > most) throw new ShapeError(`${where} must be at most ${most}. Correct it.`);
    return amount;
  };
}

/** A number below 2^53, whole or not; what `Exact` cannot hold, such as 5e-324, is 0. */
export const number: Reader<number> = (content, where) => {
  if (typeof content === 'number' && Math.abs(content) <= Number.MAX_SAFE_INTEGER) {
    return Math.abs(content) < 1e-60 ? 0 : content + 0;
  }
  throw wrongType(content, where, 'a number');
};

/** True or false. */
export const flag: Reader<boolean> = (content, where) => {
  if (typeof content === 'boolean') return content;
  throw wrongType(content, where, 'true or false');
};

/** A day of the calendar, as `YYYY-MM-DD`. */
export const civilDate: Reader<string> = (content, where) => {
  if (typeof content === 'string' && isCivilDate(content)) return content;
  throw new ShapeError(`${where} must be a date such as 2026-03-01. Correct it.`);
};

/** One of the words given. */
export function oneOf<const Word extends string>(...words: readonly Word[]): Reader<Word> {
  return (content, where) => {
    const found = words.find((word) => word === content);
    if (found !== undefined) return found;
    throw new ShapeError(`${where} must be one of ${words.join(', ')}. Correct it.`);
  };
}

/** A list; each entry is read by the reader given. */
export function listOf<T>(reader: Reader<T>): Reader<readonly T[]> {
  return (content, where) => {
    if (!Array.isArray(content)) throw wrongType(content, where, 'a list');
    return content.map((entry, place) => reader(entry, `${where}[${place}]`));
  };
}

/**
 * An object with exactly these keys; null under an optional key counts as left out.
 *
 * @param required - readers of the keys that must be there
 * @param optional - readers of the keys that may be left out
 */
export function shape<R extends Readers, O extends Readers = Record<never, never>>(
  required: R,
  optional?: O,
): Reader<ReadBy<R> & Partial<ReadBy<O>>> {
  const mayBeThere: Readers = optional ?? {};
  return (content, where) => {
    if (!isObject(content)) throw wrongType(content, where || 'The request', 'an object');
    for (const key of Object.keys(content)) {
      if (!Object.hasOwn(required, key) && !Object.hasOwn(mayBeThere, key)) {
        throw new ShapeError(`${join(where, key)} is no known key. Remove it or correct its name.`);
      }
    }
    const read: Record<string, unknown> = {};
    for (const [key, reader] of Object.entries(required)) {
      if (!Object.hasOwn(content, key)) {
        throw new ShapeError(`${join(where, key)} is missing. Add it.`);
      }
      read[key] = reader(content[key], join(where, key));
    }
    for (const [key, reader] of Object.entries(mayBeThere)) {
      if (Object.hasOwn(content, key) && content[key] !== null) {
        read[key] = reader(content[key], join(where, key));
      }
    }
    return read as ReadBy<R> & Partial<ReadBy<O>>;
  };
}

function isObject(content: unknown): content is Record<string, unknown> {
  return typeof content === 'object' && content !== null && !Array.isArray(content);
}

function join(where: string, key: string): string {
  return where ? `${where}.${key}` : key;
}

function wrongType(content: unknown, where: string, wanted: string): ShapeError {
  return new ShapeError(`${where} must be ${wanted}, not ${nameType(content)}. Correct it.`);
}

function nameType(content: unknown): string {
  if (content === null || content === undefined) return 'null';
  if (Array.isArray(content)) return 'a list';
  if (typeof content === 'string') return 'text';
  if (typeof content === 'boolean') return 'true or false';
  if (typeof content === 'number') {
    if (!(Math.abs(content) <= Number.MAX_SAFE_INTEGER)) return 'a number that large';
    return Number.isInteger(content) ? 'a whole number' : 'a fraction';
  }
  return 'an object';
}
