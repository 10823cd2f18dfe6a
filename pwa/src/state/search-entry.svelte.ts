/** What a person enters to search implants by: typed, or taken from labels as they are scanned. */
import { addDays, addInterval, isCivilDate } from '../clinical-rules/civil-date';
import type { Search } from '../clinical-rules/implant-search';
import type { RuleBook } from '../clinical-rules/rule-book';
import { splitLots } from '../clinical-rules/typed-lots';
import { NOTHING_TYPED, readCode, readTyped } from './read-label';

/** Of which time unknown lots are listed: all, months back from today, or days as typed. */
export const PERIOD_MONTHS = { all: null, year: 12, quarter: 3, days: null } as const;
export type Period = keyof typeof PERIOD_MONTHS;
/** What can be searched by; a period alone finds nothing. */
const SOUGHT = ['lot', 'serial', 'identifier', 'expiresFrom', 'expiresTo'] as const;
export type SearchName = (typeof SOUGHT)[number] | 'periodFrom' | 'periodTo';
const NOTHING: Readonly<Record<SearchName, string>> = {
  lot: '',
  serial: '',
  identifier: '',
  expiresFrom: '',
  expiresTo: '',
  periodFrom: '',
  periodTo: '',
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
  readonly isBegun = $derived.by(() => SOUGHT.some((name) => this.texts[name].trim() !== ''));
  /** The lots that are searched for where they are others than the text that was entered (LT14). */
  readonly otherLots = $derived.by(() => {
    const lots = splitLots(this.texts.lot);
    return lots.length > 1 || lots[0] !== this.texts.lot.trim() ? lots : [];
  });
  readonly #expiresFrom = $derived.by(() => this.#firstDay(this.texts.expiresFrom));
  readonly #expiresTo = $derived.by(() => this.#lastDay(this.texts.expiresTo));
  /** An expiry date was typed that is none. */
  readonly hasBadDate = $derived.by(() => this.#expiresFrom === null || this.#expiresTo === null);
  /** The period as typed, null for a text that is no date and "" for an open end. */
  readonly #days = $derived.by(() => ({
    from: firstDay(this.texts.periodFrom),
    to: lastDay(this.texts.periodTo),
  }));
  /** Why the period that was typed is none. */
  readonly periodFault = $derived.by((): 'no-date' | 'turned' | null => {
    const { from, to } = this.#days;
    if (this.period !== 'days') return null;
    if (from === null || to === null) return 'no-date';
    return from !== '' && to !== '' && from > to ? 'turned' : null;
  });

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
    const { lot, serial, identifier } = this.texts;
    return {
      lots: splitLots(lot),
      serial: serial.trim(),
      identifier: identifier.trim(),
      ...(this.#expiresFrom ? { expires_from: this.#expiresFrom } : {}),
      ...(this.#expiresTo ? { expires_to: this.#expiresTo } : {}),
      ...(this.item === 'any' ? {} : { item: this.item }),
      ...this.#readPeriod(),
    };
  }

  #readPeriod(): Pick<Search, 'from_on' | 'to_on'> {
    const { from, to } = this.#days;
    const months = PERIOD_MONTHS[this.period];
    if (this.period === 'days') return { ...(from && { from_on: from }), ...(to && { to_on: to }) };
    return months === null ? {} : { from_on: addInterval(this.#asked().todayOn, -months, 0) };
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

const isMonth = (text: string) => /^\d{4}-\d{2}$/.test(text);

/** Return the day that begins a period, null for a text that is no date, "" for none. */
function firstDay(typed: string): string | null {
  const text = typed.trim();
  const day = isMonth(text) ? `${text}-01` : text;
  return text === '' || isCivilDate(day) ? day : null;
}

/** Return the day that ends a period, of a month its last; null and "" as above. */
function lastDay(typed: string): string | null {
  const day = firstDay(typed);
  return day && isMonth(typed.trim()) ? addDays(addInterval(day, 1, 0), -1) : day;
}
