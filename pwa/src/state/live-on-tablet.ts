/** Whether a case is in procedure on this very tablet (HAZ-27). */
import type { RecordStore } from '../ports';
import type { Place } from './place.svelte';
import { textOf } from './shown';

/**
 * Say whether a case is live here: the Procedure screen is open, or the case that was started here
 * is still in procedure. One that is live on another tablet does not count.
 */
export async function hasLiveCase(store: RecordStore, place: Place): Promise<boolean> {
  if (place.name === 'procedure') return true;
  const remembered = await store.recall('live-case');
  if (typeof remembered !== 'string') return false;
  const [found] = await store.read({ kind: 'case', record: remembered });
  return found !== undefined && textOf(found, 'stage') === 'in-procedure';
}
