/** Reads when a person was treated last: nobody died before. */
import type { RecordStore } from '../ports';
import { lastTreatedOn } from './death-day';

/**
 * Return the day of the last treatment of a person, in whichever case; "" where none is known here,
 * as on a device that holds no care.
 *
 * @param patient - `patient/id`
 */
export async function readTreatedOn(
  store: Pick<RecordStore, 'read'>,
  patient: string,
): Promise<string> {
  return patient === '' ? '' : lastTreatedOn(await store.read({ kind: 'case', parent: patient }));
}
