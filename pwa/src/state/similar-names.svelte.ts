/** Who else with an open case has a name like this one: kept current while a case is begun. */
import type { RecordState, RecordStore } from '../ports';
import { similarTo } from './case-list';
import { LiveRecords } from './live-records.svelte';

export class SimilarNames {
  readonly #cases: LiveRecords;
  readonly #patients: LiveRecords;

  constructor(store: RecordStore) {
    this.#cases = new LiveRecords(store, { kind: 'case' });
    this.#patients = new LiveRecords(store, { kind: 'patient' });
  }

  /** Return their lines, for the fact `similar_names` of the gates (SOFT-11). */
  of(patient: RecordState | null): string[] {
    return similarTo(patient, { cases: this.#cases.list, patients: this.#patients.list });
  }

  dispose(): void {
    this.#cases.dispose();
    this.#patients.dispose();
  }
}
