/** Possible double entries on this device, each with both entries as written; kept current. */
import type { HistoryEntry, Json, RecordState, RecordStore } from '../ports';
import { type DoubleEntry, decisionRecord } from '../record-catalogue/double-entries';
import { aboutWhom, whatOf } from './decisions.svelte';
import { doubleFinderOf } from './double-finder';
import { LiveRows } from './live-rows.svelte';

/** One of both records as it was first written; it may be struck since. */
export interface DoubleSide {
  record: string;
  set: { readonly [field: string]: Json };
  by: string;
  stamp: string;
  reference: string;
  history: readonly HistoryEntry[];
}

export interface OpenDouble extends DoubleEntry {
  /** The patients in one line each: two only where one label stands in two cases. */
  about: string[];
  /** The target's label, "" where none is shown. */
  target: string;
  caseRecord: string;
  sides: DoubleSide[];
  /** The decision as it stands, null while there is none. */
  decided: RecordState | null;
}

export class DoubleEntries extends LiveRows<OpenDouble> {
  constructor(store: RecordStore) {
    const finder = doubleFinderOf(store);
    super(store, async () =>
      Promise.all((await finder.find()).map((double) => describe(store, double))),
    );
  }
}

async function describe(store: RecordStore, double: DoubleEntry): Promise<OpenDouble> {
  const sides = await Promise.all(double.records.map((record) => readSide(store, record)));
  const cases = [...new Set(sides.map(({ set }) => set.case))].filter(
    (one): one is string => typeof one === 'string',
  );
  const target = sides[0]?.set.target;
  const [decided] = await store.read({
    kind: 'decision',
    record: decisionRecord(double.records),
  });
  return {
    ...double,
    sides,
    about: await Promise.all(cases.map((record) => aboutWhom(store, record))),
    target: typeof target === 'string' ? await whatOf(store, target) : '',
    caseRecord: cases[0] ?? '',
    decided: decided ?? null,
  };
}

async function readSide(store: RecordStore, record: string): Promise<DoubleSide> {
  const history = await store.history(record);
  // Later entries add to the first: a lot pressed after the coil was recorded.
  const set = Object.assign({}, ...history.map((entry) => entry.set)) as DoubleSide['set'];
  const [first] = history;
  return {
    record,
    set,
    by: first?.by ?? '',
    stamp: first?.stamp ?? '',
    reference: first?.reference ?? '',
    history,
  };
}
