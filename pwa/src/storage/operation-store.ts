/**
 * The record on this tablet: the log, its states, and what of it the unit holds.
 *
 * Synchronous over one `Database`; reads no clock and draws no chance. Whatever throws here has
 * changed nothing: each public writer is one transaction.
 */
import type { Draft, HistoryEntry, Json, OpenConflictRow, RecordQuery } from '../ports';
import type { Catalogue } from '../record-catalogue/catalogue';
import type { JsonContent } from '../sync/canonical-text';
import { nextStamp, readStamp, type Stamp, takeNotice, writeStamp } from '../sync/clock';
import { listConflicts } from '../sync/conflict';
import { MalformedOperationError, SyncError } from '../sync/errors';
import { findStanding, type RecordState, readHeld } from '../sync/merge';
import {
  kindOf,
  makeOperation,
  type Operation,
  readOperation,
  referenceOf,
  writeEnvelope,
} from '../sync/operation';
import { placeOperation } from '../sync/operation-log';
import type { Database, Row } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { applyMigrations } from './migrations';
import { heldHash, insertOperation, selectOperations } from './operation-rows';
import { rebuildStates, remergeRecord, shownParent, stateOf } from './record-states';
import { type OwnDevice, STREAMS_OF_ROLE, UNSENT, UnitCopy } from './unit-copy';

export { type OwnDevice, STREAMS_OF_ROLE } from './unit-copy';

/** What saving is given from outside: time and chance. */
export interface SavingCircumstances {
  wallMs: number;
  /** Draws 32 hexadecimal digits. */
  newSalt(): string;
}

export interface SavedDrafts {
  records: RecordState[];
  references: string[];
}

/** One operation as it travels: receipt number, envelope, body. */
export type PulledRow = readonly [seq: number, envelope: string, body: string | null];

export class OperationStore extends UnitCopy {
  /** Opens the store and brings its schema and states up to date. */
  constructor(database: Database, catalogue: Catalogue) {
    super(database, catalogue);
    applyMigrations(database);
    if (readMeta<number>(database, 'catalogue') !== catalogue.version) {
      rebuildStates(database, catalogue);
      writeMeta(database, 'catalogue', catalogue.version);
    }
  }

  // --- saving -------------------------------------------------------------------------------

  /**
   * Save all drafts in one transaction. A draft id that was saved before saves nothing new.
   *
   * @throws SyncError with one sentence; nothing was saved
   */
  save(
    drafts: readonly Draft[],
    who: { by: string; tappedBy: string },
    circumstances: SavingCircumstances,
  ): SavedDrafts {
    const own = this.ownDevice();
    if (own === null) throw new SyncError('This device has not been set up. Set it up first.');
    if (who.by === '' || who.tappedBy === '') {
      throw new SyncError('Nobody is named as tapping. Choose who taps, then press again.');
    }
    return this.database.transaction(() => {
      const references = drafts.map((draft) => this.#saveDraft(draft, who, own, circumstances));
      const touched = [...new Set(drafts.map((draft) => draft.record))];
      const records = touched.map((record) => remergeRecord(this.database, this.catalogue, record));
      return { records, references };
    });
  }

  #saveDraft(
    draft: Draft,
    who: { by: string; tappedBy: string },
    own: OwnDevice,
    { wallMs, newSalt }: SavingCircumstances,
  ): string {
    const [known] = selectOperations(this.database, 'WHERE draft_id = ?', [draft.draftId]);
    if (known !== undefined) {
      if (known.record === draft.record) return referenceOf(known);
      throw new MalformedOperationError(
        `The entry ${draft.draftId} was saved for another record. Press again on a fresh control.`,
      );
    }
    const stream = this.catalogue.streamOf(kindOf(draft.record));
    if (stream === null) {
      throw new MalformedOperationError(
        `The app does not know the record kind ${kindOf(draft.record)}. Update it, then save again.`,
      );
    }
    if (!STREAMS_OF_ROLE[own.role].includes(stream)) {
      throw new SyncError('A booking device records no clinical finding. Use a bedside tablet.');
    }
    const tip = this.tip();
    const last = readMeta<string>(this.database, 'last_stamp');
    const stamp = nextStamp(last === null ? null : readStamp(last), wallMs, own.device);
    const operation = makeOperation({
      device: own.device,
      epoch: tip.epoch,
      counter: tip.counter + 1,
      previous: tip.hash,
      stream,
      record: draft.record,
      stamp: writeStamp(stamp),
      body: {
        salt: newSalt(),
        by: who.by,
        tappedBy: who.tappedBy,
        catalogue: this.catalogue.version,
        set: (draft.set ?? {}) as Record<string, JsonContent>,
        over: withoutEmpty(draft.over ?? {}),
        retract: draft.retract ?? [],
        because: draft.because ?? '',
      },
    });
    insertOperation(this.database, operation, draft.draftId, wallMs);
    this.database.exec('UPDATE own_epoch SET counter = ?, hash = ? WHERE epoch = ?', [
      operation.counter,
      operation.hash,
      operation.epoch,
    ]);
    writeMeta(this.database, 'last_stamp', operation.stamp);
    return referenceOf(operation);
  }

