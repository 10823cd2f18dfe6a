/**
 * States of records: merged from the log whenever somebody asks, listed by kind and parent.
 *
 * Kept are a row for each record that is shown, whether it has a conflict, and its parents.
 */
import type { Catalogue } from '../record-catalogue/catalogue';
import { listConflicts } from '../sync/conflict';
import { type MergedOperation, mergeRecord, type RecordState, shownValue } from '../sync/merge';
import { decodeBody, kindOf, readBody } from '../sync/operation';
import type { Database } from './database';
import { droppedWith, hasDropped, isDroppedCase, wantDropped } from './dropped-rows';
import { isErased } from './erased-rows';
import { MERGED_COLUMNS, mergedOf, recordNumber } from './operation-rows';
import { phrasesOf } from './phrases';

/**
 * Return the states of the records that a condition picks, in the order of their ids.
 *
 * @param condition - on the rows of `record_state` and `phrase`, the texts of their ids
 */
export function readStates(
  database: Database,
  catalogue: Catalogue,
  condition: string,
  bind: readonly (string | number)[],
): RecordState[] {
  const phrases = phrasesOf(database);
  const rows = database.select(
    `SELECT phrase.text AS name, ${MERGED_COLUMNS} FROM phrase
     CROSS JOIN record_state ON record_state.record = phrase.id
     LEFT JOIN operation ON operation.record = phrase.id
     WHERE ${condition} ORDER BY phrase.text`,
    bind,
  );
  const states: RecordState[] = [];
  let operations: MergedOperation[] = [];
  for (const [place, row] of rows.entries()) {
    const name = String(row.name);
    if (row.log !== null) operations.push(mergedOf(row, phrases));
    if (rows[place + 1]?.name === name) continue;
    states.push(mergeReadable(name, operations, catalogue).state);
    operations = [];
  }
  return states;
}

/**
 * Merge one record anew, keep what lists need, and return its state.
 *
 * @param all - every operation of it that is held, where the caller has them; else they are read
 */
export function remergeRecord(
  database: Database,
  catalogue: Catalogue,
  record: string,
  all: readonly MergedOperation[] | null = null,
): RecordState {
  const kind = kindOf(record);
  const phrases = phrasesOf(database);
  const number = phrases.name(record);
  const held =
    all ??
    database
      .select(`SELECT ${MERGED_COLUMNS} FROM operation WHERE record = ? ORDER BY seq`, [number])
      .map((row) => mergedOf(row, phrases));
  const { state, operations } = mergeReadable(record, held, catalogue);
  const named = parentsOf(state, operations, catalogue.parentFieldOf(kind));
  const parents = hasDropped(database) ? namedHere(database, record, named) : named;
  if (parents === null) return state;
  // Nothing is shown of an erased record (ER4), nor of one of which no body came: an empty patient
  // would stand in lists, and be taken for one without a name (EX23).
  if (isErased(database, record) || held.every((one) => one.bodyText === null)) {
    hideRecord(database, record);
    return state;
  }
  const hasConflict = listConflicts(state).length > 0 ? 1 : 0;
  database.exec(
    `INSERT INTO record_state (record, has_conflict) VALUES (?, ?)
     ON CONFLICT (record) DO UPDATE SET has_conflict = excluded.has_conflict
     WHERE has_conflict <> excluded.has_conflict`,
    [number, hasConflict],
  );
  keepParents(
    database,
    number,
    parents.map((parent) => phrases.name(parent)),
  );
  return state;
}

function keepParents(database: Database, record: number, parents: readonly number[]): void {
  const held = database
    .select('SELECT parent FROM record_parent WHERE record = ?', [record])
    .map((row) => Number(row.parent));
  for (const parent of held) {
    if (parents.includes(parent)) continue;
    database.exec('DELETE FROM record_parent WHERE record = ? AND parent = ?', [record, parent]);
  }
  for (const parent of parents) {
    if (held.includes(parent)) continue;
    database.exec('INSERT INTO record_parent (record, parent) VALUES (?, ?)', [record, parent]);
  }
}

/** Show a record no more: it stays in the log. */
export function hideRecord(database: Database, record: string): void {
  const number = recordNumber(database, record);
  database.exec('DELETE FROM record_state WHERE record = ?', [number]);
  database.exec('DELETE FROM record_parent WHERE record = ?', [number]);
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
  hideRecord(database, record);
  return null;
}

/** Make anew what is kept of every record (after an update of the catalogue, or to check). */
export function rebuildStates(database: Database, catalogue: Catalogue): void {
  database.transaction(() => {
    database.exec('DELETE FROM record_state', []);
    database.exec('DELETE FROM record_parent', []);
    for (const row of database.select(
      `SELECT text FROM phrase WHERE id IN (SELECT record FROM operation)
       AND text NOT IN (SELECT record FROM dropped_record WHERE came_later = 0) ORDER BY id`,
    )) {
      remergeRecord(database, catalogue, String(row.text));
    }
  });
}

/** Return the one parent a state names, "" when it has none or they are in conflict. */
export function shownParent(state: RecordState, field: string | null): string {
  const shown = field === null ? null : shownValue(state.fields[field]);
  return typeof shown === 'string' ? shown : '';
}

/**
 * Merge what can be read: a body that was damaged on the disk so far that it is none counts as
 * withheld, until the check of the log takes it out and asks for it again. All else is shown.
 */
function mergeReadable(
  record: string,
  held: readonly MergedOperation[],
  catalogue: Catalogue,
): { state: RecordState; operations: readonly MergedOperation[] } {
  const policies = catalogue.policiesOf(kindOf(record));
  try {
    return { state: mergeRecord(record, held, policies), operations: held };
  } catch {
    const operations = held.map((one) => (isReadable(one) ? one : { ...one, bodyText: null }));
    return { state: mergeRecord(record, operations, policies), operations };
  }
}

function isReadable({ bodyText, opId }: MergedOperation): boolean {
  if (bodyText === null) return true;
  try {
    readBody(bodyText, opId);
    return true;
  } catch {
    return false;
  }
}

/**
 * Return every parent a record may belong to. A record entered in error, or one whose parents
 * are in conflict, stays listed wherever it was: it may not vanish from a screen.
 */
function parentsOf(
  state: RecordState,
  operations: readonly MergedOperation[],
  field: string | null,
): string[] {
  if (field === null) return [];
  const values = state.fields[field]?.values.map((held) => held.value) ?? [];
  if (values.length === 0) {
    for (const { bodyText } of operations) {
      if (bodyText !== null) values.push(decodeBody(bodyText).set[field] ?? null);
    }
  }
  const named = values.filter((one): one is string => typeof one === 'string');
  return [...new Set(named)].sort();
}
