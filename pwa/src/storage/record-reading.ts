/** What screens ask of the record: states by kind and parent, histories, conflicts. */
import type { HistoryEntry, Json, OpenConflictRow, RecordQuery } from '../ports';
import type { Catalogue } from '../record-catalogue/catalogue';
import { readStamp } from '../sync/clock';
import { listConflicts } from '../sync/conflict';
import { findStanding, type RecordState, readHeld } from '../sync/merge';
import { kindOf } from '../sync/operation';
import type { Database } from './database';
import { operationsOfRecord, recordNumber } from './operation-rows';
import { readOwnLogs } from './own-log-rows';
import { readStates, shownParent } from './record-states';
import { UNSENT } from './unit-copy';

/** Ids of one kind lie between these: `0` is the sign after `/`. */
const bounds = (kind: string) => [`${kind}/`, `${kind}0`];

/** Return the states that a query picks, in the order of their ids. */
export function findStates(
  database: Database,
  catalogue: Catalogue,
  { kind, record, parent }: RecordQuery,
): RecordState[] {
  if (record !== undefined) {
    if (kindOf(record) !== kind) return [];
    return readStates(database, catalogue, 'phrase.text = ?', [record]);
  }
  if (parent !== undefined) {
    // The sign before `phrase` keeps SQLite from going through all records of the kind.
    const condition = `phrase.id IN (SELECT record FROM record_parent WHERE parent = ?)
      AND +phrase.text >= ? AND +phrase.text < ?`;
    const bind = [recordNumber(database, parent), ...bounds(kind)];
    return readStates(database, catalogue, condition, bind);
  }
  const condition = 'phrase.text >= ? AND phrase.text < ?';
  return readStates(database, catalogue, condition, bounds(kind));
}

/** Return the id of every record that is shown. */
export function listShown(database: Database): string[] {
  return database
    .select('SELECT text FROM record_state JOIN phrase ON phrase.id = record_state.record')
    .map((row) => String(row.text));
}

/** Return the records with unsent operations, and the case and patient each lies under, sorted. */
export function listUnsent(database: Database, catalogue: Catalogue, own: string): string[] {
  const rows = database.select(
    `SELECT text FROM phrase WHERE id IN (SELECT operation.record FROM ${UNSENT})`,
    [own],
  );
  const found = new Set<string>();
  for (const row of rows) {
    let record = String(row.text);
    while (record !== '' && !found.has(record)) {
      found.add(record);
      const kind = kindOf(record);
      const [state] = findStates(database, catalogue, { kind, record });
      record = state ? shownParent(state, catalogue.parentFieldOf(kind)) : '';
    }
  }
  return [...found].sort();
}

/** Return every operation on a record, oldest first, struck ones included. */
export function readHistory(database: Database, record: string, own: string): HistoryEntry[] {
  const operations = operationsOfRecord(database, record).sort(byStamp);
  const counted = readHeld(operations);
  const standing = findStanding(counted);
  const held = new Map(readOwnLogs(database).map((log) => [log.epoch, log.heldByUnit]));
  return [...counted]
    .map(([reference, { operation, body }]): HistoryEntry => {
      const [, epoch = '', counter = ''] = operation.opId.split('.');
      const isUnsent = operation.device === own && Number(counter) > (held.get(epoch) ?? 0);
      return {
        reference,
        stamp: operation.stamp,
        wallMs: readStamp(operation.stamp)?.wallMs ?? 0,
        by: body.by,
        tappedBy: body.tappedBy,
        device: operation.device,
        set: body.set as Record<string, Json>,
        retract: [...body.retract],
        because: body.because,
        isStruck: !standing.has(reference),
        reached: isUnsent ? 'tablet' : 'unit',
      };
    })
    .sort(byStamp);
}

/** Return every open conflict with the values left. */
export function readConflicts(database: Database, catalogue: Catalogue): OpenConflictRow[] {
  const condition = 'phrase.id IN (SELECT record FROM record_state WHERE has_conflict = 1)';
  return readStates(database, catalogue, condition, [])
    .flatMap(listConflicts)
    .map((conflict) => ({
      record: conflict.record,
      kind: kindOf(conflict.record),
      field: conflict.field,
      values: conflict.values.map((held) => ({
        value: held.value as Json,
        by: held.by,
        stamp: held.stamp,
        references: held.references,
      })),
    }));
}

function byStamp(one: { stamp: string }, other: { stamp: string }): number {
  return one.stamp < other.stamp ? -1 : one.stamp > other.stamp ? 1 : 0;
}
