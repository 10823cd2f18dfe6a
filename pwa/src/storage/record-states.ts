/** States of records as rows: made from the log by merge, listed by kind and parent. */
import type { Catalogue } from '../record-catalogue/catalogue';
import { listConflicts } from '../sync/conflict';
import { mergeRecord, type RecordState, shownValue } from '../sync/merge';
import { decodeBody, kindOf, type Operation } from '../sync/operation';
import type { Database, Row } from './database';
import { droppedWith, isDroppedCase, wantDropped } from './dropped-rows';
import { selectOperations } from './operation-rows';

/** Merge one record anew from all its operations, keep the state and return it. */
export function remergeRecord(
  database: Database,
  catalogue: Catalogue,
  record: string,
): RecordState {
  const operations = selectOperations(database, 'WHERE record = ?', [record]);
  const kind = kindOf(record);
  const state = mergeRecord(record, operations, catalogue.policiesOf(kind));
  const named = parentsOf(state, operations, catalogue.parentFieldOf(kind));
  const parents = namedHere(database, record, named);
  if (parents === null) return state;
  database.exec(
    `INSERT INTO record_state (record, kind, parent, stream, has_conflict, entered_in_error, state)
     VALUES (?, ?, ?, ?, ?, ?, ?)
     ON CONFLICT (record) DO UPDATE SET kind = excluded.kind, parent = excluded.parent,
       stream = excluded.stream, has_conflict = excluded.has_conflict,
       entered_in_error = excluded.entered_in_error, state = excluded.state`,
    [
      record,
      kind,
      parents.length === 1 ? (parents[0] ?? null) : null,
      operations[0]?.stream ?? '',
      listConflicts(state).length > 0 ? 1 : 0,
      state.isEnteredInError ? 1 : 0,
      JSON.stringify(state),
    ],
  );
  database.exec('DELETE FROM record_parent WHERE record = ?', [record]);
  for (const parent of parents) {
    database.exec('INSERT INTO record_parent (record, kind, parent) VALUES (?, ?, ?)', [
      record,
      kind,
      parent,
    ]);
  }
  return state;
}

/**
 * Return the parents under which a record may be shown, null when it is not to be shown.
 *
 * A dropped case shows whole or not at all (SN6): what comes for it asks for the rest.
 */
function namedHere(
  database: Database,
  record: string,
  parents: readonly string[],
): readonly string[] | null {
  const dropped = droppedWith(database, record);
  if (dropped !== null) {
    wantDropped(database, dropped, record);
    return null;
  }
  const hidden = parents.filter((parent) => isDroppedCase(database, parent));
  for (const parent of hidden) wantDropped(database, parent, record);
  if (hidden.length === 0 || hidden.length < parents.length) {
    return parents.filter((parent) => !hidden.includes(parent));
  }
  database.exec('DELETE FROM record_state WHERE record = ?', [record]);
  database.exec('DELETE FROM record_parent WHERE record = ?', [record]);
  return null;
}

/** Make every state anew from the log (after an update of the catalogue, or to check). */
export function rebuildStates(database: Database, catalogue: Catalogue): void {
  database.transaction(() => {
    database.exec('DELETE FROM record_state', []);
    database.exec('DELETE FROM record_parent', []);
    for (const row of database.select(
      `SELECT DISTINCT record FROM operation WHERE record NOT IN
       (SELECT record FROM dropped_record WHERE came_later = 0)`,
    )) {
      remergeRecord(database, catalogue, String(row.record));
    }
  });
}

/** Return the state that a row holds. */
export function stateOf(row: Row): RecordState {
  return JSON.parse(String(row.state)) as RecordState;
}

/** Return the one parent a state names, "" when it has none or they are in conflict. */
export function shownParent(state: RecordState, field: string | null): string {
  const shown = field === null ? null : shownValue(state.fields[field]);
  return typeof shown === 'string' ? shown : '';
}

/**
 * Return every parent a record may belong to. A record entered in error, or one whose parents
 * are in conflict, stays listed wherever it was: it may not vanish from a screen.
 */
function parentsOf(
  state: RecordState,
  operations: readonly Operation[],
  field: string | null,
): string[] {
  if (field === null) return [];
  const values = state.fields[field]?.values.map((held) => held.value) ?? [];
  if (values.length === 0) {
    for (const operation of operations) {
      if (operation.bodyText !== null)
        values.push(decodeBody(operation.bodyText).set[field] ?? null);
    }
  }
  const named = values.filter((one): one is string => typeof one === 'string');
  return [...new Set(named)].sort();
}
