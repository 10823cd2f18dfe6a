/** Plans that the unit's second check could not confirm; asked again after each exchange. */
import type { PlanCheckRow, PlanChecks, RecordStore } from '../ports';
import { AskedOfUnit } from './asked-of-unit.svelte';
import { aboutWhom } from './decisions.svelte';

export interface DifferingPlan extends PlanCheckRow {
  /** The patient in one line, "" where this device does not hold the case. */
  about: string;
}

export class DifferingPlans {
  readonly #unit: AskedOfUnit<Omit<PlanChecks, 'plans'> & { rows: DifferingPlan[] }>;

  constructor(store: RecordStore) {
    this.#unit = new AskedOfUnit(store, async () => {
      const answer = await store.planChecks();
      if (answer.kind !== 'told') return answer;
      const rows: DifferingPlan[] = [];
      for (const plan of answer.plans) {
        rows.push({ ...plan, about: await aboutWhom(store, plan.record) });
      }
      return { kind: 'told', rows, agreed: answer.agreed, waiting: answer.waiting };
    });
  }

  readonly rows = $derived.by(() => this.#unit.told?.rows ?? []);
  readonly agreed = $derived.by(() => this.#unit.told?.agreed ?? 0);
  readonly waiting = $derived.by(() => this.#unit.told?.waiting ?? 0);
  /** Why the unit could not be asked, "" when it answered or there is none. */
  readonly notTold = $derived.by(() => this.#unit.notTold);

  dispose(): void {
    this.#unit.dispose();
  }
}
