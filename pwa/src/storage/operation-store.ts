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
import { type RecordState, standingReferences } from '../sync/merge';
import {
  kindOf,
  makeOperation,
  type Operation,
  readBody,
  readOperation,
  referenceOf,
  writeEnvelope,
} from '../sync/operation';
import { placeOperation, type Tip } from '../sync/operation-log';
import type { Database, Row } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { applyMigrations } from './migrations';
import { heldHash, insertOperation, selectOperations } from './operation-rows';
import { rebuildStates, remergeRecord, shownParent, stateOf } from './record-states';

/** Who this device is; `token` is null while it works alone. */
export interface OwnDevice {
  device: string;
  role: 'bedside' | 'booking';
  token: string | null;
  unitName: string;
  streams: string[];
}

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

/** Streams a role writes; the server enforces the same. */
export const STREAMS_OF_ROLE: Record<OwnDevice['role'], readonly string[]> = {
  bedside: ['care', 'booking', 'unit'],
  booking: ['booking', 'unit'],
};

export class OperationStore {
  readonly #database: Database;
  readonly catalogue: Catalogue;

  /** Opens the store and brings its schema and states up to date. */
  constructor(database: Database, catalogue: Catalogue) {
    this.#database = database;
    this.catalogue = catalogue;
    applyMigrations(database);
    if (readMeta<number>(database, 'catalogue') !== catalogue.version) {
      rebuildStates(database, catalogue);
      writeMeta(database, 'catalogue', catalogue.version);
    }
  }

  // --- who this device is -------------------------------------------------------------------

