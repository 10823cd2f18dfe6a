/**
 * The words of the papers by language, and numbers and dates as people write them. Pure.
 *
 * English is the source; a section that a language lacks is printed in English as a whole.
 * Twin of `api/documents/paper_words.py`.
 */
import german from '../../../../api/documents/words/papers/de.json';
import english from '../../../../api/documents/words/papers/en.json';
import spanish from '../../../../api/documents/words/papers/es.json';
import { isCivilDate } from '../../clinical-rules/civil-date';
import { isCount } from './shown-case';

interface LeafletPart {
  when: string;
  heading: string;
  lines: string[];
  points: string[];
}

interface Written {
  language: string;
  standing: string;
  months: string[];
  date: string;
  texts: { readonly [section: string]: { readonly [name: string]: string } };
  values: { readonly [field: string]: { readonly [word: string]: string } };
  leaflet: LeafletPart[];
}

type Put = Readonly<Record<string, string | number>>;

export class PaperWords {
  readonly language: string;
  readonly isDraft: boolean;
  readonly leaflet: readonly LeafletPart[];
  readonly #written: Written;

  constructor(written: Written) {
    this.#written = written;
    this.language = written.language;
    this.isDraft = written.standing === 'draft';
    this.leaflet = written.leaflet;
  }

  /** Return a text by `section.key`, with what is put in. */
  say(key: string, put: Put = {}): string {
    const [section = '', name = ''] = key.split('.');
    const found = this.#written.texts[section]?.[name];
    if (found === undefined) throw new Error(`no text ${key}`);
    return fill(found, put);
  }

  /** Return the words of a value of the record; an unknown one is printed as it is. */
  value(field: string, word: unknown): string {
    const { values } = this.#written;
    if (typeof word === 'boolean') return values.flag?.[word ? 'yes' : 'no'] ?? '';
    const held = typeof word === 'string' ? word : '';
    const known = values[field] ?? {};
    return Object.hasOwn(known, held) ? (known[held] ?? held) : held;
  }

  /** Return several values, parted by commas. */
  listed(field: string, words: readonly string[]): string {
    return words.map((word) => this.value(field, word)).join(', ');
  }

  /** Return a civil date as day, month and year in words, "" where it is none. */
  day(on: string): string {
    if (!isCivilDate(on)) return '';
    const { months, date } = this.#written;
    const month = months[Number(on.slice(5, 7)) - 1] ?? '';
    return fill(date, { day: Number(on.slice(8)), month, year: on.slice(0, 4) });
  }
}

/** Return a text with what is put in; what is put in is read as nothing but itself. */
export function fill(text: string, put: Put): string {
  return text.replace(/\{([a-z_]+)\}/g, (whole, name: string) =>
    Object.hasOwn(put, name) ? String(put[name]) : whole,
  );
}

/** Return thousandths as a number with a point: 1500 as `1.5`; "" for no whole number. */
export function thousandths(amount: unknown): string {
  if (!isCount(amount)) return '';
  const rest = String(amount % 1_000)
    .padStart(3, '0')
    .replace(/0+$/, '');
  return `${Math.floor(amount / 1_000)}${rest === '' ? '' : `.${rest}`}`;
}

/** Return microlitres as millilitres with the unit, "" for no amount. */
export function ml(amountUl: unknown): string {
  const number = thousandths(amountUl);
  return number === '' ? '' : `${number} mL`;
}

/** Return micrometres as millimetres with the unit, "" for no length. */
export function mm(lengthUm: unknown): string {
  const number = thousandths(lengthUm);
  return number === '' ? '' : `${number} mm`;
}

const PACKAGED: readonly Written[] = [german, english, spanish];
export const PAPER_LANGUAGES = PACKAGED.map(({ language }) => language);

/** Return the words of a language for a section, in English where it lacks the section. */
export function choosePaperWords(asked: string, section: string): PaperWords {
  const language = (asked.replaceAll('_', '-').split('-')[0] ?? '').trim().toLowerCase();
  const found = PACKAGED.find((one) => one.language === language);
  return new PaperWords(found !== undefined && section in found.texts ? found : english);
}