  // --- taking in what others wrote ----------------------------------------------------------

  /**
   * Take in one page of a pull: operations and cursor in one transaction (EX7).
   *
   * Each operation is verified first; what cannot be taken in is set aside alone.
   *
   * @returns the records whose state may have changed
   */
  applyPulled(stream: string, rows: readonly PulledRow[], next: number, wallMs: number): string[] {
    return this.database.transaction(() => {
      const touched = new Set<string>();
      let clock = this.#lastStamp();
      const own = this.ownDevice()?.device ?? '';
      for (const [, envelope, body] of rows) {
        const operation = this.#readOrSetAside(envelope, body, stream, wallMs);
        if (operation === null || !this.#takeIn(operation, envelope, own, wallMs)) continue;
        touched.add(operation.record);
        const stamp = readStamp(operation.stamp);
        if (stamp !== null) clock = takeNotice(clock, stamp, wallMs);
      }
      for (const record of touched) remergeRecord(this.database, this.catalogue, record);
      if (clock !== null) writeMeta(this.database, 'last_stamp', writeStamp(clock));
      this.database.exec(
        `INSERT INTO cursor (stream, after) VALUES (?, ?)
         ON CONFLICT (stream) DO UPDATE SET after = excluded.after`,
        [stream, next],
      );
      return [...touched];
    });
  }

  #lastStamp(): Stamp | null {
    const last = readMeta<string>(this.database, 'last_stamp');
    return last === null ? null : readStamp(last);
  }

