/**
 * The log and what is shown of it, checked piece by piece while the app runs [REL-13].
 *
 * At start only what exists nowhere else is checked (`store-soundness.ts`); all of it would keep
 * a tablet with years of records from opening in time.
 */
import type { Catalogue } from '../record-catalogue/catalogue';
import { writeEnvelope } from '../sync/operation';
import type { Database } from './database';
import { asWritten, deleteOperation, operationsOfRecord, recordNumber } from './operation-rows';
import { phrasesOf } from './phrases';
import { remergeRecord } from './record-states';
import { hashOf } from './store-soundness';

/** An operation whose texts are no longer what its hash says. */
export interface AlteredOperation {
  opId: string;
  envelope: string;
  body: string | null;
}

/** What the check of some records found. */
export interface CheckedRecords {
  /** The last record checked; null when there are no more. */
  next: string | null;
  /** Operations that are not as they were written, taken out of the log. */
  altered: AlteredOperation[];
  /** Records whose state was not what the log says, or whose log has changed. */
  mended: string[];
}

/**
 * Check the next records in the order of their ids, in one transaction.
 *
 * An altered operation counts for nothing from here on: it is kept aside in the same transaction,
 * and the caller asks the unit for it again. A state that differs from the merge of its log is made anew. What was
 * dropped from this tablet is not looked at.
 *
 * @param after - the last record checked before, "" to begin
 * @param keepAside - keeps the texts of an altered operation for a person
 */
export function checkRecords(
  database: Database,
  catalogue: Catalogue,
  after: string,
  limit: number,
  keepAside: (altered: AlteredOperation) => void,
): CheckedRecords {
  return database.transaction(() => {
    phrasesOf(database).forget();
    const found: CheckedRecords = { next: null, altered: [], mended: [] };
    const records = database
      .select(
        `SELECT text FROM phrase WHERE text > ?
         AND (EXISTS (SELECT 1 FROM operation WHERE operation.record = phrase.id)
           OR EXISTS (SELECT 1 FROM record_state WHERE record_state.record = phrase.id))
         AND NOT EXISTS (SELECT 1 FROM dropped_record
           WHERE dropped_record.record = phrase.text AND came_later = 0)
         ORDER BY text LIMIT ?`,
        [after, limit],
      )
      .map((row) => String(row.text));
    for (const record of records) {
      const altered = takeOutAltered(database, record);
      altered.forEach(keepAside);
      found.altered.push(...altered);
      const before = shownRows(database, record);
      remergeRecord(database, catalogue, record);
      if (altered.length > 0 || before !== shownRows(database, record)) found.mended.push(record);
    }
    if (records.length === limit) found.next = records.at(-1) ?? null;
    return found;
  });
}

function takeOutAltered(database: Database, record: string): AlteredOperation[] {
  const altered = operationsOfRecord(database, record).filter(
    (operation) => hashOf(asWritten(database, operation)) !== operation.hash,
  );
  for (const operation of altered) deleteOperation(database, operation);
  return altered.map((operation) => ({
    opId: operation.opId,
    envelope: writeEnvelope(operation),
    body: operation.bodyText,
  }));
}

function shownRows(database: Database, record: string): string {
  const number = recordNumber(database, record);
  return JSON.stringify([
    database.select('SELECT * FROM record_state WHERE record = ?', [number]),
    database.select('SELECT * FROM record_parent WHERE record = ? ORDER BY parent', [number]),
  ]);
}
