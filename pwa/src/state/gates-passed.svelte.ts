/** How often people went past a gate in the cases on this tablet (GATE-05). */

import type { RecordStore } from '../ports';
import { LiveRecords } from './live-records.svelte';
import { overridesOf } from './override';
import { PLAN_STEP } from './procedure-events';
import { textOf } from './shown';

export class GatesPassed {
  readonly #events: LiveRecords;

  constructor(store: RecordStore) {
    this.#events = new LiveRecords(store, { kind: 'step_event' });
  }

  /** Gate to how often, the most frequent first. */
  readonly byGate = $derived.by((): [gate: string, times: number][] => {
    const counts = new Map<string, number>();
    for (const { gate } of overridesOf(this.#events.list)) {
      counts.set(gate, (counts.get(gate) ?? 0) + 1);
    }
    return [...counts].sort(([one, a], [other, b]) => b - a || (one < other ? -1 : 1));
  });
  /** Cases in which something was recorded at the bedside. */
  readonly cases = $derived.by(
    () =>
      new Set(
        this.#events.list
          .filter((event) => textOf(event, 'step') !== PLAN_STEP)
          .map((event) => textOf(event, 'case')),
      ).size,
  );

  dispose(): void {
    this.#events.dispose();
  }
}
