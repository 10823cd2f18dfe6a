/**
 * Tells the unit how this tablet stands once a round is over (DM-01): what it runs and computes by,
 * what it has not sent, and whether its browser keeps the records. Nobody waits for it.
 */
import type { OperationStore } from '../storage/operation-store';
import { PROTOCOL_VERSION } from '../sync/exchange';
import { isKeyLost, type Signer } from './push-signing';
import { RESTING_MS } from './retry-wait';
import { RefusedError, type UnitRequests } from './unit-requests';

const PATH = '/api/device-standing';
const CANNOT_BE_READ = 422;
/** Told anew this long after the last time: with the next round no row grows older than 5 minutes. */
export const TELL_AGAIN_MS = 5 * 60_000 - 2 * RESTING_MS;

/** What the browser says of the storage; null is what it does not tell. */
export interface StorageFacts {
  isKept: boolean | null;
  usedBytes: number | null;
  quotaBytes: number | null;
}

/** Digest of the rule files that the page computes by, and the civil date they were chosen for. */
export interface RulesTold {
  digest: string;
  on: string;
}

export interface TellingSurroundings {
  nowMs(): number;
  /** Hash of the sources that this app was built from. */
  build: string;
  readStorage(): Promise<StorageFacts>;
  /** Null where the page has not said it yet. */
  rules(): RulesTold | null;
  /** Null where this tablet keeps none. */
  unsentPictures(): number | null;
  signer: Signer | null;
}

interface Told {
  ms: number;
  token: string;
  /** What was told, storage left out. */
  text: string;
  isRefused: boolean;
}

export class StandingTelling {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #around: TellingSurroundings;
  #last: Told | null = null;
  #isTelling = false;

  constructor(store: OperationStore, requests: UnitRequests, around: TellingSurroundings) {
    this.#store = store;
    this.#requests = requests;
    this.#around = around;
  }

  /**
   * Tell where something changed or the last telling grows old; once at a time.
   *
   * A unit that refuses, as one of an older release does by 404, is left alone until then whatever
   * changes. Storage changes with every entry: that alone is nothing to tell.
   *
   * @throws NoAnswerError; the next round tells it
   */
  async tell(): Promise<void> {
    if (this.#isTelling) return;
    this.#isTelling = true;
    try {
      await this.#tell();
    } finally {
      this.#isTelling = false;
    }
  }

  async #tell(): Promise<void> {
    const own = this.#store.ownDevice();
    if (!own?.token || own.waiting || isKeyLost(own, this.#around.signer)) return;
    const storage = await this.#around.readStorage();
    const rules = this.#around.rules();
    const standing = {
      build: this.#around.build,
      catalogue: this.#store.catalogue.version,
      protocol: PROTOCOL_VERSION,
      rules: rules?.digest ?? null,
      rules_on: rules?.on ?? null,
      unsent: this.#store.unsent().count,
      unsent_pictures: this.#around.unsentPictures(),
      is_kept: storage.isKept,
    };
    const next = {
      ms: this.#around.nowMs(),
      token: own.token,
      text: JSON.stringify(standing),
      isRefused: false,
    };
    if (this.#last !== null && isStillGood(this.#last, next)) return;
    try {
      const told = await this.#send(own.token, standing, storage);
      this.#last = next;
      this.#takeName(own.token, told.name);
    } catch (error) {
      if (!(error instanceof RefusedError)) throw error;
      this.#last = { ...next, isRefused: true };
    }
  }

  /** A unit of an older release refuses what names a version of the exchange (EX24). */
  async #send(
    token: string,
    { protocol, ...rest }: { protocol: number },
    { usedBytes, quotaBytes }: StorageFacts,
  ): Promise<{ name?: string }> {
    const content = { ...rest, used_bytes: usedBytes, quota_bytes: quotaBytes };
    try {
      return await this.#requests.post(PATH, token, { ...content, protocol });
    } catch (error) {
      if (!(error instanceof RefusedError) || error.status !== CANNOT_BE_READ) throw error;
      return await this.#requests.post(PATH, token, content);
    }
  }

  /** Take up the name that the unit knows this device by; somebody may have renamed it there. */
  #takeName(token: string, name: string | undefined): void {
    const own = this.#store.ownDevice();
    // Joined anew meanwhile, it was told its name by that.
    if (!name || own?.token !== token || own.name === name) return;
    this.#store.becomeDevice({ ...own, name }, this.#store.tip().epoch);
  }
}

function isStillGood(last: Told, next: Told): boolean {
  const agoMs = next.ms - last.ms;
  // A clock that was put back says nothing of how long ago it was.
  if (last.token !== next.token || agoMs < 0 || agoMs >= TELL_AGAIN_MS) return false;
  return last.isRefused || last.text === next.text;
}
