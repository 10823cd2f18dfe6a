/**
 * Opening the records file: sound, or set aside for a fresh one that the second copy fills.
 *
 * A damaged file is never opened in part and never deleted. Where the second copy is gone too,
 * the app refuses: a fresh file would hide that unsent entries are only in the damaged one.
 */
import type { Catalogue } from '../record-catalogue/catalogue';
import { SyncError } from '../sync/errors';
import { tell } from '../told';
import type { Database } from './database';
import { OperationStore } from './operation-store';
import type { SecondCopy } from './second-copy';
import { checkOwnEntries, checkStructure, DamagedStoreError } from './store-soundness';

/** The store cannot be had; the text says what to do. */
export class StoreRefusedError extends Error {
  override name = 'StoreRefusedError';
}

/** The places on the disk where records files lie. */
export interface RecordsFiles {
  /** Open the newest file, or make the first one. */
  current(): Database;
  /** Make a file beside the newest, which stays as it is. */
  next(): Database;
}

export interface OpenedStore {
  database: Database;
  store: OperationStore;
}

/**
 * Open the store.
 *
 * @throws StoreRefusedError with one sentence; nothing was changed
 */
export async function openStore(
  files: RecordsFiles,
  catalogue: Catalogue,
  copy: SecondCopy,
): Promise<OpenedStore> {
  try {
    return openSound(() => files.current(), catalogue);
  } catch (error) {
    const why = damageOf(error);
    if (why === null) throw error;
    if (!(await holdsOwnEntries(copy))) {
      throw new StoreRefusedError(tell('damaged', { why }));
    }
    return openSound(() => files.next(), catalogue);
  }
}

function openSound(open: () => Database, catalogue: Catalogue): OpenedStore {
  const database = open();
  try {
    checkStructure(database);
    const store = new OperationStore(database, catalogue);
    checkOwnEntries(database);
    return { database, store };
  } catch (error) {
    database.close();
    throw error;
  }
}

/** SQLite's codes for a file that is damaged, and one that is no database. */
const DAMAGE_CODES = [11, 26];

/** Return what is wrong with the file, null when the error is none of its content. */
function damageOf(error: unknown): string | null {
  if (!(error instanceof Error)) return null;
  const code = (error as { resultCode?: number }).resultCode;
  const isDamage =
    error instanceof DamagedStoreError ||
    error instanceof SyncError ||
    error instanceof SyntaxError ||
    (code !== undefined && DAMAGE_CODES.includes(code & 0xff));
  return isDamage ? error.message : null;
}

async function holdsOwnEntries(copy: SecondCopy): Promise<boolean> {
  try {
    return (await copy.read()).head?.own !== undefined;
  } catch {
    return false;
  }
}
