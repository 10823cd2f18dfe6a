/** Finds possible double entries on this device; reads again only what has changed. */
import type { RecordState, RecordStore } from '../ports';
import {
  COIL,
  type DoubleEntry,
  findDoubleEntries,
  INJECTION,
  roundsWanted,
} from '../record-catalogue/double-entries';

const DECISION = 'decision';
const STEP = 'step_event';
const kindOf = (record: string) => record.split('/', 1)[0] ?? '';

const finders = new WeakMap<RecordStore, DoubleFinder>();

/** Return the one finder of a store: whoever asks shares what it has read. */
export function doubleFinderOf(store: RecordStore): DoubleFinder {
  const known = finders.get(store);
  if (known !== undefined) return known;
  const finder = new DoubleFinder(store);
  finders.set(store, finder);
  return finder;
}

export class DoubleFinder {
  readonly #store: RecordStore;
  /** Records that have changed since they were read. */
  #changed = new Set<string>();
  readonly #physical = new Map<string, RecordState>();
  readonly #decisions = new Map<string, RecordState>();
  readonly #rounds = new Map<string, RecordState>();
  #found: readonly DoubleEntry[] | null = null;
  #turn: Promise<unknown> = Promise.resolve();

  constructor(store: RecordStore) {
    this.#store = store;
    // For as long as the store is there; made before its askers, it hears of a change before them.
    store.onRecords((records) => {
      for (const record of records) this.#changed.add(record);
    });
  }

  /** Return what a person has to decide of all that this device holds (DE1-DE7). */
  find(): Promise<readonly DoubleEntry[]> {
    // One after the other: two at once would each miss what the other has read.
    const found = this.#turn.then(() => this.#find());
    this.#turn = found.catch(() => undefined);
    return found;
  }

  async #find(): Promise<readonly DoubleEntry[]> {
    const changed = this.#changed;
    this.#changed = new Set();
    try {
      return await this.#findAfter(changed);
    } catch (error) {
      // A store that did not answer: what was not read has still to be read.
      for (const record of changed) this.#changed.add(record);
      throw error;
    }
  }

  async #findAfter(changed: ReadonlySet<string>): Promise<readonly DoubleEntry[]> {
    if (this.#found === null) {
      for (const kind of [COIL, INJECTION, DECISION]) {
        for (const state of await this.#store.read({ kind })) this.#take(state.record, state);
      }
    } else {
      const concerned = [...changed].filter((record) => this.#concerns(record));
      if (concerned.length === 0) return this.#found;
      for (const record of concerned) await this.#readAgain(record);
    }
    const wanted = new Set(roundsWanted(this.#physical.values()));
    for (const record of wanted) if (!this.#rounds.has(record)) await this.#readAgain(record);
    this.#found = findDoubleEntries(
      this.#physical.values(),
      this.#rounds,
      this.#decisions.values(),
    );
    return this.#found;
  }

  #concerns(record: string): boolean {
    const kind = kindOf(record);
    if (kind !== STEP) return kind === COIL || kind === INJECTION || kind === DECISION;
    const injection = this.#physical.get(`${INJECTION}/${record.slice(STEP.length + 1)}`);
    return injection !== undefined;
  }

  async #readAgain(record: string): Promise<void> {
    const [state] = await this.#store.read({ kind: kindOf(record), record });
    this.#take(record, state);
  }

  #take(record: string, state: RecordState | undefined): void {
    const kind = kindOf(record);
    const kept =
      kind === STEP ? this.#rounds : kind === DECISION ? this.#decisions : this.#physical;
    if (state === undefined) kept.delete(record);
    else kept.set(record, state);
  }
}
