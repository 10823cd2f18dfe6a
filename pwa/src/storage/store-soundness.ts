/** Whether the records file is what this app wrote: structure, hashes, chain [REL-13]. */
import { SyncError } from '../sync/errors';
import { type Operation, readOperation, writeEnvelope } from '../sync/operation';
import { tell } from '../told';
import type { Database } from './database';
import { readMeta } from './meta-rows';
import { operationsFrom } from './operation-rows';
import type { OwnDevice } from './operation-store';
import { readOwnLogs } from './own-log-rows';
import { phrasesOf } from './phrases';

/** As a limit of SQLite: none. */
const ALL = -1;

/** The records file was damaged or altered; nothing of it may be shown as whole. */
export class DamagedStoreError extends Error {
  override name = 'DamagedStoreError';
}

/**
 * Check the structure of the file.
 *
 * @throws DamagedStoreError naming the first fault; run before anything is read from the file
 */
export function checkStructure(database: Database): void {
  let found: string;
  try {
    const [row] = database.select('PRAGMA integrity_check(1)');
    found = String(row?.integrity_check ?? 'no answer');
  } catch (error) {
    found = error instanceof Error ? error.message : String(error);
  }
  if (found !== 'ok') throw new DamagedStoreError(found.split('\n')[0]);
}

/**
 * Check every own entry that the unit does not hold: its hash, its commitment, its chain.
 *
 * What the unit holds can be had again; these few are nowhere else but in the second copy.
 *
 * @throws DamagedStoreError naming the first entry that is not as it was written
 */
export function checkOwnEntries(database: Database): void {
  const own = readMeta<OwnDevice>(database, 'own_device');
  if (own === null) return;
  phrasesOf(database).forget();
  for (const log of readOwnLogs(database)) {
    let before: { counter: number; hash: string } | null = null;
    const counter = Math.max(1, log.heldByUnit);
    const first = { device: own.device, epoch: log.epoch, counter };
    const entries = operationsFrom(database, first, ALL);
    for (const entry of entries) {
      const follows = before !== null && before.counter === entry.counter - 1;
      const isOfChain = !follows || before?.hash === entry.previous;
      if (entry.hash !== hashOf(entry) || !isOfChain) throw altered(entry.opId);
      before = entry;
    }
    if (before !== null && before.counter === log.counter && before.hash !== log.hash) {
      throw altered(`${own.device}.${log.epoch}.${log.counter}`);
    }
  }
}

/** Return the hash that the texts of an entry have, "" when they contradict themselves. */
export function hashOf(entry: Operation): string {
  try {
    return readOperation(writeEnvelope(entry), entry.bodyText).hash;
  } catch (error) {
    if (error instanceof SyncError) return '';
    throw error;
  }
}

function altered(opId: string): DamagedStoreError {
  return new DamagedStoreError(tell('alteredAlone', { entry: opId }));
}
