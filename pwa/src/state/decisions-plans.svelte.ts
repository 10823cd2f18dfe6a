/** Plans that the unit's second check could not confirm; asked again after each exchange. */
import type { PlanCheckRow, RecordStore } from '../ports';
import { aboutWhom } from './decisions.svelte';

export interface DifferingPlan extends PlanCheckRow {
  /** The patient in one line, "" where this device does not hold the case. */
  about: string;
}

export class DifferingPlans {
  readonly #store: RecordStore;
  readonly #stop: () => void;
  #asked = 0;
  #askedAtMs: number | null = null;
  rows = $state.raw<DifferingPlan[]>([]);
  agreed = $state(0);
  waiting = $state(0);
  /** Why the unit could not be asked, "" when it answered or there is none. */
  notTold = $state('');

  constructor(store: RecordStore) {
    this.#store = store;
    this.#stop = store.onExchange(({ lastDoneMs }) => {
      // A plan is checked once it has reached the unit: that is after an exchange.
      if (lastDoneMs === this.#askedAtMs) return;
      this.#askedAtMs = lastDoneMs;
      void this.load();
    });
    void this.load();
  }

  async load(): Promise<void> {
    const asked = ++this.#asked;
    const answer = await this.#store.planChecks();
    const rows: DifferingPlan[] = [];
    for (const plan of answer.kind === 'told' ? answer.plans : []) {
      rows.push({ ...plan, about: await aboutWhom(this.#store, plan.record) });
    }
    // An answer overtaken by a later question shows an older state: drop it.
    if (asked !== this.#asked) return;
    this.notTold = answer.kind === 'told' ? '' : answer.sentence;
    // What the unit said last stays on screen while it cannot be reached.
    if (answer.kind !== 'told') return;
    this.rows = rows;
    this.agreed = answer.agreed;
    this.waiting = answer.waiting;
  }

  dispose(): void {
    this.#asked++;
    this.#stop();
  }
}
