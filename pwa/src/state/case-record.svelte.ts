/**
 * One case with everything recorded under it, kept current as operations arrive.
 *
 * Lists hold every record, also those entered in error (shown struck through); `standing...`
 * getters leave those out.
 */
import type { RecordState, RecordStore } from '../ports';
import { isErased } from './erased';
import { shown } from './shown';

const CASE_KINDS = [
  'lab_result',
  'target',
  'step_event',
  'puncture',
  'package_opened',
  'coil_placed',
  'adhesive_injected',
  'flush',
  'complication',
  'sign_off',
  'visit_result',
] as const;
export type CaseKind = (typeof CASE_KINDS)[number];

const oldestFirst = (a: RecordState, b: RecordState) => {
  const [x, y] = [firstStamp(a), firstStamp(b)];
  return x < y ? -1 : x > y ? 1 : 0;
};

/** Return the earliest stamp that still stands in a record, "" when all was retracted. */
export function firstStamp(record: RecordState): string {
  let first = '';
  for (const field of Object.values(record.fields)) {
    for (const held of field.values) if (first === '' || held.stamp < first) first = held.stamp;
  }
  return first;
}

export class CaseRecord {
  readonly caseRecord: string;
  #store: RecordStore;
  #stop: () => void;
  #under = $state<Record<string, RecordState[]>>({});
  itself = $state<RecordState | null>(null);
  patient = $state<RecordState | null>(null);
  visits = $state<RecordState[]>([]);
  /** The visits of the person, under whichever case. */
  personVisits = $state<RecordState[]>([]);
  isLoaded = $state(false);
  /** The unit destroyed its content: it will not come. */
  isErased = $state(false);

  /** @param caseId - id without the kind */
  constructor(store: RecordStore, caseId: string) {
    this.caseRecord = `case/${caseId}`;
    this.#store = store;
    this.#stop = store.onRecords((records) => void this.#take(records));
    void this.#load();
  }

  /** Records of one kind under this case, oldest first, struck ones included. */
  all(kind: CaseKind): RecordState[] {
    return this.#under[kind] ?? [];
  }

  /** Records of one kind that stand. */
  standing(kind: CaseKind): RecordState[] {
    return this.all(kind).filter((record) => !record.isEnteredInError);
  }

  dispose(): void {
    this.#stop();
  }

  async #load(): Promise<void> {
    await this.#readItself();
    await Promise.all(CASE_KINDS.map((kind) => this.#readUnder(kind)));
    this.isLoaded = true;
  }

  async #readItself(): Promise<void> {
    const [itself] = await this.#store.read({
      kind: 'case',
      record: this.caseRecord,
      isLookedAt: true,
    });
    this.itself = itself ?? null;
    this.isErased = this.itself === null && (await isErased(this.#store, this.caseRecord));
    const patient = shown(this.itself, 'patient');
    if (typeof patient !== 'string') return;
    const [found] = await this.#store.read({ kind: 'patient', record: patient });
    this.patient = found ?? null;
    this.personVisits = await this.#store.read({ kind: 'visit', parent: patient });
    const caseId = this.caseRecord;
    this.visits = this.personVisits.filter((visit) => shown(visit, 'case') === caseId);
  }

  async #readUnder(kind: CaseKind): Promise<void> {
    const found = await this.#store.read({ kind, parent: this.caseRecord });
    this.#under[kind] = found.sort(oldestFirst);
  }

  async #take(records: string[]): Promise<void> {
    const kinds = new Set(records.map((record) => record.split('/', 1)[0] ?? ''));
    if (kinds.has('case') || kinds.has('patient') || kinds.has('visit')) await this.#readItself();
    await Promise.all(
      CASE_KINDS.filter((kind) => kinds.has(kind)).map((kind) => this.#readUnder(kind)),
    );
  }
}
