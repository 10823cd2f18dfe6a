/** Own and others' operations out to a bundle, and a bundle in by the rules of the exchange. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { Signer } from '../network/push-signing';
import type { TakenIn } from '../ports';
import { SyncError } from '../sync/errors';
import { kindOf, type Operation, readBody, writeEnvelope } from '../sync/operation';
import { placeOperation } from '../sync/operation-log';
import { type CarriedHead, writeHeadText } from '../sync/signing';
import { tell } from '../told';
import type { Bundle, HeadSignature } from './bundle';
import { showWholeCases } from './dropping';
import { keepHeads } from './head-rows';
import { Intake } from './intake';
import { heldHash, operationAt, selectOperations } from './operation-rows';
import { type OperationStore, STREAMS_OF_ROLE } from './operation-store';
import { readOwnLogs } from './own-log-rows';

const SERVER_DEVICE = 'unit-server';

/** What lies here whole, each log in its own order, one log after the other. */
const WHOLE = `JOIN phrase ON phrase.id = operation.log
  WHERE body IS NOT NULL ORDER BY phrase.text, counter`;

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
  const held = new Map(readOwnLogs(store.database).map((log) => [log.epoch, log.heldByUnit]));
  const operations = selectOperations(store.database, WHOLE, []).filter(
    (one) => scope === 'all' || (one.device === device && one.counter > (held.get(one.epoch) ?? 0)),
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
    throw new SyncError(tell('fileNotSetUp'));
  }
  return store.database.transaction(() => {
    const receiver = new BundleReceiver(store, wallMs);
    for (const [envelope, body] of bundle.operations) receiver.take(envelope, body);
    keepHeads(store.database, othersHeads(bundle, store.ownDevice()?.device ?? ''));
    return receiver.close();
  });
}

/** Return the heads that other devices signed, as they travel (SG12). */
function othersHeads({ signatures }: Bundle, own: string): CarriedHead[] {
  return signatures
    .filter(([device]) => device !== own)
    .map(([device, epoch, counter, hash, , signature]) => [
      device,
      epoch,
      counter,
      hash,
      signature,
    ]);
}

/** What only the unit server may say (RL12): from a file nobody can tell who said it. */
function speaksForServer({ record, bodyText }: Operation): boolean {
  const { set, over, retract } = readBody(bodyText ?? '');
  const isLive = kindOf(record) === 'site' && ('live_from' in set || 'live_from' in over);
  const takesBack = retract.some((reference) => reference.startsWith(`${SERVER_DEVICE}.`));
  const isAlone = kindOf(record) === 'rule_file_release' || kindOf(record) === 'erasure';
  return isAlone || isLive || takesBack;
}

class BundleReceiver {
  readonly #store: OperationStore;
  readonly #intake: Intake;
  readonly #own: string;
  readonly #streams: readonly string[];
  readonly #result: TakenIn = { records: [], known: 0, taken: 0, waiting: 0, left: 0, setAside: 0 };

  constructor(store: OperationStore, wallMs: number) {
    this.#store = store;
    this.#intake = new Intake(store.database, store.catalogue, wallMs);
    const own = store.ownDevice();
    this.#own = own?.device ?? '';
    this.#streams = own === null ? [] : STREAMS_OF_ROLE[own.role];
  }

  take(envelope: string, body: string): void {
    const operation = this.#intake.read(envelope, body, null);
    if (operation === null) {
      this.#result.setAside += 1;
    } else if (operation.device === SERVER_DEVICE || !this.#streams.includes(operation.stream)) {
      this.#result.left += 1;
    } else if (speaksForServer(operation)) {
      const sentence = tell('forServer', { entry: operation.opId });
      this.#result.setAside += 1;
      this.#intake.setAside(operation.opId, envelope, body, sentence);
    } else if (operation.device === this.#own) this.#takeOwn(operation);
    else this.#takeOthers(operation);
  }

  close(): TakenIn {
    const touched = this.#intake.close();
    const shown = showWholeCases(this.#store);
    return { ...this.#result, records: [...new Set([...touched, ...shown])] };
  }

  /** The own log has no gaps, and only the unit says what it holds of it. */
  #takeOwn(operation: Operation): void {
    const { device, epoch, counter, hash } = operation;
    const { database } = this.#store;
    const tip = this.#store.tipOf(epoch);
    const place = placeOperation(tip, operation, heldHash(database, device, epoch, counter));
    if (place === 'gap') {
      this.#result.waiting += 1;
      return;
    }
    if (place === 'next') {
      database.exec(
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
    const { database } = this.#store;
    const held = heldHash(database, device, epoch, counter);
    const before = counter === 1 ? '' : heldHash(database, device, epoch, counter - 1);
    const after = operationAt(database, { device, epoch, counter: counter + 1 });
    const isOther =
      held === null
        ? (before !== null && before !== previous) || (after !== null && after.previous !== hash)
        : held !== hash;
    if (held === null && !isOther) this.#store.noteTakenFile();
    this.#keep(operation, isOther ? 'fork' : held === null ? 'next' : 'held');
  }

  #keep(operation: Operation, place: 'next' | 'held' | 'fork'): void {
    if (place === 'fork') {
      this.#result.setAside += 1;
      this.#intake.setForkAside(operation);
      return;
    }
    if (place === 'held' && !this.#intake.fillIn(operation)) {
      this.#result.known += 1;
      return;
    }
    if (place === 'next') this.#intake.insert(operation);
    this.#result.taken += 1;
    this.#intake.notice(operation, operation.device === this.#own);
  }
}
