/**
 * Says the sentences of the catalogue in the language that is spoken now.
 *
 * A text module takes its section with `words` and adds those that take arguments:
 *
 * ```ts
 * const said = words('clinic');
 * export const clinic = withMore(said, {
 *   how: choices(said.how),
 *   free: (free: number, capacity: number) => say('clinic.free', { free, capacity }),
 * });
 * ```
 *
 * A key or an argument that en.json does not have is an error of TypeScript. Each word is looked up
 * when it is read, so what is drawn follows the language.
 */
import { ENGLISH, language } from '../state/language.svelte';
import type { Arguments } from './messages/arguments';
import type catalogue from './messages/en.json';
import {
  formMessage,
  isMessage,
  type Message,
  type MessageTree,
  type Values,
} from './messages/message';

type Sections = (typeof catalogue)['messages'];

/** The sentences below a key that take no arguments; the others are said by `say`. */
type Below<Written, Key extends string> = {
  readonly [Name in keyof Written & string as `${Key}.${Name}` extends keyof Arguments
    ? never
    : Name]: Written[Name] extends string
    ? string
    : Written[Name] extends readonly string[]
      ? readonly string[]
      : Below<Written[Name], `${Key}.${Name}`>;
};

/** Every key below which, or at which, there are sentences. */
type Keys<Written, Before extends string = ''> = Written extends string
  ? never
  : {
      [Name in keyof Written & string]:
        | `${Before}${Name}`
        | (Written[Name] extends readonly string[]
            ? never
            : Keys<Written[Name], `${Before}${Name}.`>);
    }[keyof Written & string];

/** One answer to choose: its id in the record, and its words. */
export interface Choice {
  readonly id: string;
  readonly words: string;
}

/** Begins a sentence that is said in English because it is not translated, or not reviewed (HAZ-50). */
export const ENGLISH_MARK = '[EN] ';

/** Return a sentence with its arguments in place. */
export function say<Key extends keyof Arguments>(key: Key, values: Arguments[Key]): string {
  return read(key, values as unknown as Values);
}

function read(key: string, values: Values): string {
  const { tag, rules, direction, messages } = language.current;
  const message = messages.get(key);
  if (message !== undefined) return formMessage(message, values, rules, direction === 'rtl');
  const english: Message = language.english.messages.get(key) ?? key;
  const said = formMessage(english, values, 'en');
  return tag === 'en' || said === '' ? said : `${ENGLISH_MARK}${said}`;
}

/** Return a sentence by a key that is put together. */
export function sayAs(key: Keys<Sections>, values: Values = {}): string {
  return read(key, values);
}

/** Say whether a key has a sentence in the language spoken now: else it is said in English. */
export function isSaidHere(key: Keys<Sections>): boolean {
  return language.current.messages.has(key);
}

/** Say whether a key that was put together elsewhere has a sentence at all. */
export function isSentence(key: string): key is Keys<Sections> {
  return language.english.messages.has(key);
}

/** Return a sentence in English whatever is spoken, without a mark. */
export function englishOf(key: Keys<Sections>, values: Values = {}): string {
  return formMessage(language.english.messages.get(key) ?? key, values, 'en');
}

/**
 * Return a sentence that is English in every language, marked where another one is spoken: of a
 * rule file, an engine or the unit's server (HAZ-50).
 */
export function inEnglish(text: string): string {
  const isPlain = language.current.tag === 'en' || text === '' || text.startsWith(ENGLISH_MARK);
  return isPlain ? text : `${ENGLISH_MARK}${text}`;
}

/** Say whether a sentence is English while another language is spoken. */
export function isEnglishHere(text: string): boolean {
  return language.current.tag !== 'en' && text.startsWith(ENGLISH_MARK);
}

/** Return a section of the catalogue; its lists are lists, its groups objects. */
export function words<Section extends keyof Sections & string>(
  section: Section,
): Below<Sections[Section], Section> {
  const tree = (ENGLISH as { readonly [key: string]: MessageTree })[section];
  return lazily(tree ?? {}, section) as Below<Sections[Section], Section>;
}

function lazily(tree: MessageTree, key: string): object {
  const names = Object.keys(tree);
  const isList = names.length > 0 && names.every((name, place) => name === String(place));
  const made: object = isList ? [] : {};
  for (const [name, below] of Object.entries(tree) as [string, MessageTree][]) {
    const inner = `${key}.${name}`;
    if (!isMessage(below)) Object.defineProperty(made, name, shown(lazily(below, inner)));
    else if (typeof below === 'string') {
      Object.defineProperty(made, name, { get: () => read(inner, {}), enumerable: true });
    }
  }
  return made;
}
const shown = (value: unknown) => ({ value, enumerable: true });

/** Return a group with more beside it; what has the same name is replaced. */
export function withMore<Group extends object, More extends object>(
  group: Group,
  more: More,
): Omit<Group, keyof More> & More {
  const parts = {
    ...Object.getOwnPropertyDescriptors(group),
    ...Object.getOwnPropertyDescriptors(more),
  };
  return Object.defineProperties({}, parts) as Omit<Group, keyof More> & More;
}

/** Return a group as answers to choose from, in its order; each name is the id. */
export function choices(group: Readonly<Record<string, string>>): readonly Choice[] {
  return Object.keys(group).map((id) => ({
    id,
    get words() {
      return group[id] ?? id;
    },
  }));
}

/** Return a group to be looked up by whatever a record holds. */
export function lookUp(group: Readonly<Record<string, string>>): Readonly<Record<string, string>> {
  return group;
}

/**
 * Return a sentence as a record keeps it: in English, whatever language was pressed. People who
 * speak other languages read the same record, and no translation is ever stored (HAZ-50).
 */
export function forRecord(key: Keys<Sections>, values: Values = {}): string {
  return englishOf(key, values);
}

/** Return reasons to choose from; the id of each is what a record keeps of it. */
export function reasons(key: Keys<Sections>, group: readonly string[]): readonly Choice[] {
  return group.map((_, place) => ({
    id: forRecord(`${key}.${place}` as Keys<Sections>),
    get words() {
      return group[place] ?? '';
    },
  }));
}

/**
 * Return what a record kept by `forRecord` or `reasons` in the language spoken now; any other text
 * as it is, which a person or an engine wrote.
 */
export function retell(kept: string): string {
  const key = keptKeys().get(kept);
  return key === undefined ? kept : read(key, {});
}

/** Keys of what records keep, by the English sentence. */
function keptKeys(): ReadonlyMap<string, string> {
  keysOfKept ??= new Map(
    [...language.english.messages].flatMap(([key, message]): [string, string][] =>
      typeof message === 'string' && KEPT.test(key) ? [[message, key]] : [],
    ),
  );
  return keysOfKept;
}
let keysOfKept: ReadonlyMap<string, string> | undefined;
/** Lists of reasons, and single sentences that a record keeps. */
const KEPT =
  /Reasons?\.\d+$|\.reasons\.\d+$|^record\.kept\.|^clinic\.(another|to(Booking|Clinician))$|(^|\.)(other(Reason)?|clinicalReason)$/;

/** Return words as they stand within a sentence: in German a noun keeps its capital. */
export function midSentence(words: string): string {
  return language.current.rules === 'de' ? words : words.toLowerCase();
}
