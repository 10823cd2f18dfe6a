/** Opening IndexedDB, with a limit, and waiting for what was written to be on the disk. */
import { tell } from '../told';

const LONGEST_WAIT_MS = 5_000;

/**
 * Open a database of this browser.
 *
 * @param upgrade - makes the stores that `version` adds
 * @throws an error when the browser refuses, or does not answer in time
 */
export function openIndexed(
  name: string,
  version: number,
  upgrade: (database: IDBDatabase, oldVersion: number) => void,
): Promise<IDBDatabase> {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(name, version);
    request.onupgradeneeded = ({ oldVersion }) => upgrade(request.result, oldVersion);
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    // Some browsers never answer after they were suspended.
    setTimeout(() => reject(new Error(tell('openedLate'))), LONGEST_WAIT_MS);
  });
}

/** Wait until a transaction is done; it throws where it was undone. */
export function finished(transaction: IDBTransaction): Promise<void> {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error);
  });
}
