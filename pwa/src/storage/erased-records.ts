/**
 * Erased records: the unit decided to destroy their content, and this tablet drops its own (ER4).
 *
 * Envelopes stay, so that chains and hashes are as before. Own entries that the unit does not hold
 * stay until it does: it alone says what becomes of them.
 */
import { decodeBody, kindOf, type Operation } from '../sync/operation';
import type { Database } from './database';
import { operationsOfRecord, recordNumber } from './operation-rows';
import { hideRecord } from './record-states';
import { UNSENT } from './unit-copy';

const ERASURE = 'erasure';
/** The log of the unit server itself: whoever else says so says nothing. */
const SERVER_DEVICE = 'unit-server';

/**
 * Carry out the erasures among records that just changed, inside the caller's transaction.
 *
 * @returns the records that show no more
 */
export function carryOutErasures(
  database: Database,
  own: string,
  touched: readonly string[],
): string[] {
  const gone: string[] = [];
  for (const erasure of touched) {
    if (kindOf(erasure) !== ERASURE) continue;
    for (const record of namesOf(operationsOfRecord(database, erasure))) {
      database.exec('INSERT OR IGNORE INTO erased_record (record, erasure) VALUES (?, ?)', [
        record,
        erasure,
      ]);
      gone.push(record);
    }
  }
  for (const record of gone) hideRecord(database, record);
  if (gone.length > 0) dropBodies(database, own);
  return gone;
}

/**
 * Drop every body of erased records that may go by now; call it after each round.
 *
 * @returns whether there were any
 */
export function dropErasedBodies(database: Database, own: string): boolean {
  const [left] = database.select(
    `SELECT 1 FROM erased_record JOIN phrase ON phrase.text = erased_record.record
     JOIN operation ON operation.record = phrase.id WHERE body IS NOT NULL
     AND seq NOT IN (SELECT operation.seq FROM ${UNSENT}) LIMIT 1`,
    [own],
  );
  if (left === undefined) return false;
  database.transaction(() => dropBodies(database, own));
  return true;
}

function dropBodies(database: Database, own: string): void {
  for (const row of database.select('SELECT record FROM erased_record')) {
    const record = String(row.record);
    const number = recordNumber(database, record);
    database.exec(
      `UPDATE operation SET body = NULL WHERE record = ? AND body IS NOT NULL
         AND seq NOT IN (SELECT operation.seq FROM ${UNSENT})`,
      [number, own],
    );
    // Texts that lie aside name their record in the envelope.
    const named = `"record":"${record}"`;
    for (const table of ['quarantine', 'forked_operation']) {
      database.exec(`DELETE FROM ${table} WHERE instr(envelope, ?) > 0`, [named]);
    }
    database.exec('DELETE FROM dropped_record WHERE record = ?', [record]);
    database.exec('DELETE FROM dropped_case WHERE record = ?', [record]);
  }
}

function namesOf(operations: readonly Operation[]): string[] {
  const names = new Set<string>();
  for (const { device, bodyText } of operations) {
    if (device !== SERVER_DEVICE || bodyText === null) continue;
    const named = decodeBody(bodyText).set.of;
    for (const one of Array.isArray(named) ? named : []) {
      if (typeof one === 'string') names.add(one);
    }
  }
  return [...names];
}
