/** What the unit could not take in; asked again after each exchange. */
import type { RecordStore, UnitAlarm } from '../ports';

export class UnitAlarmList {
  readonly #store: RecordStore;
  readonly #stop: () => void;
  #asked = 0;
  #askedAtMs: number | null = null;
  rows = $state.raw<UnitAlarm[]>([]);
  /** Why the unit could not be asked, "" when it answered or there is none. */
  notTold = $state('');

  constructor(store: RecordStore) {
    this.#store = store;
    this.#stop = store.onExchange(({ lastDoneMs }) => {
      if (lastDoneMs === this.#askedAtMs) return;
      this.#askedAtMs = lastDoneMs;
      void this.#load();
    });
    void this.#load();
  }

  async #load(): Promise<void> {
    const asked = ++this.#asked;
    const answer = await this.#store.unitAlarms();
    // An answer overtaken by a later question shows an older state: drop it.
    if (asked !== this.#asked) return;
    this.notTold = answer.kind === 'told' ? '' : answer.sentence;
    // What the unit said last stays on screen while it cannot be reached.
    if (answer.kind === 'told') this.rows = answer.alarms;
  }

  dispose(): void {
    this.#asked++;
    this.#stop();
  }
}
