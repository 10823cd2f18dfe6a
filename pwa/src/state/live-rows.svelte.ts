/** A list that is asked of the store and keeps itself current. */
import type { RecordStore } from '../ports';

export class LiveRows<Row> {
  readonly #find: () => Promise<Row[]>;
  readonly #stop: () => void;
  #asked = 0;
  rows = $state.raw<Row[]>([]);
  isLoaded = $state(false);

  /** @param concerns - whether a change of these records may change the list */
  constructor(
    store: RecordStore,
    find: () => Promise<Row[]>,
    concerns: (records: readonly string[]) => boolean = () => true,
  ) {
    this.#find = find;
    this.#stop = store.onRecords((records) => {
      if (concerns(records)) void this.load();
    });
    void this.load();
  }

  async load(): Promise<void> {
    const asked = ++this.#asked;
    const found = await this.#find();
    // An answer overtaken by a later question shows an older state: drop it.
    if (asked !== this.#asked) return;
    this.rows = found;
    this.isLoaded = true;
  }

  dispose(): void {
    this.#asked++;
    this.#stop();
  }
}
