/** Whether the unit destroyed the content of a record: what screens say instead of "not here". */
import type { RecordStore } from '../ports';

/** Say whether an erasure of the unit names a record. */
export async function isErased(store: RecordStore, record: string): Promise<boolean> {
  const erasures = await store.read({ kind: 'erasure' });
  return erasures.some((erasure) =>
    (erasure.fields.of?.values ?? []).some(
      ({ value }) => Array.isArray(value) && value.includes(record),
    ),
  );
}
