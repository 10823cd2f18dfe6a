/** Own and others' operations out to a bundle, and a bundle in by the rules of the exchange. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { Signer } from '../network/push-signing';
import type { TakenIn } from '../ports';
import { readStamp, type Stamp, takeNotice, writeStamp } from '../sync/clock';
import { MalformedOperationError, SyncError } from '../sync/errors';
import { kindOf, type Operation, readBody, readOperation, writeEnvelope } from '../sync/operation';
import { placeOperation } from '../sync/operation-log';
import { writeHeadText } from '../sync/signing';
import type { Bundle, HeadSignature } from './bundle';
import type { Database } from './database';
import { showWholeCases } from './dropping';
import { readMeta, writeMeta } from './meta-rows';
import { heldHash, insertOperation, selectOperations } from './operation-rows';
import { type OperationStore, STREAMS_OF_ROLE } from './operation-store';
import { remergeRecord } from './record-states';

const SERVER_DEVICE = 'unit-server';

const OF_UNSENT = `WHERE body IS NOT NULL AND device = ? AND counter >
  coalesce((SELECT held_by_unit FROM own_epoch WHERE own_epoch.epoch = operation.epoch), 0)
  ORDER BY device, epoch, counter`;

/**
 * Return what this tablet holds, or of its own what the unit does not hold, as a bundle.
 *
 * Bodies that were dropped here are at the unit and are left out.
 */
export function collectBundle(
  store: OperationStore,
  scope: 'all' | 'unsent',
  madeAtMs: number,
): Bundle {
  const device = store.ownDevice()?.device ?? '';
  const operations =
    scope === 'unsent'
      ? selectOperations(store.database, OF_UNSENT, [device])
      : selectOperations(
          store.database,
          'WHERE body IS NOT NULL ORDER BY device, epoch, counter',
          [],
        );
  return {
    manifest: {
      madeBy: device,
      madeAtMs,
      scope,
      streams: [...new Set(operations.map((one) => one.stream))].sort(),
    },
    operations: operations.map((one) => [writeEnvelope(one), one.bodyText ?? ''] as const),
    signatures: [],
  };
}

/**
 * Sign where the own log ends in the current epoch, so that the unit need not take anybody's word
 * (BU6); nothing is signed without the key that the unit knows.
 */
export async function signOwnHead(
  store: OperationStore,
  signer: Signer | null,
): Promise<HeadSignature[]> {
  const own = store.ownDevice();
  const head = store.tip();
  if (own === null || signer === null || own.key !== signer.publicKey || head.counter === 0) {
    return [];
  }
  const signature = await signer.sign(writeHeadText(own.device, head));
  const key = bytesToHex(sha256(Uint8Array.from(atob(own.key), (one) => one.charCodeAt(0))));
  return [[own.device, head.epoch, head.counter, head.hash, key, signature]];
}

/**
 * Take in a bundle in one transaction (BU3, BU4, BU5).
 *
 * @throws SyncError when this device was not set up; nothing was taken in
 */
export function takeInBundle(store: OperationStore, bundle: Bundle, wallMs: number): TakenIn {
  if (store.ownDevice() === null) {
    throw new SyncError('This device has not been set up. Set it up, then open the file again.');
  }
  return store.database.transaction(() => {
    const receiver = new BundleReceiver(store, wallMs);
    for (const [envelope, body] of bundle.operations) receiver.take(envelope, body);
    return receiver.close();
  });
}

/** What only the unit server may say (RL12): from a file nobody can tell who said it. */
function speaksForServer({ record, bodyText }: Operation): boolean {
  const { set, over, retract } = readBody(bodyText ?? '');
  const isLive = kindOf(record) === 'site' && ('live_from' in set || 'live_from' in over);
  const takesBack = retract.some((reference) => reference.startsWith(`${SERVER_DEVICE}.`));
  return kindOf(record) === 'rule_file_release' || isLive || takesBack;
}

class BundleReceiver {
  readonly #store: OperationStore;
  readonly #database: Database;
  readonly #wallMs: number;
  readonly #own: string;
  readonly #streams: readonly string[];
  readonly #touched = new Set<string>();
  readonly #result: TakenIn = { records: [], known: 0, taken: 0, waiting: 0, left: 0, setAside: 0 };
  #clock: Stamp | null;