  ownDevice(): OwnDevice | null {
    return readMeta<OwnDevice>(this.#database, 'own_device');
  }

  /** Keep who this device is; `epoch` begins its log when it has none yet. */
  becomeDevice(own: OwnDevice, epoch: string): void {
    this.#database.transaction(() => {
      writeMeta(this.#database, 'own_device', own);
      if (readMeta(this.#database, 'epoch') === null) this.#beginEpoch(epoch);
    });
  }

  /** Begin a new epoch: for a device that cannot prove it continues its own log. */
  beginEpoch(epoch: string): void {
    this.#database.transaction(() => this.#beginEpoch(epoch));
  }

  #beginEpoch(epoch: string): void {
    writeMeta(this.#database, 'epoch', epoch);
    this.#database.exec(`INSERT INTO own_epoch (epoch, counter, hash) VALUES (?, 0, '')`, [epoch]);
  }

  /** Return the end of the own log in the current epoch. */
  tip(): Tip {
    const epoch = readMeta<string>(this.#database, 'epoch') ?? '';
    return this.tipOf(epoch);
  }

  /** Return the end of the own log in one epoch. */
  tipOf(epoch: string): Tip {
    const [row] = this.#database.select('SELECT * FROM own_epoch WHERE epoch = ?', [epoch]);
    return { epoch, counter: Number(row?.counter ?? 0), hash: String(row?.hash ?? '') };
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
    return this.#database.transaction(() => {
      const references = drafts.map((draft) => this.#saveDraft(draft, who, own, circumstances));
      const touched = [...new Set(drafts.map((draft) => draft.record))];
      const records = touched.map((record) =>
        remergeRecord(this.#database, this.catalogue, record),
      );
      return { records, references };
    });
  }

  #saveDraft(
    draft: Draft,
    who: { by: string; tappedBy: string },
    own: OwnDevice,
    { wallMs, newSalt }: SavingCircumstances,
  ): string {
    const [known] = selectOperations(this.#database, 'WHERE draft_id = ?', [draft.draftId]);
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
    const last = readMeta<string>(this.#database, 'last_stamp');
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
    insertOperation(this.#database, operation, draft.draftId, wallMs);
    this.#database.exec('UPDATE own_epoch SET counter = ?, hash = ? WHERE epoch = ?', [
      operation.counter,
      operation.hash,
      operation.epoch,
    ]);
    writeMeta(this.#database, 'last_stamp', operation.stamp);
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
    return this.#database.transaction(() => {
      const touched = new Set<string>();
      let clock = this.#lastStamp();
      for (const [, envelope, body] of rows) {
        const operation = this.#readOrSetAside(envelope, body, stream, wallMs);
        if (operation === null || !this.#takeIn(operation, envelope, wallMs)) continue;
        touched.add(operation.record);
        const stamp = readStamp(operation.stamp);
        if (stamp !== null) clock = takeNotice(clock, stamp, wallMs);
      }
      for (const record of touched) remergeRecord(this.#database, this.catalogue, record);
      if (clock !== null) writeMeta(this.#database, 'last_stamp', writeStamp(clock));
      this.#database.exec(
        `INSERT INTO cursor (stream, after) VALUES (?, ?)
         ON CONFLICT (stream) DO UPDATE SET after = excluded.after`,
        [stream, next],
      );
      return [...touched];
    });
  }

  #lastStamp(): Stamp | null {
    const last = readMeta<string>(this.#database, 'last_stamp');
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
  #takeIn(operation: Operation, envelope: string, wallMs: number): boolean {
    const { device, epoch, counter } = operation;
    const held = heldHash(this.#database, device, epoch, counter);
    if (held !== null) {
      // A pull is partial (LG2 cannot be asked), but a second past under one id is a fork (LG4).
      if (placeOperation(null, operation, held) === 'fork') {
        const sentence = `Two devices wrote as ${device}: ${operation.opId} came in two versions. Both are kept; ask the data manager.`;
        this.setAside('tablet', operation.opId, envelope, operation.bodyText, sentence, wallMs);
        return false;
      }
      if (operation.bodyText === null) return false;
      const [row] = this.#database.select(
        'SELECT body IS NULL AS withheld FROM operation WHERE device = ? AND epoch = ? AND counter = ?',
        [device, epoch, counter],
      );
      if (row?.withheld !== 1) return false;
      this.#database.exec(
        'UPDATE operation SET body = ? WHERE device = ? AND epoch = ? AND counter = ?',
        [operation.bodyText, device, epoch, counter],
      );
      return true;
    }
    insertOperation(this.#database, operation, null, wallMs);
    if (device === this.ownDevice()?.device) this.#noteOwnReturn(operation);
    return true;
  }

  /** An own operation that only the unit still held: this store is an older copy. */
  #noteOwnReturn({ epoch, counter, hash }: Operation): void {
    this.#database.exec(
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
    this.#database.exec(
      `INSERT OR IGNORE INTO quarantine (side, op_id, envelope, body, sentence, found_ms)
       VALUES (?, ?, ?, ?, ?, ?)`,
      [side, opId, envelope, body, sentence, wallMs],
    );
  }

  /** Return how many operations lie in quarantine, and the latest reason. */
  quarantined(): { count: number; sentence: string } {
    const [row] = this.#database.select(
      `SELECT count(*) AS count,
         coalesce((SELECT sentence FROM quarantine ORDER BY id DESC LIMIT 1), '') AS sentence
       FROM quarantine`,
    );
    return { count: Number(row?.count ?? 0), sentence: String(row?.sentence ?? '') };
  }

  // --- what the unit holds ------------------------------------------------------------------

  /** Return the own epochs an exchange has to speak of: the current one, then others unsent. */
  epochsToExchange(): string[] {
    const current = readMeta<string>(this.#database, 'epoch');
    return this.#database
      .select(
        `SELECT epoch FROM own_epoch
         WHERE is_forked = 0 AND (epoch = ? OR counter > held_by_unit) ORDER BY rowid`,
        [current],
      )
      .map((row) => String(row.epoch));
  }

  /** Return the hash at a counter of an own epoch: "" at 0, null where the log ends before. */
  ownHashAt(epoch: string, counter: number): string | null {
    if (counter === 0) return '';
    return heldHash(this.#database, this.ownDevice()?.device ?? '', epoch, counter);
  }

  /** Return how far the unit held an own epoch when last asked. */
  heldByUnit(epoch: string): number {
    const [row] = this.#database.select('SELECT held_by_unit FROM own_epoch WHERE epoch = ?', [
      epoch,
    ]);
    return Number(row?.held_by_unit ?? 0);
  }

  /** Keep how far the unit holds an own epoch. It may go back: a unit restored from a copy. */
  noteHeldByUnit(epoch: string, counter: number): void {
    this.#database.exec('UPDATE own_epoch SET held_by_unit = min(?, counter) WHERE epoch = ?', [
      counter,
      epoch,
    ]);
  }

  /** Mark an own epoch as forked: nothing more is sent from it; work goes on in a new one. */
  markForked(epoch: string, newEpoch: string): void {
    this.#database.transaction(() => {
      this.#database.exec('UPDATE own_epoch SET is_forked = 1 WHERE epoch = ?', [epoch]);
      if (readMeta<string>(this.#database, 'epoch') === epoch) this.#beginEpoch(newEpoch);
    });
  }

  /** Begin a new epoch and read every stream again, own entries too: this is an older copy. */
  beginRecovery(newEpoch: string, behind: string): void {
    this.#database.transaction(() => {
      if (readMeta<string>(this.#database, 'epoch') === behind) this.#beginEpoch(newEpoch);
      this.#database.exec('DELETE FROM cursor', []);
      writeMeta(this.#database, 'is_recovering', true);
    });
  }

  isRecovering(): boolean {
    return readMeta<boolean>(this.#database, 'is_recovering') === true;
  }

  endRecovery(): void {
    writeMeta(this.#database, 'is_recovering', null);
  }

  /** Keep the server's mark; return true when it is another one than before. */
  noteServer(server: string): boolean {
    const before = readMeta<string>(this.#database, 'server');
    if (before !== server) writeMeta(this.#database, 'server', server);
    return before !== null && before !== server;
  }

  /** A sentence about this tablet's own store that a person has to know, "" when none. */
  notice(): string {
    return readMeta<string>(this.#database, 'notice') ?? '';
  }

  giveNotice(sentence: string): void {
    writeMeta(this.#database, 'notice', sentence === '' ? null : sentence);
  }

  hasForkedEpoch(): boolean {
    return this.#database.select('SELECT 1 FROM own_epoch WHERE is_forked = 1').length > 0;
  }

  /** Return up to `limit` own operations of an epoch from a counter on, as they travel. */
  ownOperations(epoch: string, from: number, limit: number): [envelope: string, body: string][] {
    return selectOperations(
      this.#database,
      'WHERE device = ? AND epoch = ? AND counter >= ? ORDER BY counter LIMIT ?',
      [this.ownDevice()?.device ?? '', epoch, from, limit],
    ).map((operation) => [writeEnvelope(operation), operation.bodyText ?? '']);
  }

  cursors(): Record<string, number> {
    return Object.fromEntries(
      this.#database
        .select('SELECT stream, after FROM cursor')
        .map((row) => [String(row.stream), Number(row.after)]),
    );
  }

  /** Read a stream (or all) from its start again: repeats change nothing (LG3). */
  resetCursors(stream: string | null = null): void {
    if (stream === null) this.#database.exec('DELETE FROM cursor', []);
    else this.#database.exec('DELETE FROM cursor WHERE stream = ?', [stream]);
  }

  /** Return how many own operations the unit does not hold, and when the oldest was written. */
  unsent(): { count: number; oldestMs: number | null } {
    const [row] = this.#database.select(
      `SELECT count(*) AS count, min(taken_in_ms) AS oldest FROM (${UNSENT})`,
      [this.ownDevice()?.device ?? ''],
    );
    return {
      count: Number(row?.count ?? 0),
      oldestMs: row?.oldest == null ? null : Number(row.oldest),
    };
  }

  /** Return the records with unsent operations, and the case and patient each lies under. */
  unsentRecords(): string[] {
    const rows = this.#database.select(`SELECT DISTINCT record FROM (${UNSENT})`, [
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

  // --- reading ------------------------------------------------------------------------------

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
    return this.#database
      .select(`SELECT state FROM record_state ${condition} ORDER BY record`, bind)
      .map(stateOf);
  }

  /** Return every operation on a record, oldest first, struck ones included. */
  history(record: string): HistoryEntry[] {
    const operations = selectOperations(
      this.#database,
      'WHERE record = ? ORDER BY stamp, device, epoch, counter',
      [record],
    );
    const standing = standingReferences(operations);
    const own = this.ownDevice()?.device ?? '';
    const held = new Map(
      this.#database
        .select('SELECT epoch, held_by_unit FROM own_epoch')
        .map((row: Row) => [String(row.epoch), Number(row.held_by_unit)]),
    );
    return operations.flatMap((operation) => {
      if (operation.bodyText === null) return [];
      const body = readBody(operation.bodyText);
      const isUnsent =
        operation.device === own && operation.counter > (held.get(operation.epoch) ?? 0);
      return [
        {
          reference: referenceOf(operation),
          stamp: operation.stamp,
          wallMs: readStamp(operation.stamp)?.wallMs ?? 0,
          by: body.by,
          tappedBy: body.tappedBy,
          device: operation.device,
          set: body.set as Record<string, Json>,
          retract: [...body.retract],
          because: body.because,
          isStruck: !standing.has(referenceOf(operation)),
          reached: isUnsent ? ('tablet' as const) : ('unit' as const),
        },
      ];
    });
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
    writeMeta(this.#database, `remembered:${name}`, content);
  }

  recall(name: string): Json {
    return readMeta<Json>(this.#database, `remembered:${name}`);
  }

  /** Make every state anew from the log. */
  rebuild(): void {
    rebuildStates(this.#database, this.catalogue);
  }

  close(): void {
    this.#database.close();
  }
}

const UNSENT = `
  SELECT operation.record, operation.taken_in_ms FROM own_epoch
  JOIN operation ON operation.epoch = own_epoch.epoch AND operation.counter > own_epoch.held_by_unit
  WHERE operation.device = ?`;

function withoutEmpty(over: Record<string, readonly string[]>): Record<string, readonly string[]> {
  return Object.fromEntries(Object.entries(over).filter(([, references]) => references.length > 0));
}
