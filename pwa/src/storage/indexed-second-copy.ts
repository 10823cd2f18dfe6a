/** The second copy in IndexedDB, and the device's id once more in the browser's cache storage. */
import { finished, openIndexed } from '../device/indexed-store';
import type { CopyShelf, PlainEntry, ProtectedEntry, ShelfContent } from './copy-shelf';
import type { CopyHead } from './second-copy';

const DATABASE = 'crura-mark';
const HEAD = 'mark';
const OPERATIONS = 'operation';
const TRACE_CACHE = 'crura-trace';
const TRACE_ADDRESS = '/crura-trace';

/** The copy of the records, and one of its own for each emergency file (see `records-pool.ts`). */
export const recordsCopy = indexedCopy(DATABASE);
export const emergencyCopy = (number: number) => indexedCopy(`${DATABASE}-emergency-${number}`);

/** Every call opens and closes its own connection: one that a browser has cut off does no harm. */
function indexedCopy(name: string): CopyShelf {
  return {
    async read(): Promise<ShelfContent> {
      const database = await openDatabase(name);
      try {
        const transaction = database.transaction([HEAD, OPERATIONS]);
        const head = transaction.objectStore(HEAD).get('own');
        const operations = transaction.objectStore(OPERATIONS).getAll();
        await finished(transaction);
        const held = operations.result as (ProtectedEntry | PlainEntry)[];
        return {
          head: (head.result as CopyHead | undefined) ?? null,
          entries: held.filter((one): one is ProtectedEntry => 'closed' in one),
          plain: held.filter((one): one is PlainEntry => 'envelope' in one),
        };
      } finally {
        database.close();
      }
    },

    async write({ head, add, drop }) {
      const database = await openDatabase(name);
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

    async wipe() {
      if (name === DATABASE) await caches.delete(TRACE_CACHE);
      const database = await openDatabase(name);
      try {
        const transaction = database.transaction([HEAD, OPERATIONS], 'readwrite', {
          durability: 'strict',
        });
        transaction.objectStore(HEAD).clear();
        transaction.objectStore(OPERATIONS).clear();
        await finished(transaction);
      } finally {
        database.close();
      }
    },
  };
}

function openDatabase(name: string): Promise<IDBDatabase> {
  return openIndexed(name, 2, (database, oldVersion) => {
    if (oldVersion < 1) database.createObjectStore(HEAD);
    database.createObjectStore(OPERATIONS, { keyPath: ['epoch', 'counter'] });
  });
}
