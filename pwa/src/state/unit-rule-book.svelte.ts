/** The rule book of this unit on screen: opened again when its releases or its site change. */
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Clock, RecordStore } from '../ports';
import { LiveRecords } from './live-records.svelte';
import { openRuleBook, RELEASE_KIND, readUnitRules } from './unit-rules';

/**
 * A screen takes the book when it opens and keeps it: rules that come into force never change a
 * case under somebody's hands (HAZ-10).
 */
export class UnitRuleBook {
  readonly #clock: Clock;
  readonly #sites: LiveRecords;
  readonly #releases: LiveRecords;
  #on = $state('');

  constructor(store: RecordStore, clock: Clock) {
    this.#clock = clock;
    this.#on = clock.today();
    this.#sites = new LiveRecords(store, { kind: 'site' });
    this.#releases = new LiveRecords(store, { kind: RELEASE_KIND });
  }

  readonly rules = $derived.by(() => readUnitRules(this.#sites.list, this.#releases.list));
  readonly current: RuleBook = $derived.by(() => openRuleBook(this.rules, this.#on));
  readonly isTraining = $derived.by(() => this.rules.isTraining);

  /** Notice that another day may have begun: other versions may be in force. */
  noticeDay(): void {
    this.#on = this.#clock.today();
  }

  /** Wait until what is on this tablet has been read once. */
  async load(): Promise<void> {
    await Promise.all([this.#sites.load(), this.#releases.load()]);
  }
}
