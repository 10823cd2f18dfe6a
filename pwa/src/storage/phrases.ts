/** Texts that many rows share, each kept once and named by a number. */
import type { Database } from './database';

/** Bounds what is kept in memory; what was forgotten is read from the file again. */
const MOST_KEPT = 4_096;
/** No row has this number: what is asked for under it is not there. */
export const NO_PHRASE = 0;

export class Phrases {
  readonly #database: Database;
  readonly #numbers = new Map<string, number>();
  readonly #texts = new Map<number, string>();
  #rollbacks = 0;

  constructor(database: Database) {
    this.#database = database;
  }

  /** Return the number of a text, `NO_PHRASE` when it has none. */
  find(text: string): number {
    this.#settle();
    const kept = this.#numbers.get(text);
    if (kept !== undefined) return kept;
    const [row] = this.#database.select('SELECT id FROM phrase WHERE text = ?', [text]);
    return row === undefined ? NO_PHRASE : this.#keep(Number(row.id), text);
  }

  /** Return the number of a text, and give it one when it has none. */
  name(text: string): number {
    this.#settle();
    const kept = this.#numbers.get(text);
    if (kept !== undefined) return kept;
    const [row] = this.#database.select(
      'INSERT INTO phrase (text) VALUES (?) ON CONFLICT DO NOTHING RETURNING id',
      [text],
    );
    return row === undefined ? this.find(text) : this.#keep(Number(row.id), text);
  }

  /** Return the text of a number, "" when there is none: the file is damaged, and a hash tells. */
  read(number: number): string {
    this.#settle();
    const kept = this.#texts.get(number);
    if (kept !== undefined) return kept;
    const [row] = this.#database.select('SELECT text FROM phrase WHERE id = ?', [number]);
    if (row === undefined) return '';
    this.#keep(number, String(row.text));
    return String(row.text);
  }

  /** Read everything from the file again: for a check of what lies there. */
  forget(): void {
    this.#numbers.clear();
    this.#texts.clear();
  }

  /** What was given a number in a transaction that was rolled back has none. */
  #settle(): void {
    if (this.#rollbacks === this.#database.rollbacks) return;
    this.#rollbacks = this.#database.rollbacks;
    this.forget();
  }

  #keep(number: number, text: string): number {
    if (this.#numbers.size >= MOST_KEPT) this.forget();
    this.#numbers.set(text, number);
    this.#texts.set(number, text);
    return number;
  }
}

const ofDatabase = new WeakMap<Database, Phrases>();

/** Return the phrases of a file: one memory for each connection. */
export function phrasesOf(database: Database): Phrases {
  const known = ofDatabase.get(database);
  if (known !== undefined) return known;
  const made = new Phrases(database);
  ofDatabase.set(database, made);
  return made;
}
