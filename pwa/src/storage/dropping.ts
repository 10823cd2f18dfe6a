/**
 * Dropping: what the unit keeps need not lie on every tablet for ever.
 *
 * A closed case goes as a whole: bodies and states of its record tree, in one transaction. The
 * envelopes stay, so that chains and hashes are as before, and a stub by which it is asked for.
 */
import { type RecordState, shownValue } from '../sync/merge';
import { tell } from '../told';
import type { Database } from './database';
import { forgetDropped, listDropped, recordsInPart } from './dropped-rows';
import { IS_ERASED } from './erased-rows';
import { isHeld, logNumber, recordNumber } from './operation-rows';
import type { OperationStore } from './operation-store';
import { hideRecord, remergeRecord, shownParent } from './record-states';

/** Own confirmed operations stay at least as long on the tablet [REL-08]. */
export const KEEP_MS = 30 * 86_400_000;

const DONE_VISITS = ['cancelled', 'attended', 'ended'];

/** Every record of a case, the case first. */
const TREE = `WITH RECURSIVE tree(record) AS (
  SELECT ? UNION SELECT record_parent.record FROM record_parent
  JOIN tree ON record_parent.parent = tree.record
) SELECT tree.record AS number, text FROM tree JOIN phrase ON phrase.id = tree.record`;

/** A record by the number of its rows, and by its id. */
interface Branch {
  number: number;
  record: string;
}

/**
 * Drop every case that may go (SN5) and return them.
 *
 * Call it after a round of the exchange: it also notes how far the unit holds the own log by now.
 *
 * @param clocks - wall clocks of tablet and unit, milliseconds since 1970-01-01T00:00Z; 30 days are
 *   over when they are over by the slower one, counted from the faster one [HAZ-33]
 * @param inScope - cases that somebody looks at
 */
export function dropOldCases(
  store: OperationStore,
  clocks: readonly number[],
  inScope: ReadonlySet<string>,
): string[] {
  const { database } = store;
  const nowMs = Math.min(...clocks);
  return database.transaction(() => {
    noteHeldSince(database, Math.max(...clocks));
    const open = casesWithOpenVisits(store.read({ kind: 'visit' }));
    const dropped: string[] = [];
    for (const state of store.read({ kind: 'case' })) {
      const { record } = state;
      if (shownValue(state.fields.stage) !== 'closed') continue;
      if (inScope.has(record) || open.has(record)) continue;
      const tree = database
        .select(TREE, [recordNumber(database, record)])
        .map((row) => ({ number: Number(row.number), record: String(row.text) }));
      if (!mayGo(store, record, tree, nowMs - KEEP_MS)) continue;
      const patient = shownParent(state, store.catalogue.parentFieldOf('case'));
      drop(database, record, tree, patient, nowMs);
      dropped.push(record);
    }
    return dropped;
  });
}

function noteHeldSince(database: Database, nowMs: number): void {
  // A unit put back to an older copy holds less than before: the days count anew.
  database.exec(
    `DELETE FROM held_since WHERE counter >
     coalesce((SELECT held_by_unit FROM own_epoch WHERE own_epoch.epoch = held_since.epoch), 0)`,
    [],
  );
  database.exec(
    `INSERT OR IGNORE INTO held_since (epoch, counter, seen_ms)
     SELECT epoch, held_by_unit, ? FROM own_epoch WHERE held_by_unit > 0 AND is_forked = 0`,
    [nowMs],
  );
}

function casesWithOpenVisits(visits: readonly RecordState[]): Set<string> {
  const open = visits.filter(
    (visit) => !DONE_VISITS.includes(String(shownValue(visit.fields.status))),
  );
  return new Set(
    open.flatMap((visit) => (visit.fields.case?.values ?? []).map((held) => String(held.value))),
  );
}

/**
 * Say whether a tree holds no conflict, nothing that also hangs elsewhere, and nothing younger than a time: others' operations by
 * when they came, own ones by when it was seen that the unit holds them.
 */
function mayGo(
  store: OperationStore,
  ofCase: string,
  tree: readonly Branch[],
  untilMs: number,
): boolean {
  const { database } = store;
  const own = store.ownDevice()?.device ?? '';
  const within = new Set(tree.map((one) => one.number));
  return tree.every(({ number, record }) => {
    const elsewhere = database
      .select('SELECT parent FROM record_parent WHERE record = ?', [number])
      .some((row) => !within.has(Number(row.parent)));
    if (elsewhere && record !== ofCase) return false;
    const [conflict] = database.select(
      'SELECT 1 FROM record_state WHERE record = ? AND has_conflict = 1',
      [number],
    );
    if (conflict !== undefined) return false;
    // The last operation that the unit holds stays too: the next handshake compares it (EX2).
    const [young] = database.select(
      `SELECT 1 FROM operation LEFT JOIN (SELECT phrase.id, epoch FROM own_epoch
           JOIN phrase ON phrase.text = ? || '.' || epoch) AS own ON own.id = operation.log
       WHERE record = ? AND (taken_in_ms > ? OR body IS NULL OR
         (own.id IS NOT NULL AND counter >= coalesce((SELECT max(held_since.counter)
           FROM held_since
           JOIN own_epoch ON own_epoch.epoch = held_since.epoch AND is_forked = 0
           WHERE held_since.epoch = own.epoch AND seen_ms <= ?), 0)))`,
      [own, number, untilMs, untilMs],
    );
    return young === undefined;
  });
}

function drop(
  database: Database,
  ofCase: string,
  tree: readonly Branch[],
  patient: string,
  nowMs: number,
): void {
  database.exec(
    `INSERT INTO dropped_case (record, patient, dropped_ms, last_receipt)
     SELECT ?, ?, ?, coalesce((SELECT after FROM cursor WHERE stream = 'care'), 0)`,
    [ofCase, patient, nowMs],
  );
  for (const { number, record } of tree) {
    database.exec('INSERT INTO dropped_record VALUES (?, ?, 0)', [record, ofCase]);
    database.exec('UPDATE operation SET body = NULL WHERE record = ?', [number]);
    hideRecord(database, record);
  }
}

/**
 * Go on in a new epoch where the unit, put back to an older copy, lacks own operations that were
 * dropped here: they cannot be sent, and new work must not wait behind them (SN7).
 *
 * @returns whether a new epoch was begun; a notice then tells a person
 */
export function goOnPastDropped(store: OperationStore, newEpoch: string): boolean {
  const { epoch } = store.tip();
  const [lacking] = store.database.select(
    `SELECT count(*) AS count FROM operation WHERE log = ? AND body IS NULL AND NOT ${IS_ERASED}
       AND counter > (SELECT held_by_unit FROM own_epoch WHERE epoch = ?)`,
    [logNumber(store.database, store.ownDevice()?.device ?? '', epoch), epoch],
  );
  const count = Number(lacking?.count ?? 0);
  if (count === 0) return false;
  store.beginEpoch(newEpoch);
  store.giveNotice(tell('unitOlder', { count }));
  return true;
}

/** Show every dropped case of which all bodies are here again; return the records (SN6). */
export function showWholeCases(store: OperationStore): string[] {
  const { database, catalogue } = store;
  return listDropped(database).flatMap(({ record }) => {
    if (recordsInPart(database, record).length > 0) return [];
    // Of a record whose operations a fork has taken away nothing is left to show (SN8).
    const records = forgetDropped(database, record).filter((one) => isHeld(database, one));
    for (const one of records) remergeRecord(database, catalogue, one);
    return records;
  });
}
