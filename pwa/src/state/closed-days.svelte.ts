/** The public holidays of the unit's country: asked of the unit, and kept for when it is away. */
import type { ClosedDays as Told } from '../clinic-questions';
import type { Json, RecordStore } from '../ports';
import { AskedOfUnit } from './asked-of-unit.svelte';

/** Under which name the device remembers them. */
export const KEPT_AS = 'closed-days';

export class ClosedDays {
  readonly #store: RecordStore;
  readonly #unit: AskedOfUnit<Told>;
  #kept = $state.raw<Told | null>(null);

  constructor(store: RecordStore) {
    this.#store = store;
    void this.#recall();
    this.#unit = new AskedOfUnit(store, async () => {
      const answer = await store.askClinic('closed-days', null);
      if (answer.kind !== 'told') return answer;
      const { kind: _, ...told } = answer;
      await store.remember(KEPT_AS, told as unknown as Json);
      return answer;
    });
  }

  async #recall(): Promise<void> {
    const kept = await this.#store.recall(KEPT_AS);
    if (areDays(kept)) this.#kept = kept;
  }

  readonly #told = $derived.by(() => this.#unit.told ?? this.#kept);

  /** Name of the holiday by its civil date. */
  readonly names = $derived.by(
    (): ReadonlyMap<string, string> =>
      new Map(this.#told?.days.map(({ on, name }) => [on, name] as const)),
  );

  /** Last civil date for which they are known, "" where no country is named, or nothing known. */
  readonly untilOn = $derived.by(() =>
    this.#told === null || this.#told.country === '' ? '' : this.#told.until_on,
  );

  dispose(): void {
    this.#unit.dispose();
  }
}

/** A device may remember what an older or a newer app wrote. */
function areDays(kept: unknown): kept is Told {
  if (typeof kept !== 'object' || kept === null) return false;
  const { country, until_on: untilOn, days } = kept as Partial<Told>;
  return (
    typeof country === 'string' &&
    typeof untilOn === 'string' &&
    Array.isArray(days) &&
    days.every((day) => typeof day?.on === 'string' && typeof day?.name === 'string')
  );
}
