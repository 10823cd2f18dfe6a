/** What a person enters to search implants by: typed, or taken from labels as they are scanned. */
import { addInterval } from '../clinical-rules/civil-date';
import type { Search } from '../clinical-rules/implant-search';
import type { RuleBook } from '../clinical-rules/rule-book';
import { splitLots } from '../clinical-rules/typed-lots';
import { NOTHING_TYPED, readCode, readTyped } from './read-label';

export const PERIOD_MONTHS = { all: null, year: 12, quarter: 3 } as const;
export type Period = keyof typeof PERIOD_MONTHS;
const NAMES = ['lot', 'serial', 'identifier', 'expiresFrom', 'expiresTo'] as const;
export type SearchName = (typeof NAMES)[number];
const NOTHING: Readonly<Record<SearchName, string>> = {
  lot: '',
  serial: '',
  identifier: '',
  expiresFrom: '',
  expiresTo: '',
};

export class SearchEntry {
  readonly #asked: () => { todayOn: string; ruleBook: RuleBook };
  texts = $state.raw(NOTHING);
  item = $state<'any' | 'coil' | 'needle' | 'adhesive'>('any');
  period = $state<Period>('all');
  /** What is wrong with the code that was scanned last, one sentence each. */
  problems = $state.raw<readonly string[]>([]);

  constructor(asked: () => { todayOn: string; ruleBook: RuleBook }) {
    this.#asked = asked;
  }

  /** Something was entered that can be searched by. */
  readonly isBegun = $derived.by(() => NAMES.some((name) => this.texts[name].trim() !== ''));
  /** The lots that are searched for where they are others than the text that was entered (LT14). */
  readonly otherLots = $derived.by(() => {
    const lots = splitLots(this.texts.lot);
    return lots.length > 1 || lots[0] !== this.texts.lot.trim() ? lots : [];
  });
  readonly #expiresFrom = $derived.by(() => this.#firstDay(this.texts.expiresFrom));
  readonly #expiresTo = $derived.by(() => this.#lastDay(this.texts.expiresTo));
  /** An expiry date was typed that is none. */
  readonly hasBadDate = $derived.by(() => this.#expiresFrom === null || this.#expiresTo === null);

  enter(name: SearchName, text: string): void {
    this.texts = { ...this.texts, [name]: text };
  }

  /** Take codes as they were scanned; what they say replaces what was typed. */
  takeCodes(codes: readonly string[]): void {
    const { todayOn, ruleBook } = this.#asked();
    const problems: string[] = [];
    for (const code of codes) {
      const found = readCode(code, todayOn, ruleBook);
      if (found.kind === 'refused') {
        problems.push(found.sentence);
        continue;
      }
      const { lot, serial, identifier } = found.reading;
      problems.push(...found.reading.problems);
      // A package may bear two codes: what the second does not say stays.
      this.texts = {
        ...this.texts,
        ...(lot && { lot }),
        ...(serial && { serial }),
        ...(identifier && { identifier }),
      };
    }
    this.problems = problems;
  }

  /** Return what is searched for, by the keys of LT; empty text counts as left out. */
  read(): Search {
    const { todayOn } = this.#asked();
    const { lot, serial, identifier } = this.texts;
    const months = PERIOD_MONTHS[this.period];
    return {
      lots: splitLots(lot),
      serial: serial.trim(),
      identifier: identifier.trim(),
      ...(this.#expiresFrom ? { expires_from: this.#expiresFrom } : {}),
      ...(this.#expiresTo ? { expires_to: this.#expiresTo } : {}),
      ...(this.item === 'any' ? {} : { item: this.item }),
      ...(months === null ? {} : { from_on: addInterval(todayOn, -months, 0) }),
    };
  }

  clear(): void {
    this.texts = NOTHING;
    this.item = 'any';
    this.period = 'all';
    this.problems = [];
  }

  /** Null for a text that is no date, "" for none: a month counts from its first day. */
  #firstDay(typed: string): string | null {
    const month = /^\d{4}-\d{2}$/.test(typed.trim()) ? `${typed.trim()}-01` : typed;
    return this.#lastDay(month);
  }

  /** Null for a text that is no date, "" for none: a month counts to its last day. */
  #lastDay(typed: string): string | null {
    if (typed.trim() === '') return '';
    return readTyped({ ...NOTHING_TYPED, expiry: typed }).expiresOn || null;
  }
}
