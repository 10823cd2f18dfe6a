/** Operations as rows of the log: hashes in bytes, the body exactly as it was written. */
import { bytesToHex, hexToBytes } from '@noble/hashes/utils.js';
import type { Operation } from '../sync/operation';
import type { Database, Row } from './database';

const COLUMNS = `device, epoch, counter, stream, record, stamp, previous, commitment, hash, body`;

/** Put one operation into the log; the caller has made sure that its place is free. */
export function insertOperation(
  database: Database,
  operation: Operation,
  draftId: string | null,
  takenInMs: number,
): void {
  database.exec(
    `INSERT INTO operation (${COLUMNS}, draft_id, taken_in_ms)
     VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    [
      operation.device,
      operation.epoch,
      operation.counter,
      operation.stream,
      operation.record,
      operation.stamp,
      hexToBytes(operation.previous),
      hexToBytes(operation.commitment),
      hexToBytes(operation.hash),
      operation.bodyText,
      draftId,
      takenInMs,
    ],
  );
}

/** Return the operations that a condition picks, with `seq` and `draft_id` left out. */
export function selectOperations(
  database: Database,
  condition: string,
  bind: readonly (string | number)[],
): Operation[] {
  return database.select(`SELECT ${COLUMNS} FROM operation ${condition}`, bind).map(operationOf);
}

/** Return the hash held at one place of a log, null when nothing is held there. */
export function heldHash(
  database: Database,
  device: string,
  epoch: string,
  counter: number,
): string | null {
  const [row] = database.select(
    'SELECT hash FROM operation WHERE device = ? AND epoch = ? AND counter = ?',
    [device, epoch, counter],
  );
  return row === undefined ? null : bytesToHex(row.hash as Uint8Array);
}

function operationOf(row: Row): Operation {
  const device = String(row.device);
  const epoch = String(row.epoch);
  const counter = Number(row.counter);
  return {
    opId: `${device}.${epoch}.${counter}`,
    device,
    epoch,
    counter,
    previous: bytesToHex(row.previous as Uint8Array),
    stream: String(row.stream),
    record: String(row.record),
    stamp: String(row.stamp),
    commitment: bytesToHex(row.commitment as Uint8Array),
    hash: bytesToHex(row.hash as Uint8Array),
    bodyText: row.body === null ? null : String(row.body),
  };
}
