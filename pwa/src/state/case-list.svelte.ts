/** The cases on this tablet, kept current: rows, what the unit lacks, what waits for a person. */
import type { Clock, RecordStore } from '../ports';
import { listCases } from './case-list';
import { LiveRecords } from './live-records.svelte';
import { textOf } from './shown';
import type { Tablet } from './tablet.svelte';

export class CaseList {
  readonly #store: RecordStore;
  readonly #clock: Clock;
  readonly #tablet: Tablet;
  readonly #cases: LiveRecords;
  readonly #patients: LiveRecords;
  readonly #stops: (() => void)[];
  #unsent = $state.raw<ReadonlySet<string>>(new Set());
  #atHub = $state.raw<ReadonlySet<string>>(new Set());
  #inConflict = $state.raw<ReadonlySet<string>>(new Set());

  constructor(app: { store: RecordStore; clock: Clock; tablet: Tablet }) {
    this.#store = app.store;
    this.#clock = app.clock;
    this.#tablet = app.tablet;
    this.#cases = new LiveRecords(app.store, { kind: 'case' });
    this.#patients = new LiveRecords(app.store, { kind: 'patient' });
    const again = () => void this.#readMarks();
    this.#stops = [app.store.onRecords(again), app.store.onExchange(again)];
    again();
  }

  readonly rows = $derived.by(() =>
    listCases({
      cases: this.#cases.list,
      patients: this.#patients.list,
      unsent: this.#unsent,
      atHub: this.#atHub,
      inConflict: this.#inConflict,
      hasJoined: this.#tablet.standing?.joined ?? false,
      today: this.#clock.today(),
    }),
  );

  get cases() {
    return this.#cases.list;
  }

  get patients() {
    return this.#patients.list;
  }

  get isLoaded(): boolean {
    return this.#cases.isLoaded && this.#patients.isLoaded;
  }

  dispose(): void {
    this.#cases.dispose();
    this.#patients.dispose();
    for (const stop of this.#stops) stop();
  }

  async #readMarks(): Promise<void> {
    this.#unsent = new Set(await this.#store.unsentRecords());
    this.#atHub = new Set((await this.#store.hubRecords?.()) ?? []);
    const found = new Set<string>();
    for (const { record, kind } of await this.#store.conflicts()) {
      found.add(record);
      if (kind === 'case' || kind === 'patient') continue;
      const [state] = await this.#store.read({ kind, record });
      for (const parent of ['case', 'patient']) found.add(textOf(state, parent));
    }
    this.#inConflict = found;
  }
}
