/** A list of records that keeps itself current. */
import type { RecordQuery, RecordState, RecordStore } from '../ports';

/** All records of one kind (under one parent), reloaded when one of the kind changes. */
export class LiveRecords {
  readonly #store: RecordStore;
  readonly #query: RecordQuery;
  readonly #stop: () => void;
  #asked = 0;
  list = $state.raw<RecordState[]>([]);
  isLoaded = $state(false);

  constructor(store: RecordStore, query: RecordQuery) {
    this.#store = store;
    this.#query = query;
    this.#stop = store.onRecords((records) => {
      if (records.some((record) => record.startsWith(`${query.kind}/`))) void this.load();
    });
    void this.load();
  }

  async load(): Promise<void> {
    const asked = ++this.#asked;
    const found = await this.#store.read(this.#query);
    // An answer overtaken by a later question shows an older state: drop it.
    if (asked !== this.#asked) return;
    this.list = found;
    this.isLoaded = true;
  }

  dispose(): void {
    this.#asked++;
    this.#stop();
  }
}
