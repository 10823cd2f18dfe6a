/** Cases that were dropped here, with the names of their patients, who stay. */
import type { DroppedCase, RecordStore } from '../ports';
import { shownValue } from '../sync/merge';

/** Return the dropped cases, the latest first; `name` is "" where no patient is shown. */
export async function listKeptAtUnit(
  store: RecordStore,
): Promise<(DroppedCase & { name: string })[]> {
  const dropped = await store.droppedCases();
  return Promise.all(
    dropped.map(async (row) => {
      const [patient] =
        row.patient === '' ? [] : await store.read({ kind: 'patient', record: row.patient });
      const names = ['family_name', 'given_name'].map((field) =>
        shownValue(patient?.fields[field]),
      );
      return { ...row, name: names.filter((name) => typeof name === 'string').join(', ') };
    }),
  );
}
