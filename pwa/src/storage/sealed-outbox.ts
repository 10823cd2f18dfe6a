/**
 * What a locked tablet sends: entries that were sealed for the unit while it was open [SEC-14].
 *
 * Nothing here needs the data key, and nothing here reads a word of what was recorded. What the
 * unit has taken in is noted in the copy; the next start of the open store takes it from there.
 */
import { type Signer, signBatch } from '../network/push-signing';
import { base64Of } from '../network/sealing';
import { NoAnswerError, RefusedError, type UnitRequests } from '../network/unit-requests';
import type { Tip } from '../sync/operation-log';
import { tell } from '../told';
import type { CopyShelf, ProtectedEntry, ShelfContent } from './copy-shelf';
import type { OwnDevice } from './operation-store';
import type { CopyHead, OwnLog } from './second-copy';

/** What one request carries at most: as base64 it stays below what the unit reads of any request. */
const MOST_ENTRIES = 100;
const MOST_BYTES = 128 * 1024;

export interface Unsent {
  count: number;
  oldestMs: number | null;
}

export type OutboxAnswer =
  | { kind: 'done' }
  | { kind: 'no-network' }
  | { kind: 'refused'; sentence: string };

/** A tip is all that is asked of the answer: what was set aside is told at the unit. */
interface PushAnswer {
  tip: Tip;
}

export class SealedOutbox {
  readonly #shelves: readonly CopyShelf[];
  readonly #requests: UnitRequests;
  readonly #signer: Signer | null;
  readonly #own: OwnDevice | null;

  /** @param own - who this device is: an emergency case is written without its token */
  constructor(
    shelves: readonly CopyShelf[],
    requests: UnitRequests,
    signer: Signer | null,
    own: OwnDevice | null = null,
  ) {
    this.#shelves = shelves;
    this.#requests = requests;
    this.#signer = signer;
    this.#own = own;
  }

  /** How many entries the unit does not hold, as far as the copies know. */
  async unsent(): Promise<Unsent> {
    const found = await Promise.all(
      this.#shelves.map(async (shelf) => countUnsent(await shelf.read())),
    );
    const oldest = found.flatMap(({ oldestMs }) => (oldestMs === null ? [] : [oldestMs]));
    return {
      count: found.reduce((total, { count }) => total + count, 0),
      oldestMs: oldest.length === 0 ? null : Math.min(...oldest),
    };
  }

  /**
   * Send what is sealed, log by log, each in its order; one that is refused holds up no other.
   *
   * @param stop - gives up the request on its way; nothing of it is noted then
   * @throws an error where a copy could not be read, after the others were sent
   */
  async run(stop?: AbortSignal): Promise<OutboxAnswer> {
    const refusals: RefusedError[] = [];
    const failures: unknown[] = [];
    for (const shelf of this.#shelves) {
      try {
        const { head } = await shelf.read();
        for (const { epoch, isForked } of head?.logs ?? []) {
          if (!isForked) await this.#sendLog(shelf, epoch, refusals, stop);
        }
      } catch (error) {
        if (error instanceof NoAnswerError) return { kind: 'no-network' };
        failures.push(error);
      }
    }
    if (failures.length > 0) throw failures[0];
    const [refusal] = refusals;
    return refusal === undefined
      ? { kind: 'done' }
      : { kind: 'refused', sentence: refusal.message };
  }

  async #sendLog(
    shelf: CopyShelf,
    epoch: string,
    refusals: RefusedError[],
    stop?: AbortSignal,
  ): Promise<void> {
    try {
      while (await this.#sendNext(shelf, epoch, stop));
    } catch (error) {
      if (!(error instanceof RefusedError)) throw error;
      refusals.push(error);
    }
  }

  /** Send the next entries of a log; says whether there may be more. */
  async #sendNext(shelf: CopyShelf, epoch: string, stop?: AbortSignal): Promise<boolean> {
    requireNotStopped(stop);
    const { head, entries } = await shelf.read();
    const own = this.#senderOf(head);
    const log = head?.logs?.find((one) => one.epoch === epoch);
    if (!head || !own?.token || log === undefined) return false;
    const batch = nextOf(log, entries);
    if (batch.length === 0) return false;
    if (own.key !== undefined && own.key !== this.#signer?.publicKey) {
      throw new RefusedError(422, tell('keyLost'));
    }
    const links = batch.map((entry) => ({ device: own.device, ...entry }));
    const signer = own.key === undefined ? null : this.#signer;
    const content = {
      device: own.device,
      entries: batch.map(({ counter, sealed }) => [
        epoch,
        counter,
        base64Of(sealed ?? new Uint8Array()),
      ]),
      ...(signer && { signature: await signBatch(signer, own.device, links) }),
    };
    const { tip } = await this.#requests.post<PushAnswer>(
      '/api/exchange/sealed',
      own.token,
      content,
      signer && { device: own.device, signer },
      stop,
    );
    requireNotStopped(stop);
    if (tip.epoch !== epoch || tip.counter <= log.heldByUnit) return false;
    await this.#noteHeld(shelf, head, log, tip.counter);
    return true;
  }

  /** An emergency case knows its device; what the unit knows that one by lies with the records. */
  #senderOf(head: CopyHead | null): OwnDevice | null {
    const own = head?.own ?? null;
    if (own === null || own.token !== null || own.device !== this.#own?.device) return own;
    return { ...own, token: this.#own.token };
  }

  async #noteHeld(shelf: CopyShelf, head: CopyHead, log: OwnLog, counter: number): Promise<void> {
    const heldByUnit = Math.min(counter, log.counter);
    const logs = (head.logs ?? []).map((one) =>
      one.epoch === log.epoch ? { ...one, heldByUnit } : one,
    );
    // The last one that is held stays: a handshake compares its hash (EX2).
    const drop = [{ epoch: log.epoch, before: Math.max(1, heldByUnit) }];
    await shelf.write({ head: { ...head, logs }, add: [], drop });
  }
}

function requireNotStopped(stop?: AbortSignal): void {
  if (stop?.aborted) throw new NoAnswerError(tell('unreachable'));
}

/**
 * Count what of a copy the unit does not hold.
 *
 * @param which - `closed` leaves out what an earlier version of the app wrote plain
 */
export function countUnsent({ head, entries, plain }: ShelfContent, which?: 'closed'): Unsent {
  const held = new Map((head?.logs ?? []).map((log) => [log.epoch, log.heldByUnit]));
  const unsent = [...entries, ...(which === 'closed' ? [] : plain)].filter(
    ({ epoch, counter }) => counter > (held.get(epoch) ?? 0),
  );
  const oldestMs = unsent.reduce<number | null>(
    (oldest, { takenInMs }) => Math.min(oldest ?? takenInMs, takenInMs),
    null,
  );
  return { count: unsent.length, oldestMs };
}

/** The entries after what the unit holds, without a gap, as many as one request takes. */
function nextOf({ epoch, heldByUnit }: OwnLog, entries: readonly ProtectedEntry[]) {
  const inOrder = entries
    .filter((entry) => entry.epoch === epoch && entry.counter > heldByUnit)
    .sort((one, other) => one.counter - other.counter);
  const batch: ProtectedEntry[] = [];
  let bytes = 0;
  for (const entry of inOrder) {
    const follows = entry.counter === heldByUnit + batch.length + 1;
    if (!follows || entry.sealed === null || batch.length === MOST_ENTRIES) break;
    bytes += entry.sealed.length;
    if (batch.length > 0 && bytes > MOST_BYTES) break;
    batch.push(entry);
  }
  return batch;
}
