/** What makes a case's counts doubtful until a person decides: doubles, conflicts (HARD-06). */
import type { RecordStore } from '../ports';
import { doubleWords } from '../text/decisions';
import type { CaseRecord } from './case-record.svelte';
import { OpenDecisions } from './decisions.svelte';
import { DoubleEntries } from './decisions-doubles.svelte';

const COUNTED_KINDS = ['package_opened', 'coil_placed', 'adhesive_injected'] as const;

export class CountDoubts {
  readonly #doubles: DoubleEntries;
  readonly #open: OpenDecisions;
  readonly #record: CaseRecord;

  constructor(store: RecordStore, record: CaseRecord) {
    this.#doubles = new DoubleEntries(store);
    this.#open = new OpenDecisions(store);
    this.#record = record;
  }

  /** One sentence each, empty where the counts are beyond doubt. */
  readonly sentences = $derived.by(() => {
    const here = new Set(
      COUNTED_KINDS.flatMap((kind) => this.#record.all(kind)).map(({ record }) => record),
    );
    const doubles = this.#doubles.rows.filter(({ records }) =>
      records.some((one) => here.has(one)),
    );
    const lost = doubles.filter(({ why }) => why === 'both-struck').length;
    const open = this.#open.rows.filter(
      ({ record, holdsBack }) => here.has(record) && holdsBack.includes('counts'),
    ).length;
    return [
      ...(doubles.length > lost ? [doubleWords.closeOut(doubles.length - lost)] : []),
      ...(lost > 0 ? [doubleWords.closeOutLost] : []),
      ...(open > 0 ? [doubleWords.closeOutConflict(open)] : []),
    ];
  });

  dispose(): void {
    this.#doubles.dispose();
    this.#open.dispose();
  }
}
