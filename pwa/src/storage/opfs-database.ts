/**
 * The tablet's database file: SQLite in the browser's private file system, one writer.
 *
 * There is no other place to fall back to: when this one cannot be had, the app says so and
 * records nothing.
 */
import sqlite3InitModule from '@sqlite.org/sqlite-wasm';
import { tell, whyOf } from '../told';
import type { Database } from './database';
import { SqliteDatabase } from './sqlite-database';
import { type RecordsFiles, StoreRefusedError } from './store-opening';

const TRIES = 8;
const BETWEEN_TRIES_MS = 250;

const POOL = {
  name: 'crura',
  directory: 'crura',
  initialCapacity: 8,
  // Without it a failed start would delete every record on the tablet.
  preserveOnInitFailure: true,
  // A window that is just closing may hold its files a moment longer: the pool is tried again.
  forceReinitIfPreviouslyFailed: true,
};

/** A file, its write-ahead log, and room for what SQLite needs beside them. */
const PLACES_A_FILE = 4;

/** Take hold of the records files. The caller holds the lock of the one writer. */
export async function openRecordsFiles(): Promise<RecordsFiles> {
  const sqlite3 = await sqlite3InitModule();
  for (let attempt = 1; ; attempt++) {
    try {
      const pool = await sqlite3.installOpfsSAHPoolVfs(POOL);
      await pool.reserveMinimumCapacity(pool.getFileCount() + 2 * PLACES_A_FILE);
      const open = (number: number) => {
        const database = new SqliteDatabase(sqlite3, new pool.OpfsSAHPoolDb(nameOf(number)));
        try {
          setDurability(database);
        } catch (error) {
          database.close();
          throw error;
        }
        return database;
      };
      const newest = () => Math.max(1, ...pool.getFileNames().map(numberOf));
      return { current: () => open(newest()), next: () => open(newest() + 1) };
    } catch (error) {
      if (attempt === TRIES) throw refusal(error);
      await new Promise((resolve) => setTimeout(resolve, BETWEEN_TRIES_MS));
    }
  }
}

/** The first file, and those made after one was set aside as damaged. */
function nameOf(number: number): string {
  return number === 1 ? '/crura.db' : `/crura-${number}.db`;
}

/** Return the number of a records file, 0 for any other file. */
function numberOf(name: string): number {
  if (name === '/crura.db') return 1;
  return Number(/^\/crura-([0-9]+)\.db$/.exec(name)?.[1] ?? 0);
}

/** A page of the file is read again in less than a millisecond; memory is what a tablet lacks. */
const CACHE_KIB = 2_048;

/** Write-ahead log, flushed to disk at every commit. WAL on this file system needs the lock first. */
function setDurability(database: Database): void {
  database.exec('PRAGMA locking_mode = exclusive');
  const [journal] = database.select('PRAGMA journal_mode = wal');
  database.exec('PRAGMA synchronous = full');
  database.exec(`PRAGMA cache_size = -${CACHE_KIB}`);
  const [flush] = database.select('PRAGMA synchronous');
  if (journal?.journal_mode !== 'wal' || flush?.synchronous !== 2) {
    throw new StoreRefusedError(tell('unsafeDisk'));
  }
}

function refusal(error: unknown): StoreRefusedError {
  return new StoreRefusedError(tell('cannotOpen', { why: whyOf(error) }));
}
