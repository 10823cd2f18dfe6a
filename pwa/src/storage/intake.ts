/**
 * Taking in what was written elsewhere, from a page of a pull or from a file: each operation is
 * verified, what cannot be taken in is set aside alone, and what was touched is merged once.
 *
 * Whoever uses it decides which of them belong into the log; the caller holds a transaction.
 */
import type { Catalogue } from '../record-catalogue/catalogue';
import { readStamp, type Stamp, takeNotice, writeStamp } from '../sync/clock';
import { MalformedOperationError, SyncError } from '../sync/errors';
import { kindOf, type Operation, readOperation, writeEnvelope } from '../sync/operation';
import { tell } from '../told';
import type { Database } from './database';
import { carryOutErasures } from './erased-records';
import { isErased, withheldIfErased } from './erased-rows';
import { readMeta, writeMeta } from './meta-rows';
import { fillInBody, insertOperation, recordNumber } from './operation-rows';
import type { OwnDevice } from './operation-store';
import { NO_PHRASE } from './phrases';
import { setAside } from './quarantine';
import { remergeRecord } from './record-states';

export class Intake {
  readonly #database: Database;
  readonly #catalogue: Catalogue;
  readonly #wallMs: number;
  /** Records to merge, with all their operations where all came this way. */
  readonly #touched = new Map<string, Operation[] | null>();
  #last: Operation | null = null;
  #clock: Stamp | null;

  /** @param wallMs - wall clock, milliseconds since 1970-01-01T00:00Z */
  constructor(database: Database, catalogue: Catalogue, wallMs: number) {
    this.#database = database;
    this.#catalogue = catalogue;
    this.#wallMs = wallMs;
    const last = readMeta<string>(database, 'last_stamp');
    this.#clock = last === null ? null : readStamp(last);
  }

  /**
   * Return the operation that two texts hold, null when they were set aside.
   *
   * @param stream - the one it came in; null when what carried it says none
   */
  read(envelope: string, body: string | null, stream: string | null): Operation | null {
    try {
      return this.#ofStream(readOperation(envelope, body), stream);
    } catch (error) {
      if (!(error instanceof SyncError)) throw error;
      const opId = /"op_id":"([^"]{1,80})"/.exec(envelope)?.[1] ?? 'unknown';
      this.setAside(opId, envelope, body, error.message);
      return null;
    }
  }

  /** Return an operation that was read already, null when it was set aside. */
  accept(operation: Operation, stream: string): Operation | null {
    try {
      return this.#ofStream(operation, stream);
    } catch (error) {
      if (!(error instanceof SyncError)) throw error;
      const { opId, bodyText } = operation;
      this.setAside(opId, writeEnvelope(operation), bodyText, error.message);
      return null;
    }
  }

  #ofStream(operation: Operation, stream: string | null): Operation {
    const came = stream ?? operation.stream;
    const expected = this.#catalogue.streamOf(kindOf(operation.record));
    if (operation.stream === came && (expected === null || expected === came)) return operation;
    throw new MalformedOperationError(tell('otherStream', { entry: operation.opId, stream: came }));
  }

  /** Put an operation into its free place of the log. */
  insert(given: Operation): void {
    const operation = withheldIfErased(this.#database, given);
    const { record } = operation;
    const known = this.#touched.get(record);
    if (known) known.push(operation);
    else if (known === undefined) {
      const isNew = recordNumber(this.#database, record) === NO_PHRASE;
      this.#touched.set(record, isNew ? [operation] : null);
    }
    insertOperation(this.#database, operation, null, this.#wallMs, this.#last);
    this.#last = operation;
  }

  /** Fill in the body of an operation whose envelope alone is held; false when it was there. */
  fillIn(operation: Operation): boolean {
    const isFilled = fillInBody(this.#database, withheldIfErased(this.#database, operation));
    if (isFilled) this.touch(operation.record);
    return isFilled;
  }

  /** Merge a record anew although nothing came for it. */
  touch(record: string): void {
    this.#touched.set(record, null);
  }

  /** Count the stamp of an operation for the next own one (HC2, HC4). */
  notice({ stamp }: Operation, isOwn: boolean): void {
    const read = readStamp(stamp);
    if (read === null) return;
    // What this device issued itself always counts for its next stamp.
    this.#clock = takeNotice(this.#clock, read, isOwn ? read.wallMs : this.#wallMs);
  }

  /** Keep the second of two pasts under one id aside (LG4). */
  setForkAside(operation: Operation): void {
    const { device, opId, bodyText } = operation;
    const sentence = tell('twoVersions', { device, entry: opId });
    this.setAside(opId, writeEnvelope(operation), bodyText, sentence);
  }

  setAside(opId: string, envelope: string, body: string | null, sentence: string): void {
    const [, record = ''] = /"record":"([^"]{1,110})"/.exec(envelope) ?? [];
    const kept = isErased(this.#database, record) ? null : body;
    setAside(this.#database, 'tablet', opId, envelope, kept, sentence, this.#wallMs);
  }

  /** Merge what was touched and keep the clock; return the records whose state may have changed. */
  close(): string[] {
    for (const [record, all] of this.#touched) {
      remergeRecord(this.#database, this.#catalogue, record, all);
    }
    if (this.#clock !== null) writeMeta(this.#database, 'last_stamp', writeStamp(this.#clock));
    const own = readMeta<OwnDevice>(this.#database, 'own_device')?.device ?? '';
    const touched = [...this.#touched.keys()];
    return [...touched, ...carryOutErasures(this.#database, own, touched)];
  }
}
