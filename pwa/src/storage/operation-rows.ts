/** Operations as rows of the log: small, and exactly the texts that were written. */
import { bytesToHex, hexToBytes } from '@noble/hashes/utils.js';
import type { MergedOperation } from '../sync/merge';
import { hashText, type Operation, writeEnvelope } from '../sync/operation';
import type { Database, Row } from './database';
import { NO_PHRASE, type Phrases, phrasesOf } from './phrases';
import { squeezeBody, unsqueezeBody } from './squeezed-body';

/** A place in a log. */
export interface Place {
  device: string;
  epoch: string;
  counter: number;
}

const HERE = 'WHERE log = ? AND counter = ?';

/** Return the number of a log, `NO_PHRASE` when nothing of it was ever held. */
export function logNumber(database: Database, device: string, epoch: string): number {
  return phrasesOf(database).find(`${device}.${epoch}`);
}

/** Return the number of a record, `NO_PHRASE` when nothing ever named it. */
export function recordNumber(database: Database, record: string): number {
  return phrasesOf(database).find(record);
}

/**
 * Put one operation into the log; the caller has made sure that its place is free.
 *
 * @param near - an operation that is held, most likely the one before it in its log
 */
export function insertOperation(
  database: Database,
  operation: Operation,
  draftId: string | null,
  takenInMs: number,
  near: Operation | null = null,
): void {
  const { device, epoch, counter, previous, bodyText } = operation;
  const phrases = phrasesOf(database);
  const isNext = near?.counter === counter - 1 && near.epoch === epoch && near.device === device;
  const before = isNext ? near.hash : heldHash(database, device, epoch, counter - 1);
  const follows = counter === 1 || before === previous;
  database.exec(
    `INSERT INTO operation (log, counter, stream, record, stamp, previous, commitment, hash, body,
       draft_id, taken_in_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    [
      phrases.name(`${device}.${epoch}`),
      counter,
      phrases.name(operation.stream),
      phrases.name(operation.record),
      shortStamp(operation),
      follows ? null : hexToBytes(previous),
      hexToBytes(operation.commitment),
      hexToBytes(operation.hash),
      bodyText === null ? null : squeezeBody(bodyText, phrases),
      draftId,
      takenInMs,
    ],
  );
}

/** Take one operation out of the log; the one after it keeps what it says of it. */
export function deleteOperation(database: Database, { device, epoch, counter }: Place): void {
  const log = logNumber(database, device, epoch);
  const next = operationAt(database, { device, epoch, counter: counter + 1 });
  if (next !== null) {
    const { previous } = asWritten(database, next);
    database.exec(`UPDATE operation SET previous = ? ${HERE} AND previous IS NULL`, [
      hexToBytes(previous),
      log,
      next.counter,
    ]);
  }
  database.exec(`DELETE FROM operation ${HERE}`, [log, counter]);
}

/**
 * Return an entry as it was written where the hash of the one before it was altered.
 *
 * What it says of that one is not kept with it, but is the hash kept there. Where this does not
 * give the entry's own hash, the hash that the texts before it have may; else the entry comes back
 * as it is.
 */
export function asWritten(database: Database, entry: Operation): Operation {
  if (hasItsHash(entry)) return entry;
  const before = operationAt(database, { ...entry, counter: entry.counter - 1 });
  if (before === null || before.hash !== entry.previous) return entry;
  const rebuilt = { ...entry, previous: hashText(writeEnvelope(before)) };
  return hasItsHash(rebuilt) ? rebuilt : entry;
}

const hasItsHash = (entry: Operation) => hashText(writeEnvelope(entry)) === entry.hash;

/** Fill in the body of an operation whose envelope alone is held; false when it was there. */
export function fillInBody(database: Database, operation: Operation): boolean {
  const { device, epoch, counter, bodyText } = operation;
  if (bodyText === null) return false;
  const [row] = database.select(
    `UPDATE operation SET body = ? ${HERE} AND body IS NULL RETURNING 1`,
    [squeezeBody(bodyText, phrasesOf(database)), logNumber(database, device, epoch), counter],
  );
  return row !== undefined;
}

/**
 * Return whole operations that a condition on the rows picks.
 *
 * @param condition - begins with WHERE; `log` and `record` are numbers, columns belong to
 *   `operation`
 */
export function selectOperations(
  database: Database,
  condition: string,
  bind: readonly (string | number)[],
): Operation[] {
  const phrases = phrasesOf(database);
  return database
    .select(
      `SELECT operation.log, operation.counter, operation.stream, operation.record,
         operation.stamp, operation.commitment, operation.hash, operation.body,
         coalesce(operation.previous, (SELECT before.hash FROM operation AS before
           WHERE before.log = operation.log AND before.counter = operation.counter - 1))
           AS previous
       FROM operation ${condition}`,
      bind,
    )
    .map((row) => operationOf(row, phrases));
}

/** Return the operation at a place of a log, null when nothing is held there. */
export function operationAt(database: Database, place: Place): Operation | null {
  const bind = [logNumber(database, place.device, place.epoch), place.counter];
  return selectOperations(database, HERE, bind)[0] ?? null;
}

/** Return operations of one log from a counter on, in its order. */
export function operationsFrom(database: Database, from: Place, limit: number): Operation[] {
  return selectOperations(database, 'WHERE log = ? AND counter >= ? ORDER BY counter LIMIT ?', [
    logNumber(database, from.device, from.epoch),
    from.counter,
    limit,
  ]);
}

/** Return every operation of a record, in the order in which they came. */
export function operationsOfRecord(database: Database, record: string): Operation[] {
  return selectOperations(database, 'WHERE record = ? ORDER BY seq', [
    recordNumber(database, record),
  ]);
}

/** Say whether any operation of a record is held. */
export function isHeld(database: Database, record: string): boolean {
  const bind = [recordNumber(database, record)];
  return database.select('SELECT 1 FROM operation WHERE record = ? LIMIT 1', bind).length > 0;
}

/** Return the hash held at one place of a log, null when nothing is held there. */
export function heldHash(
  database: Database,
  device: string,
  epoch: string,
  counter: number,
): string | null {
  const log = logNumber(database, device, epoch);
  if (log === NO_PHRASE) return null;
  const [row] = database.select(`SELECT hash FROM operation ${HERE}`, [log, counter]);
  return row === undefined ? null : bytesToHex(row.hash as Uint8Array);
}

/** Columns that a merge asks for. */
export const MERGED_COLUMNS =
  'operation.log, operation.counter, operation.stamp, operation.hash, operation.body';

/** Return what merge asks of an operation. */
export function mergedOf(row: Row, phrases: Phrases): MergedOperation {
  const log = phrases.read(Number(row.log));
  const device = log.slice(0, Math.max(log.indexOf('.'), 0));
  return {
    opId: `${log}.${row.counter}`,
    device,
    stamp: longStamp(String(row.stamp), device),
    hash: bytesToHex(row.hash as Uint8Array),
    bodyText: row.body === null ? null : unsqueezeBody(row.body as Uint8Array, phrases),
  };
}

function operationOf(row: Row, phrases: Phrases): Operation {
  const { opId, device, stamp, hash, bodyText } = mergedOf(row, phrases);
  return {
    opId,
    device,
    epoch: phrases.read(Number(row.log)).slice(device.length + 1),
    counter: Number(row.counter),
    previous: row.previous === null ? '' : bytesToHex(row.previous as Uint8Array),
    stream: phrases.read(Number(row.stream)),
    record: phrases.read(Number(row.record)),
    stamp,
    commitment: bytesToHex(row.commitment as Uint8Array),
    hash,
    bodyText,
  };
}

/** The device is left out where it is the log's, and the numbers are spelled to base 36. */
function shortStamp({ stamp, device }: Operation): string {
  const [wallMs = '', counter = '', of = ''] = stamp.split('.');
  const numbers = `${Number(wallMs).toString(36)}.${Number(counter).toString(36)}`;
  return of === device ? numbers : `${numbers}.${of}`;
}

function longStamp(short: string, device: string): string {
  const [wallMs = '', counter = '', of = device] = short.split('.');
  const digits = (text: string, count: number) => String(parseInt(text, 36)).padStart(count, '0');
  return `${digits(wallMs, 15)}.${digits(counter, 5)}.${of}`;
}