  constructor(store: OperationStore, wallMs: number) {
    this.#store = store;
    this.#database = store.database;
    this.#wallMs = wallMs;
    const own = store.ownDevice();
    this.#own = own?.device ?? '';
    this.#streams = own === null ? [] : STREAMS_OF_ROLE[own.role];
    const last = readMeta<string>(this.#database, 'last_stamp');
    this.#clock = last === null ? null : readStamp(last);
  }

  take(envelope: string, body: string): void {
    let operation: Operation;
    try {
      operation = readOperation(envelope, body);
      const expected = this.#store.catalogue.streamOf(kindOf(operation.record));
      if (expected !== null && expected !== operation.stream) {
        throw new MalformedOperationError(
          `${operation.opId} came in stream ${operation.stream}, where it does not belong. Ask the data manager.`,
        );
      }
    } catch (error) {
      if (!(error instanceof SyncError)) throw error;
      const opId = /"op_id":"([^"]{1,80})"/.exec(envelope)?.[1] ?? 'unknown';
      this.#setAside(opId, envelope, body, error.message);
      return;
    }
    if (operation.device === SERVER_DEVICE || !this.#streams.includes(operation.stream)) {
      this.#result.left += 1;
    } else if (speaksForServer(operation)) {
      const sentence = `${operation.opId} speaks for the unit server, which no file may. It is kept aside for the data manager.`;
      this.#setAside(operation.opId, envelope, body, sentence);
    } else if (operation.device === this.#own) this.#takeOwn(operation);
    else this.#takeOthers(operation);
  }

  close(): TakenIn {
    for (const record of this.#touched) {
      remergeRecord(this.#database, this.#store.catalogue, record);
    }
    for (const record of showWholeCases(this.#store)) this.#touched.add(record);
    if (this.#clock !== null) writeMeta(this.#database, 'last_stamp', writeStamp(this.#clock));
    return { ...this.#result, records: [...this.#touched] };
  }

  /** The own log has no gaps, and only the unit says what it holds of it. */
  #takeOwn(operation: Operation): void {
    const { device, epoch, counter, hash } = operation;
    const tip = this.#store.tipOf(epoch);
    const place = placeOperation(tip, operation, heldHash(this.#database, device, epoch, counter));
    if (place === 'gap') {
      this.#result.waiting += 1;
      return;
    }
    if (place === 'next') {
      this.#database.exec(
        `INSERT INTO own_epoch (epoch, counter, hash) VALUES (?, ?, ?)
         ON CONFLICT (epoch) DO UPDATE SET counter = excluded.counter, hash = excluded.hash`,
        [epoch, counter, hash],
      );
    }
    this.#keep(operation, place);
  }

  /** A tablet holds parts of others' logs, so a gap cannot be asked; two pasts can be seen. */
  #takeOthers(operation: Operation): void {
    const { device, epoch, counter, hash, previous } = operation;
    const held = heldHash(this.#database, device, epoch, counter);
    const before = counter === 1 ? '' : heldHash(this.#database, device, epoch, counter - 1);
    const [after] = this.#database.select(
      'SELECT previous FROM operation WHERE device = ? AND epoch = ? AND counter = ?',
      [device, epoch, counter + 1],
    );
    const isOther =
      held === null
        ? (before !== null && before !== previous) ||
          (after !== undefined && bytesToHex(after.previous as Uint8Array) !== hash)
        : held !== hash;
    this.#keep(operation, isOther ? 'fork' : held === null ? 'next' : 'held');
  }

  #keep(operation: Operation, place: 'next' | 'held' | 'fork'): void {
    if (place === 'fork') {
      const sentence = `Two devices wrote as ${operation.device}: ${operation.opId} came in two versions. Both are kept; ask the data manager.`;
      this.#setAside(operation.opId, writeEnvelope(operation), operation.bodyText, sentence);
      return;
    }
    if (place === 'held' && !this.#fillIn(operation)) {
      this.#result.known += 1;
      return;
    }
    if (place === 'next') insertOperation(this.#database, operation, null, this.#wallMs);
    this.#result.taken += 1;
    this.#touched.add(operation.record);
    const stamp = readStamp(operation.stamp);
    if (stamp === null) return;
    // What this device issued itself always counts for its next stamp (HC2).
    const wallMs = operation.device === this.#own ? stamp.wallMs : this.#wallMs;
    this.#clock = takeNotice(this.#clock, stamp, wallMs);
  }

  /** Fill in the body of an operation whose envelope alone is held; false when it was there. */
  #fillIn({ device, epoch, counter, bodyText }: Operation): boolean {
    const [row] = this.#database.select(
      `UPDATE operation SET body = ? WHERE body IS NULL
       AND device = ? AND epoch = ? AND counter = ? RETURNING 1`,
      [bodyText, device, epoch, counter],
    );
    return row !== undefined;
  }

  #setAside(opId: string, envelope: string, body: string | null, sentence: string): void {
    this.#result.setAside += 1;
    this.#store.setAside('tablet', opId, envelope, body, sentence, this.#wallMs);
  }
}
