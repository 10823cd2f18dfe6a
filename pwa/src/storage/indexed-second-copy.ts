/** The second copy in IndexedDB, and the device's id once more in the browser's cache storage. */
import type { CopiedOperation, CopyChange, CopyContent, CopyHead, SecondCopy } from './second-copy';

const DATABASE = 'crura-mark';
const HEAD = 'mark';
const OPERATIONS = 'operation';
const LONGEST_WAIT_MS = 5_000;
const TRACE_CACHE = 'crura-trace';
const TRACE_ADDRESS = '/crura-trace';

/** Every call opens and closes its own connection: one that a browser has cut off does no harm. */
export const indexedSecondCopy: SecondCopy = {
  async read(): Promise<CopyContent> {
    const database = await openDatabase();
    try {
      const transaction = database.transaction([HEAD, OPERATIONS]);
      const head = transaction.objectStore(HEAD).get('own');
      const operations = transaction.objectStore(OPERATIONS).getAll();
      await finished(transaction);
      return {
        head: (head.result as CopyHead | undefined) ?? null,
        operations: operations.result as CopiedOperation[],
      };
    } finally {
      database.close();
    }
  },

  async write({ head, add, drop }: CopyChange): Promise<void> {
    const database = await openDatabase();
    try {
      const transaction = database.transaction([HEAD, OPERATIONS], 'readwrite', {
        durability: 'strict',
      });
      transaction.objectStore(HEAD).put(head, 'own');
      const operations = transaction.objectStore(OPERATIONS);
      for (const { epoch, before } of drop) {
        operations.delete(IDBKeyRange.bound([epoch, 0], [epoch, before], false, true));
      }
      for (const operation of add) operations.put(operation);
      await finished(transaction);
    } finally {
      database.close();
    }
  },

  async readTrace(): Promise<string | null> {
    const cache = await caches.open(TRACE_CACHE);
    const answer = await cache.match(TRACE_ADDRESS);
    return answer === undefined ? null : await answer.text();
  },

  async writeTrace(device: string): Promise<void> {
    const cache = await caches.open(TRACE_CACHE);
    await cache.put(TRACE_ADDRESS, new Response(device));
  },
};

function openDatabase(): Promise<IDBDatabase> {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(DATABASE, 2);
    request.onupgradeneeded = ({ oldVersion }) => {
      if (oldVersion < 1) request.result.createObjectStore(HEAD);
      request.result.createObjectStore(OPERATIONS, { keyPath: ['epoch', 'counter'] });
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    // Some browsers never answer after they were suspended.
    setTimeout(() => reject(new Error('it did not open in time')), LONGEST_WAIT_MS);
  });
}

function finished(transaction: IDBTransaction): Promise<void> {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error);
  });
}
