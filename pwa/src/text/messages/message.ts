/** What a sentence is once it was compiled, and how it is put together. Pure. */

/** A text, the number of the plural around it (0), or an argument and what is made of it. */
export type Part =
  | string
  | 0
  | readonly [name: string, kind?: undefined, options?: undefined]
  | readonly [name: string, kind: 'number', options?: undefined]
  | readonly [name: string, kind: 'plural' | 'ordinal' | 'select', options: Options];
export type Options = Readonly<Record<string, readonly Part[]>>;

/** One sentence; one without arguments is a text. */
export type Message = string | readonly Part[];

/** Sentences below their keys. Lists are objects with the keys 0, 1, 2. */
export type MessageTree = Message | { readonly [key: string]: MessageTree };

export type Values = Readonly<Record<string, string | number>>;

/**
 * Whole numbers and decimals look the same in every language: a point, no grouping (HAZ-50). A
 * German "1.234" must never be read for an English one.
 */
const numbers = new Intl.NumberFormat('en', { useGrouping: false, maximumFractionDigits: 20 });

/**
 * Return a sentence with its values in place.
 *
 * @param tag - of the language whose plurals are used (BCP 47).
 * @param isRightToLeft - each value is then set apart (FSI, PDI of the Unicode bidirectional
 *   algorithm), or "01632 960002" would be drawn with its halves changed about.
 */
export function formMessage(
  message: Message,
  values: Values,
  tag: string,
  isRightToLeft = false,
): string {
  if (typeof message === 'string') return message;
  if (!isRightToLeft) return formParts(message, values, tag, 0);
  const apart = Object.entries(values).map(([name, value]) => [
    name,
    typeof value === 'string' ? `\u2068${value}\u2069` : value,
  ]);
  return formParts(message, Object.fromEntries(apart), tag, 0);
}

function formParts(parts: readonly Part[], values: Values, tag: string, counted: number): string {
  return parts.map((part) => formPart(part, values, tag, counted)).join('');
}

function formPart(part: Part, values: Values, tag: string, counted: number): string {
  if (typeof part === 'string') return part;
  if (part === 0) return numbers.format(counted);
  const [name, kind, options] = part;
  const value = values[name] ?? '';
  if (kind === undefined) return typeof value === 'number' ? numbers.format(value) : value;
  if (kind === 'number') return numbers.format(Number(value));
  if (kind === 'select') {
    return formParts(options[value] ?? options.other ?? [], values, tag, counted);
  }
  const count = Number(value);
  const chosen =
    options[`=${count}`] ?? options[pluralRules(tag, kind).select(count)] ?? options.other;
  return formParts(chosen ?? [], values, tag, count);
}

/** Making rules takes longer than a whole list of sentences. */
const keptRules = new Map<string, Intl.PluralRules>();

function pluralRules(tag: string, kind: 'plural' | 'ordinal'): Intl.PluralRules {
  const kept = `${tag} ${kind}`;
  const type = kind === 'ordinal' ? 'ordinal' : 'cardinal';
  const rules = keptRules.get(kept) ?? new Intl.PluralRules(tag, { type });
  keptRules.set(kept, rules);
  return rules;
}

/** Say whether a tree is a sentence. */
export function isMessage(tree: MessageTree): tree is Message {
  return typeof tree === 'string' || Array.isArray(tree);
}

/** Return every sentence of a tree below its key. */
export function flatten(tree: MessageTree): Map<string, Message> {
  const found = new Map<string, Message>();
  const walk = (below: MessageTree, key: string): void => {
    if (isMessage(below)) found.set(key, below);
    else {
      for (const [name, inner] of Object.entries(below)) {
        walk(inner, key === '' ? name : `${key}.${name}`);
      }
    }
  };
  walk(tree, '');
  return found;
}