  #readOrSetAside(
    envelope: string,
    body: string | null,
    stream: string,
    wallMs: number,
  ): Operation | null {
    try {
      const operation = readOperation(envelope, body);
      const expected = this.catalogue.streamOf(kindOf(operation.record));
      if (operation.stream !== stream || (expected !== null && expected !== stream)) {
        throw new MalformedOperationError(
          `${operation.opId} came in stream ${stream}, where it does not belong. Ask the data manager.`,
        );
      }
      return operation;
    } catch (error) {
      if (!(error instanceof SyncError)) throw error;
      const opId = /"op_id":"([^"]{1,80})"/.exec(envelope)?.[1] ?? 'unknown';
      this.setAside('tablet', opId, envelope, body, error.message, wallMs);
      return null;
    }
  }

  /** Return whether the operation was new. */
  #takeIn(operation: Operation, envelope: string, own: string, wallMs: number): boolean {
    const { device, epoch, counter } = operation;
    const held = heldHash(this.database, device, epoch, counter);
    if (held !== null) {
      // A pull is partial (LG2 cannot be asked), but a second past under one id is a fork (LG4).
      if (placeOperation(null, operation, held) === 'fork') {
        if (device === own) {
          this.noteHeldByUnit(epoch, 0);
          return false;
        }
        if (this.hasKnownPutBack()) return this.#takeInstead(operation, wallMs);
        const sentence = `Two devices wrote as ${device}: ${operation.opId} came in two versions. Both are kept; ask the data manager.`;
        this.setAside('tablet', operation.opId, envelope, operation.bodyText, sentence, wallMs);
        return false;
      }
      if (operation.bodyText === null) return false;
      const [row] = this.database.select(
        'SELECT body IS NULL AS withheld FROM operation WHERE device = ? AND epoch = ? AND counter = ?',
        [device, epoch, counter],
      );
      if (row?.withheld !== 1) return false;
      this.database.exec(
        'UPDATE operation SET body = ? WHERE device = ? AND epoch = ? AND counter = ?',
        [operation.bodyText, device, epoch, counter],
      );
      return true;
    }
    if (device === own) {
      const before = heldHash(this.database, device, epoch, counter - 1);
      if (before !== null && before !== operation.previous) {
        // It follows the other branch of a fork: the next handshake settles that first (EX9).
        this.noteHeldByUnit(epoch, 0);
        return false;
      }
      this.#noteOwnReturn(operation);
    }
    insertOperation(this.database, operation, null, wallMs);
    return true;
  }

  /** A unit that was put back holds another version: it takes the place, the one before is kept. */
  #takeInstead(operation: Operation, wallMs: number): boolean {
    const { device, epoch, counter, opId } = operation;
    const condition = 'WHERE device = ? AND epoch = ? AND counter = ?';
    const bind = [device, epoch, counter];
    for (const before of selectOperations(this.database, condition, bind)) {
      const sentence = `Two devices wrote as ${device}: the unit, put back to an older copy, holds another version of ${opId}. Both are kept; ask the data manager.`;
      this.setAside('tablet', opId, writeEnvelope(before), before.bodyText, sentence, wallMs);
    }
    this.database.exec(`DELETE FROM operation ${condition}`, bind);
    insertOperation(this.database, operation, null, wallMs);
    return true;
  }

  /** An own operation that only the unit still held: this store is an older copy. */
  #noteOwnReturn({ epoch, counter, hash }: Operation): void {
    this.database.exec(
      `INSERT INTO own_epoch (epoch, counter, hash, held_by_unit) VALUES (?, ?, ?, ?)
       ON CONFLICT (epoch) DO UPDATE SET
         hash = CASE WHEN excluded.counter > counter THEN excluded.hash ELSE hash END,
         held_by_unit = max(held_by_unit, excluded.counter),
         counter = max(counter, excluded.counter)`,
      [epoch, counter, hash, counter],
    );
  }

  /** Keep an operation that was not taken in, on this tablet or at the unit, with the reason. */
  setAside(
    side: 'tablet' | 'unit',
    opId: string,
    envelope: string,
    body: string | null,
    sentence: string,
    wallMs: number,
  ): void {
    this.database.exec(
      `INSERT OR IGNORE INTO quarantine (side, op_id, envelope, body, sentence, found_ms)
       VALUES (?, ?, ?, ?, ?, ?)`,
      [side, opId, envelope, body, sentence, wallMs],
    );
  }

  /** Return how many operations lie in quarantine, and the latest reason. */
  quarantined(): { count: number; sentence: string } {
    const [row] = this.database.select(
      `SELECT count(*) AS count,
         coalesce((SELECT sentence FROM quarantine ORDER BY id DESC LIMIT 1), '') AS sentence
       FROM quarantine`,
    );
    return { count: Number(row?.count ?? 0), sentence: String(row?.sentence ?? '') };
  }

  // --- reading ------------------------------------------------------------------------------

  /** Return the records with unsent operations, and the case and patient each lies under. */
  unsentRecords(): string[] {
    const rows = this.database.select(`SELECT DISTINCT record FROM (${UNSENT})`, [
      this.ownDevice()?.device ?? '',
    ]);
    const found = new Set<string>();
    for (const row of rows) {
      let record = String(row.record);
      while (record !== '' && !found.has(record)) {
        found.add(record);
        const state = this.read({ kind: kindOf(record), record })[0];
        record = state ? shownParent(state, this.catalogue.parentFieldOf(kindOf(record))) : '';
      }
    }
    return [...found].sort();
  }

  read(query: RecordQuery): RecordState[] {
    if (query.record !== undefined) {
      return this.#states('WHERE record = ? AND kind = ?', [query.record, query.kind]);
    }
    if (query.parent !== undefined) {
      return this.#states(
        'WHERE record IN (SELECT record FROM record_parent WHERE parent = ? AND kind = ?)',
        [query.parent, query.kind],
      );
    }
    return this.#states('WHERE kind = ?', [query.kind]);
  }

  #states(condition: string, bind: readonly string[]): RecordState[] {
    return this.database
      .select(`SELECT state FROM record_state ${condition} ORDER BY record`, bind)
      .map(stateOf);
  }

  /** Return the id of every record held here. */
  everyRecord(): string[] {
    return this.database.select('SELECT record FROM record_state').map((row) => String(row.record));
  }

  /** Return every operation on a record, oldest first, struck ones included. */
  history(record: string): HistoryEntry[] {
    const counted = readHeld(
      selectOperations(this.database, 'WHERE record = ? ORDER BY stamp, device, epoch, counter', [
        record,
      ]),
    );
    const standing = findStanding(counted);
    const own = this.ownDevice()?.device ?? '';
    const held = new Map(
      this.database
        .select('SELECT epoch, held_by_unit FROM own_epoch')
        .map((row: Row) => [String(row.epoch), Number(row.held_by_unit)]),
    );
    return [...counted]
      .map(([reference, { operation, body }]): HistoryEntry => {
        const isUnsent =
          operation.device === own && operation.counter > (held.get(operation.epoch) ?? 0);
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
      .sort((one, other) => (one.stamp < other.stamp ? -1 : one.stamp > other.stamp ? 1 : 0));
  }

  conflicts(): OpenConflictRow[] {
    return this.#states('WHERE has_conflict = 1', [])
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

  /** Keep a small fact of this device alone. */
  remember(name: string, content: Json): void {
    writeMeta(this.database, `remembered:${name}`, content);
  }

  recall(name: string): Json {
    return readMeta<Json>(this.database, `remembered:${name}`);
  }

  /** Make every state anew from the log. */
  rebuild(): void {
    rebuildStates(this.database, this.catalogue);
  }

  close(): void {
    this.database.close();
  }
}

function withoutEmpty(over: Record<string, readonly string[]>): Record<string, readonly string[]> {
  return Object.fromEntries(Object.entries(over).filter(([, references]) => references.length > 0));
}
