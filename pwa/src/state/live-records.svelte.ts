/** A list of records that keeps itself current. */
import type { RecordQuery, RecordState, RecordStore } from '../ports';
import { LiveRows } from './live-rows.svelte';

/** All records of one kind (under one parent), reloaded when one of the kind changes. */
export class LiveRecords extends LiveRows<RecordState> {
  constructor(store: RecordStore, query: RecordQuery) {
    super(
      store,
      () => store.read(query),
      (records) => records.some((record) => record.startsWith(`${query.kind}/`)),
    );
  }

  get list(): RecordState[] {
    return this.rows;
  }
}
