/** The units of a network in which one rule found something: page after page, as they are asked. */
import { type FoundAtUnit, foundAt } from './network-quality';
import type { UnitDesk } from './unit-desk.svelte';

export class UnitsOfRule {
  readonly #desk: UnitDesk;
  readonly #rule: string;
  /** By name, all pages so far. */
  units = $state.raw<readonly FoundAtUnit[]>([]);
  /** Whether the server has further ones; null before it was asked. */
  more = $state<boolean | null>(null);
  /** Why it did not tell the last page, "" where it did. */
  refusal = $state('');

  constructor(desk: UnitDesk, rule: string) {
    this.#desk = desk;
    this.#rule = rule;
  }

  /** Ask for the next page. */
  async loadMore(): Promise<void> {
    if (this.#desk.isAsking || this.more === false) return;
    const after = this.units.at(-1)?.unit ?? '';
    const told = await this.#desk.ask('network-quality', { rule: this.#rule, after });
    this.refusal = told === null ? this.#desk.notTold : '';
    if (told === null) {
      this.#desk.notTold = '';
      return;
    }
    this.units = [...this.units, ...foundAt(told, this.#rule)];
    this.more = told.more;
  }
}
