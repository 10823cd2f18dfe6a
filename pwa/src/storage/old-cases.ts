/** Old cases between tablet and unit: dropped once in a while, brought back when asked for. */
import { recallCases } from '../network/case-recall';
import type { UnitRequests } from '../network/unit-requests';
import type { Handshake, HandshakeAnswer } from '../sync/exchange';
import { isDroppedCase, wantDropped } from './dropped-rows';
import { dropOldCases, goOnPastDropped } from './dropping';
import type { OperationStore } from './operation-store';

/** Unit setting (project default). */
const BETWEEN_DROPS_MS = 6 * 3_600_000;

interface Surroundings {
  nowMs(): number;
  newEpoch(): string;
  onRecords(records: string[]): void;
}

export class OldCases {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #around: Surroundings;
  /** Cases that were looked at since the app was opened. */
  readonly #looked = new Set<string>();
  #dropAfterMs = 0;

  constructor(store: OperationStore, requests: UnitRequests, around: Surroundings) {
    this.#store = store;
    this.#requests = requests;
    this.#around = around;
  }

  /**
   * Note that somebody looks at a case: it stays.
   *
   * @returns whether it was dropped and has to be asked for (SN6)
   */
  lookAt(record: string): boolean {
    this.#looked.add(record);
    if (!isDroppedCase(this.#store.database, record)) return false;
    wantDropped(this.#store.database, record, record);
    return true;
  }

  /** Ask what time it is at the unit: a tablet's own clock may be years off [HAZ-33]. */
  async #askUnitTime(): Promise<number> {
    const own = this.#store.ownDevice();
    const answer = await this.#requests.post<HandshakeAnswer>(
      '/api/exchange/handshake',
      own?.token ?? null,
      {
        device: own?.device ?? '',
        tip: this.#store.tip(),
        cursors: this.#store.cursors(),
        catalogue: this.#store.catalogue.version,
        wall_ms: this.#around.nowMs(),
      } satisfies Handshake,
    );
    return answer.wall_ms;
  }

  /**
   * Bring back what is waited for and drop what may go (SN5); call it after a round of the
   * exchange.
   *
   * @returns whether a new epoch was begun, which the unit has to hear of (SN7)
   */
  async tidy(): Promise<boolean> {
    const { nowMs, newEpoch, onRecords } = this.#around;
    let isNewEpoch = false;
    try {
      isNewEpoch = goOnPastDropped(this.#store, newEpoch());
      const shown = await recallCases(this.#store, this.#requests, nowMs);
      if (shown.length > 0) onRecords(shown);
      if (nowMs() >= this.#dropAfterMs) {
        const clocks = [nowMs(), await this.#askUnitTime()];
        this.#dropAfterMs = nowMs() + BETWEEN_DROPS_MS;
        const dropped = dropOldCases(this.#store, clocks, this.#looked);
        if (dropped.length > 0) onRecords(dropped);
      }
    } catch {
      // No network, or a disk that refuses: nothing is lost, and the next round tries again.
    }
    return isNewEpoch;
  }
}
