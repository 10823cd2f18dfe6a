/**
 * How far this device's own log had got, kept in a second store (IndexedDB).
 *
 * When the two stores disagree, the log may be an older copy: new work then goes into a new
 * epoch, so that no operation id is ever given to two operations.
 */
import type { Tip } from '../sync/operation-log';

export interface HighWaterMark {
  device: string;
  epoch: string;
  counter: number;
}

export type MarkVerdict = 'goes-on' | 'new-epoch' | 'store-lost' | 'fresh';

/**
 * Compare the log with the mark.
 *
 * A mark behind the log is a mark not yet written when the power went; a mark ahead, of another
 * device or epoch, or missing beside a log with entries, cannot be explained by that.
 *
 * @param tip - end of the own log in its current epoch; null when the store knows no device
 */
export function judgeMark(
  device: string | null,
  tip: Tip | null,
  mark: HighWaterMark | null,
): MarkVerdict {
  if (device === null || tip === null) {
    return mark !== null && mark.counter > 0 ? 'store-lost' : 'fresh';
  }
  const isOfThisLog = mark !== null && mark.device === device && mark.epoch === tip.epoch;
  if (isOfThisLog) return mark.counter > tip.counter ? 'new-epoch' : 'goes-on';
  return tip.counter === 0 ? 'goes-on' : 'new-epoch';
}

const DATABASE = 'crura-mark';
const STORE = 'mark';

function openDatabase(): Promise<IDBDatabase> {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(DATABASE, 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE);
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/** Return the mark; null when there is none or the second store cannot be read. */
export async function readMark(): Promise<HighWaterMark | null> {
  try {
    const database = await openDatabase();
    return await new Promise((resolve, reject) => {
      const request = database.transaction(STORE).objectStore(STORE).get('own');
      request.onsuccess = () => resolve((request.result as HighWaterMark | undefined) ?? null);
      request.onerror = () => reject(request.error);
      request.transaction?.addEventListener('complete', () => database.close());
    });
  } catch {
    return null;
  }
}

/** Keep the mark. A failure is no reason to refuse work: the log itself is on the disk. */
export async function writeMark(mark: HighWaterMark): Promise<void> {
  try {
    const database = await openDatabase();
    await new Promise<void>((resolve, reject) => {
      const transaction = database.transaction(STORE, 'readwrite', { durability: 'strict' });
      transaction.objectStore(STORE).put(mark, 'own');
      transaction.oncomplete = () => resolve();
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
    database.close();
  } catch {
    // Noticed at the next start: the mark is behind or missing, and a new epoch begins.
  }
}
