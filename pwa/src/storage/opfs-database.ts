/**
 * The tablet's database file: SQLite in the browser's private file system, one writer.
 *
 * There is no other place to fall back to: when this one cannot be had, the app says so and
 * records nothing.
 */
import sqlite3InitModule from '@sqlite.org/sqlite-wasm';
import type { Database } from './database';
import { SqliteDatabase } from './sqlite-database';

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

/** The store cannot be had; the text says what to do. */
export class StoreRefusedError extends Error {
  override name = 'StoreRefusedError';
}

/** Open (or create) the database. The caller holds the lock of the one writer. */
export async function openOpfsDatabase(): Promise<Database> {
  const sqlite3 = await sqlite3InitModule();
  for (let attempt = 1; ; attempt++) {
    try {
      const pool = await sqlite3.installOpfsSAHPoolVfs(POOL);
      const database = new SqliteDatabase(new pool.OpfsSAHPoolDb('/crura.db'));
      setDurability(database);
      return database;
    } catch (error) {
      if (error instanceof StoreRefusedError) throw error;
      if (attempt === TRIES) throw refusal(error);
      await new Promise((resolve) => setTimeout(resolve, BETWEEN_TRIES_MS));
    }
  }
}

/** Write-ahead log, flushed to disk at every commit. WAL on this file system needs the lock first. */
function setDurability(database: Database): void {
  database.exec('PRAGMA locking_mode = exclusive');
  const [journal] = database.select('PRAGMA journal_mode = wal');
  database.exec('PRAGMA synchronous = full');
  const [flush] = database.select('PRAGMA synchronous');
  if (journal?.journal_mode !== 'wal' || flush?.synchronous !== 2) {
    throw new StoreRefusedError(
      'NOT SAVED: this browser does not write safely to its disk, so nothing can be recorded here. Update the browser, or use another tablet.',
    );
  }
}

function refusal(error: unknown): StoreRefusedError {
  const why = error instanceof Error ? error.message : String(error);
  return new StoreRefusedError(
    `NOT SAVED: the records on this tablet cannot be opened (${why}). Nothing was deleted. Close other windows of the app, restart the browser (not in private mode), and ask the data manager if it stays so.`,
  );
}
