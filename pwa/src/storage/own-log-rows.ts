/** The own log as rows: what the second copy takes from it, and what it gives back. */
import type { Catalogue } from '../record-catalogue/catalogue';
import { SyncError } from '../sync/errors';
import { type Operation, readOperation, referenceOf, writeEnvelope } from '../sync/operation';
import type { Tip } from '../sync/operation-log';
import { tell } from '../told';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { heldHash, insertOperation, logNumber, operationsFrom } from './operation-rows';
import { remergeRecord } from './record-states';
import type { CopiedOperation, OwnLog } from './second-copy';

/** Return every epoch of the own log, oldest first. */
export function readOwnLogs(database: Database): OwnLog[] {
  return database.select('SELECT * FROM own_epoch ORDER BY rowid').map((row) => ({
    epoch: String(row.epoch),
    counter: Number(row.counter),
    hash: String(row.hash),
    heldByUnit: Number(row.held_by_unit),
    isForked: row.is_forked === 1,
  }));
}

/** Return own operations of an epoch, from a counter on, for the second copy. */
export function readOwnEntries(
  database: Database,
  device: string,
  epoch: string,
  from: number,
  limit: number,
): CopiedOperation[] {
  const known = database.select(
    `SELECT draft_id, taken_in_ms FROM operation
     WHERE log = ? AND counter >= ? ORDER BY counter LIMIT ?`,
    [logNumber(database, device, epoch), from, limit],
  );
  const first = { device, epoch, counter: from };
  return operationsFrom(database, first, limit).map((operation, place) => ({
    epoch,
    counter: operation.counter,
    envelope: writeEnvelope(operation),
    body: operation.bodyText ?? '',
    draftId: known[place]?.draft_id == null ? null : String(known[place].draft_id),
    takenInMs: Number(known[place]?.taken_in_ms ?? 0),
  }));
}

/** Begin a log that nothing was written to yet, and write to it from here on. */
export function beginEpoch(database: Database, epoch: string): void {
  writeMeta(database, 'epoch', epoch);
  database.exec(`INSERT INTO own_epoch (epoch, counter, hash) VALUES (?, 0, '')`, [epoch]);
}

/** Note where a log of the own device ends now. */
export function moveTip(database: Database, { epoch, counter, hash }: Tip): void {
  database.exec('UPDATE own_epoch SET counter = ?, hash = ? WHERE epoch = ?', [
    counter,
    hash,
    epoch,
  ]);
}

/** What of a copy was put back into the log, and what could not be. */
export interface PutBack {
  restored: number;
  refused: { entry: CopiedOperation; opId: string; sentence: string }[];
}

/**
 * Put back the entries that the log lacks, in one transaction, and merge their records anew.
 *
 * An entry that contradicts itself, the log, or the entry after which it was written is not
 * put back; the caller keeps it aside.
 *
 * @param logs - ends of the epochs as the copy knows them; a log that ends earlier is moved on
 */
export function putBackEntries(
  database: Database,
  catalogue: Catalogue,
  device: string,
  entries: readonly CopiedOperation[],
  logs: readonly OwnLog[],
): PutBack {
  return database.transaction(() => {
    const answer: PutBack = { restored: 0, refused: [] };
    const touched = new Set<string>();
    for (const log of logs) moveOn(database, log);
    const inOrder = [...entries].sort((one, other) => {
      if (one.epoch === other.epoch) return one.counter - other.counter;
      return one.epoch < other.epoch ? -1 : 1;
    });
    for (const entry of inOrder) {
      try {
        const operation = readEntry(database, device, entry);
        if (operation === null) continue;
        insertOperation(database, operation, freeDraftId(database, entry), entry.takenInMs);
        touched.add(operation.record);
        answer.restored += 1;
      } catch (error) {
        if (!(error instanceof SyncError)) throw error;
        const opId = `${device}.${entry.epoch}.${entry.counter}`;
        answer.refused.push({ entry, opId, sentence: error.message });
      }
    }
    for (const record of touched) remergeRecord(database, catalogue, record);
    return answer;
  });
}

/** Return the last stamp that was issued or noticed. */
export function readLastStamp(database: Database): string | null {
  return readMeta<string>(database, 'last_stamp');
}

/** Keep the later of two stamps as the last one issued or noticed; stamps sort as text (HC1). */
export function keepLaterStamp(database: Database, stamp: string | null | undefined): void {
  const last = readLastStamp(database);
  if (stamp && (last === null || stamp > last)) writeMeta(database, 'last_stamp', stamp);
}

/** Return the operation of an entry that the log lacks, null when it is there already. */
function readEntry(
  database: Database,
  device: string,
  { epoch, counter, envelope, body }: CopiedOperation,
): Operation | null {
  const operation = readOperation(envelope, body);
  if (operation.opId !== `${device}.${epoch}.${counter}`) {
    throw new SyncError(tell('misplaced', { entry: operation.opId }));
  }
  const held = heldHash(database, device, epoch, counter);
  if (held === operation.hash || isWrittenAgain(database, operation)) return null;
  const before = counter === 1 ? '' : heldHash(database, device, epoch, counter - 1);
  if (held !== null || (before !== null && before !== operation.previous)) {
    throw new SyncError(tell('contradicts', { entry: operation.opId }));
  }
  return operation;
}

/** Of a fork whose own branch is in another epoch by now (EX9). */
function isWrittenAgain(database: Database, operation: Operation): boolean {
  const bind = [referenceOf(operation)];
  return database.select('SELECT 1 FROM forked_operation WHERE reference = ?', bind).length > 0;
}

function freeDraftId(database: Database, { draftId }: CopiedOperation): string | null {
  if (draftId === null) return null;
  const taken = database.select('SELECT 1 FROM operation WHERE draft_id = ?', [draftId]);
  return taken.length > 0 ? null : draftId;
}

function moveOn(database: Database, log: OwnLog): void {
  database.exec(
    `INSERT INTO own_epoch (epoch, counter, hash, held_by_unit, is_forked) VALUES (?, ?, ?, ?, ?)
     ON CONFLICT (epoch) DO UPDATE SET
       hash = CASE WHEN excluded.counter > counter THEN excluded.hash ELSE hash END,
       held_by_unit = max(held_by_unit, excluded.held_by_unit),
       is_forked = max(is_forked, excluded.is_forked),
       counter = max(counter, excluded.counter)`,
    [log.epoch, log.counter, log.hash, log.heldByUnit, log.isForked ? 1 : 0],
  );
}
