/**
 * The record on this tablet: the log, its states, and what of it the unit holds.
 *
 * Synchronous over one `Database`; reads no clock and draws no chance. Whatever throws here has
 * changed nothing: each public writer is one transaction.
 */
import type { Draft, HistoryEntry, Json, OpenConflictRow, RecordQuery } from '../ports';
import type { Catalogue } from '../record-catalogue/catalogue';
import type { JsonContent } from '../sync/canonical-text';
import { nextStamp, readStamp, writeStamp } from '../sync/clock';
import { MalformedOperationError, SyncError } from '../sync/errors';
import type { RecordState } from '../sync/merge';
import { kindOf, makeOperation, referenceOf } from '../sync/operation';
import { tell } from '../told';
import { tellTrouble } from './alarm-rows';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { applyMigrations } from './migrations';
import { insertOperation, selectOperations } from './operation-rows';
import { moveTip } from './own-log-rows';
import { type PulledOperation, takeInPage } from './pulled-page';
import { countAside, setAside } from './quarantine';
import { findStates, listShown, listUnsent, readConflicts, readHistory } from './record-reading';
import { rebuildStates, remergeRecord } from './record-states';
import { type OwnDevice, type SignedHeads, STREAMS_OF_ROLE, UnitCopy } from './unit-copy';

export type { PulledRow } from './pulled-page';
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
    if (own === null) throw new SyncError(tell('notSetUp'));
    if (who.by === '' || who.tappedBy === '') {
      throw new SyncError(tell('nobodyTaps'));
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
      throw new MalformedOperationError(tell('draftElsewhere', { draft: draft.draftId }));
    }
    const stream = this.catalogue.streamOf(kindOf(draft.record));
    if (stream === null) {
      throw new MalformedOperationError(tell('unknownKind', { kind: kindOf(draft.record) }));
    }
    if (!STREAMS_OF_ROLE[own.role].includes(stream)) {
      throw new SyncError(tell('noFindings'));
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
    moveTip(this.database, operation);
    writeMeta(this.database, 'last_stamp', operation.stamp);
    return referenceOf(operation);
  }

  // --- taking in what others wrote ----------------------------------------------------------

  /** Take in one page of a pull (EX7); return the records whose state may have changed. */
  applyPulled(
    stream: string,
    rows: readonly PulledOperation[],
    next: number,
    wallMs: number,
    signed: SignedHeads | null = null,
  ): string[] {
    return takeInPage(this, stream, rows, next, wallMs, signed);
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
    setAside(this.database, side, opId, envelope, body, sentence, wallMs);
  }

  /** Return how many operations lie in quarantine, and the latest reason. */
  quarantined(): { count: number; sentence: string } {
    return countAside(this.database);
  }

  /** Tells what waits for a person on this tablet, "" when nothing does (CF5). */
  standingTrouble(): string {
    return tellTrouble(this);
  }

  // --- reading ------------------------------------------------------------------------------

  /** Return the records with unsent operations, and the case and patient each lies under. */
  unsentRecords(): string[] {
    return listUnsent(this.database, this.catalogue, this.ownDevice()?.device ?? '');
  }

  read(query: RecordQuery): RecordState[] {
    return findStates(this.database, this.catalogue, query);
  }

  /** Return the id of every record held here. */
  everyRecord(): string[] {
    return listShown(this.database);
  }

  /** Return every operation on a record, oldest first, struck ones included. */
  history(record: string): HistoryEntry[] {
    return readHistory(this.database, record, this.ownDevice()?.device ?? '');
  }

  conflicts(): OpenConflictRow[] {
    return readConflicts(this.database, this.catalogue);
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
