/** The second copy in IndexedDB, and the device's id once more in the browser's cache storage. */
import { finished, openIndexed } from '../device/indexed-store';
import type { CopiedOperation, CopyChange, CopyContent, CopyHead, SecondCopy } from './second-copy';

const DATABASE = 'crura-mark';
const HEAD = 'mark';
const OPERATIONS = 'operation';
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
  return openIndexed(DATABASE, 2, (database, oldVersion) => {
    if (oldVersion < 1) database.createObjectStore(HEAD);
    database.createObjectStore(OPERATIONS, { keyPath: ['epoch', 'counter'] });
  });
}
