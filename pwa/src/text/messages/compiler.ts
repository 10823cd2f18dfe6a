/**
 * Reads sentences in ICU message syntax and makes them small parts that `../say.ts` can say.
 *
 * Runs when the app is built and in tests; no parser reaches a tablet, and nothing is evaluated
 * there. Numbers, plurals (CLDR categories) and choices of words are understood; whatever else ICU
 * has is refused when the app is built.
 */
import { parse, TYPE } from '@formatjs/icu-messageformat-parser';
import type { Message, MessageTree, Part } from './message';

/** Sentences as they are written: nested objects, lists and texts. */
export type Written = string | readonly Written[] | { readonly [key: string]: Written };

/** A person's word for one sentence: who, when, and the hash of exactly what was read. */
export interface Review {
  readonly by: string;
  readonly on: string;
  readonly of: string;
}

/** Which sentences concern safety (a key stands for all below it), and who reviewed them. */
export interface SafetyList {
  readonly keys: readonly string[];
  readonly reviews: Readonly<Record<string, Readonly<Record<string, Review>>>>;
}

type Parsed = ReturnType<typeof parse>;

/**
 * Return one written sentence as the parts it is said from; a text without arguments stays a text.
 *
 * @throws Error - with the sentence and what to write instead, where it is not understood.
 */
export function compileMessage(text: string): Message {
  let parsed: Parsed;
  try {
    parsed = parse(text, { ignoreTag: true, requiresOtherClause: true });
  } catch (error) {
    throw new Error(`Write this as an ICU message: "${text}". ${String(error)}`);
  }
  const parts = compileParts(parsed, text);
  return parts.length === 1 && typeof parts[0] === 'string' ? parts[0] : parts;
}

function compileParts(parsed: Parsed, text: string): Part[] {
  return parsed.map((element): Part => {
    if (element.type === TYPE.literal) return element.value;
    if (element.type === TYPE.argument) return [element.value];
    if (element.type === TYPE.pound) return 0;
    if (element.type === TYPE.number && !element.style) return [element.value, 'number'];
    if (element.type === TYPE.select) return [element.value, 'select', optionsOf(element, text)];
    if (element.type === TYPE.plural && element.offset === 0) {
      const kind = element.pluralType === 'ordinal' ? 'ordinal' : 'plural';
      return [element.value, kind, optionsOf(element, text)];
    }
    throw new Error(`Use plain arguments, number, plural or select only: "${text}".`);
  });
}

function optionsOf(
  element: { readonly options: Readonly<Record<string, { readonly value: Parsed }>> },
  text: string,
): Record<string, Part[]> {
  return Object.fromEntries(
    Object.entries(element.options).map(([name, { value }]) => [name, compileParts(value, text)]),
  );
}

/** Return every sentence with its key: the names on the way to it, joined by points. */
export function listSentences(written: Written, key = ''): [key: string, text: string][] {
  if (typeof written === 'string') return [[key, written]];
  return Object.entries(written).flatMap(([name, below]) =>
    listSentences(below, key === '' ? name : `${key}.${name}`),
  );
}

/** Return what takes the place of each sentence, in the same tree; `undefined` leaves it out. */
function mapSentences(
  written: Written,
  change: (key: string, text: string) => Message | undefined,
  key = '',
): MessageTree | undefined {
  if (typeof written === 'string') return change(key, written);
  const below = Object.entries(written).map(([name, inner]) => [
    name,
    mapSentences(inner, change, key === '' ? name : `${key}.${name}`),
  ]);
  return Object.fromEntries(below.filter(([, inner]) => inner !== undefined)) as MessageTree;
}

/** Say whether a sentence is listed as one that concerns safety. */
export function concernsSafety(safety: SafetyList, key: string): boolean {
  return safety.keys.some((listed) => key === listed || key.startsWith(`${listed}.`));
}

/** Return the catalogue that a tablet gets of English, the language all others are held against. */
export function compileSource(written: Written): MessageTree {
  return mapSentences(written, (_, text) => compileMessage(text)) ?? {};
}

/**
 * Return the catalogue that a tablet gets of another language.
 *
 * A sentence on safety is left out until its review names a person and the hash of exactly this
 * English and this translation: the tablet then says it in English, with a mark [HAZ-50].
 *
 * @param hash - of a text, as hexadecimal digits.
 */
export function compileTranslation(
  english: Written,
  translated: Written,
  language: string,
  safety: SafetyList,
  hash: (text: string) => string,
): MessageTree {
  const source = new Map(listSentences(english));
  return (
    mapSentences(translated, (key, text) => {
      const from = source.get(key);
      if (from === undefined) return undefined;
      // A name that is the same in both is no translation.
      if (text !== from && concernsSafety(safety, key)) {
        const review = safety.reviews[language]?.[key];
        if (!review?.by || review.of !== hashReviewed(from, text, hash)) return undefined;
      }
      return compileMessage(text);
    }) ?? {}
  );
}

/** Return the hash that a review of one translation names: 16 digits over English and translation. */
export function hashReviewed(english: string, translated: string, hash: (text: string) => string) {
  return hash(`${english}\n${translated}`).slice(0, 16);
}

/** What an argument may be: `number` wherever its value decides a plural or is written as one. */
export type ArgumentKind = 'number' | 'text' | readonly string[];

/** Return the arguments of a sentence; a choice of words takes one of its names. */
export function argumentsOf(message: Message): Map<string, ArgumentKind> {
  const found = new Map<string, ArgumentKind>();
  const walk = (parts: readonly Part[]): void => {
    for (const part of parts) {
      if (typeof part === 'string' || part === 0) continue;
      const [name, kind, options] = part;
      if (kind === 'select') found.set(name, Object.keys(options));
      else if (kind !== undefined) found.set(name, 'number');
      else if (!found.has(name)) found.set(name, 'text');
      if (options) for (const inner of Object.values(options)) walk(inner);
    }
  };
  if (typeof message !== 'string') walk(message);
  return found;
}

/** Return the TypeScript that says which arguments each English sentence takes. */
export function describeArguments(english: Written): string {
  const rows = listSentences(english).flatMap(([key, text]) => {
    const taken = [...argumentsOf(compileMessage(text))].sort(([a], [b]) => (a < b ? -1 : 1));
    if (taken.length === 0) return [];
    const fields = taken.map(([name, kind]) => `${name}: ${typeOf(kind)}`);
    return [`  '${key}': { ${fields.join('; ')} };`];
  });
  return [
    '/** Which arguments each sentence takes. Made from en.json: `vitest run src/text -u`. */',
    '// biome-ignore format: one sentence a line',
    'export interface Arguments {',
    ...rows,
    '}',
    '',
  ].join('\n');
}

function typeOf(kind: ArgumentKind): string {
  if (kind === 'number') return 'number';
  if (kind === 'text') return 'string | number';
  return kind.map((name) => (name === 'other' ? "'other'" : `'${name}'`)).join(' | ');
}
