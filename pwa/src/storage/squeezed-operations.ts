/** The step of migration 0004 that SQL cannot do: rows of the log, written anew in few bytes. */
import { bytesToHex } from '@noble/hashes/utils.js';
import type { Operation } from '../sync/operation';
import type { Database, Row } from './database';
import { insertOperation } from './operation-rows';

/** Rows held in memory at once. */
const PIECE = 500;

/** Carry every row of `operation_0003` over, in the order in which they came, and drop it. */
export function carryOperations(database: Database): void {
  for (let after = 0; ; ) {
    const rows = database.select(
      'SELECT * FROM operation_0003 WHERE seq > ? ORDER BY seq LIMIT ?',
      [after, PIECE],
    );
    for (const row of rows) {
      const draftId = row.draft_id === null ? null : String(row.draft_id);
      insertOperation(database, operationOf(row), draftId, Number(row.taken_in_ms));
    }
    const last = rows.at(-1);
    if (last === undefined) break;
    after = Number(last.seq);
  }
  database.exec('DROP TABLE operation_0003');
}

function operationOf(row: Row): Operation {
  return {
    opId: `${row.device}.${row.epoch}.${row.counter}`,
    device: String(row.device),
    epoch: String(row.epoch),
    counter: Number(row.counter),
    previous: bytesToHex(row.previous as Uint8Array),
    stream: String(row.stream),
    record: String(row.record),
    stamp: String(row.stamp),
    commitment: bytesToHex(row.commitment as Uint8Array),
    hash: bytesToHex(row.hash as Uint8Array),
    bodyText: row.body === null ? null : String(row.body),
  };
}
