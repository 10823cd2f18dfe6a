/** Whom and what the status line names: the patient of the open case, and open decisions. */
import type { RecordStore } from '../ports';
import { DoubleFinder } from './double-finder';
import type { Place } from './place.svelte';
import { patientLine, shown } from './shown';

export class StatusSubject {
  #store: RecordStore;
  #place: Place | null = null;
  readonly #doubles: DoubleFinder;
  patient = $state('');
  /** Number and title of the step at hand, said by the Procedure screen; else "". */
  step = $state('');
  openDecisions = $state(0);

  constructor(store: RecordStore) {
    this.#store = store;
    this.#doubles = new DoubleFinder(store);
    store.onRecords((records) => void this.#read(records));
  }

  async follow(place: Place): Promise<void> {
    this.#place = place;
    await this.#read([]);
  }

  async #read(changed: readonly string[]): Promise<void> {
    const place = this.#place;
    void this.#count(changed);
    if (place === null) return;
    let patientRecord: unknown = 'patient' in place ? `patient/${place.patient}` : null;
    if ('caseId' in place) {
      const [found] = await this.#store.read({ kind: 'case', record: `case/${place.caseId}` });
      patientRecord = shown(found, 'patient');
    }
    if (typeof patientRecord !== 'string') {
      this.patient = '';
      return;
    }
    const [patient] = await this.#store.read({ kind: 'patient', record: patientRecord });
    this.patient = patientLine(patient);
  }

  /** Apart from the patient's name, which never waits for it. */
  async #count(changed: readonly string[]): Promise<void> {
    const doubles = await this.#doubles.find(changed);
    this.openDecisions = (await this.#store.conflicts()).length + doubles.length;
  }
}
