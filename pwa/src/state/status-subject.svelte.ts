/** Whom and what the status line names: the patient of the open case, and open decisions. */
import type { Reached, RecordStore } from '../ports';
import { patientLine, patientNames } from '../text/patient';
import { reachedBy } from './case-list';
import { type DoubleFinder, doubleFinderOf } from './double-finder';
import type { Place } from './place.svelte';
import { type RecordState, shown } from './shown';

export class StatusSubject {
  #store: RecordStore;
  #place: Place | null = null;
  readonly #doubles: DoubleFinder;
  #patient = $state.raw<RecordState | null>(null);
  /** Number and title of the step at hand, said by the Procedure screen; else "". */
  step = $state('');
  openDecisions = $state(0);
  /** Up to where the open case and its patient have got; null where no case is open. */
  reached = $state<Reached | null>(null);
  /** True while the identity is pressed anew: digits that stand here would only be copied. */
  isIdentityAsked = $state(false);
  #hasJoined = false;

  constructor(store: RecordStore) {
    this.#store = store;
    this.#doubles = doubleFinderOf(store);
    store.onRecords(() => void this.#read());
    store.onExchange(({ state }) => {
      this.#hasJoined = state !== 'alone';
      void this.#readReached();
    });
  }

  /** The patient in one line, "" where no place names one. */
  get patient(): string {
    return this.isIdentityAsked ? patientNames(this.#patient) : patientLine(this.#patient);
  }

  async follow(place: Place): Promise<void> {
    this.#place = place;
    await this.#read();
  }

  async #read(): Promise<void> {
    const place = this.#place;
    void this.#count();
    void this.#readReached();
    if (place === null) return;
    let patientRecord: unknown = 'patient' in place ? `patient/${place.patient}` : null;
    if ('caseId' in place) {
      const [found] = await this.#store.read({ kind: 'case', record: `case/${place.caseId}` });
      patientRecord = shown(found, 'patient');
    }
    if (typeof patientRecord !== 'string') {
      this.#patient = null;
      return;
    }
    const [patient] = await this.#store.read({ kind: 'patient', record: patientRecord });
    this.#patient = patient ?? null;
  }

  async #readReached(): Promise<void> {
    const place = this.#place;
    if (place === null || !('caseId' in place)) {
      this.reached = null;
      return;
    }
    const record = `case/${place.caseId}`;
    const [[found], unsent, atHub] = await Promise.all([
      this.#store.read({ kind: 'case', record }),
      this.#store.unsentRecords(),
      this.#store.hubRecords?.() ?? [],
    ]);
    const patient = shown(found, 'patient');
    const watched = typeof patient === 'string' ? [record, patient] : [record];
    if (this.#place !== place) return;
    this.reached = reachedBy(watched, {
      hasJoined: this.#hasJoined,
      unsent: new Set(unsent),
      atHub: new Set(atHub),
    });
  }

  /** Apart from the patient's name, which never waits for it. */
  async #count(): Promise<void> {
    const doubles = await this.#doubles.find();
    this.openDecisions = (await this.#store.conflicts()).length + doubles.length;
  }
}
