/** Offers a unit that was put back to an older copy what other devices wrote (EX10). */
import { headsOver } from '../storage/head-rows';
import type { OperationStore, OwnDevice } from '../storage/operation-store';
import { MAX_BATCH_BYTES, MAX_BATCH_COUNT } from '../sync/exchange';
import type { Heard } from '../sync/exchange-messages';
import type { OperationCarrier } from './operation-carrier';
import type { UnitRequests } from './unit-requests';

interface ResupplyAnswer {
  held: { device: string; epoch: string; counter: number }[];
}

export class Resupply {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #carrier: OperationCarrier;
  readonly #takesHeads: () => boolean;
  /** How far the unit holds the logs of others, and which of them were offered. */
  #unitHolds = new Map<string, number>();
  readonly #offered = new Set<string>();

  /** @param takesHeads - whether the unit takes the heads that others signed (SG12) */
  constructor(
    store: OperationStore,
    requests: UnitRequests,
    carrier: OperationCarrier,
    takesHeads: () => boolean,
  ) {
    this.#takesHeads = takesHeads;
    this.#store = store;
    this.#requests = requests;
    this.#carrier = carrier;
  }

  /** Offer the next batch of others' operations that the unit lacks, one log at a time. */
  async offer(own: OwnDevice, token: string, after: string): Promise<Heard> {
    const logs = this.#store.otherLogs();
    if (after === '') this.#unitHolds = await this.#askLogs(own, token, logs);
    const [lastLog, lastCounter] = [logOf(after), counterOf(after)];
    for (const [device, epoch] of logs) {
      const log = `${device}.${epoch}`;
      if (this.#offered.has(log) && log !== lastLog) continue;
      const from = Math.max(this.#unitHolds.get(log) ?? 0, log === lastLog ? lastCounter : 0);
      const operations = this.#carrier.fill(from, MAX_BATCH_BYTES, (counter, limit) =>
        this.#store.logOf(device, epoch, counter, limit),
      );
      this.#offered.add(log);
      const last = operations.at(-1);
      if (last === undefined) continue;
      const path = '/api/exchange/resupply';
      const stretch = { first: from + 1, last: last.counter, most: MAX_BATCH_COUNT };
      const heads = this.#takesHeads()
        ? headsOver(this.#store.database, [device, epoch], stretch)
        : [];
      await this.#carrier.send(path, token, own.device, operations, async () =>
        heads.length === 0 ? {} : { heads },
      );
      return { kind: 'offered', last: last.opId };
    }
    this.#offered.clear();
    return { kind: 'offered', last: '' };
  }

  async #askLogs(
    own: OwnDevice,
    token: string,
    logs: [device: string, epoch: string][],
  ): Promise<Map<string, number>> {
    this.#offered.clear();
    const held = new Map<string, number>();
    for (let start = 0; start < logs.length; start += MAX_BATCH_COUNT) {
      const answer = await this.#requests.post<ResupplyAnswer>('/api/exchange/resupply', token, {
        device: own.device,
        logs: logs.slice(start, start + MAX_BATCH_COUNT),
      });
      for (const { device, epoch, counter } of answer.held) {
        // Beginning with the last that both hold: where it is another one there, the unit tells of
        // two versions (EX19).
        const shared = Math.min(counter, this.#store.lastCounterOf(device, epoch));
        held.set(`${device}.${epoch}`, Math.max(shared - 1, 0));
      }
    }
    return held;
  }
}

/** Return the counter in an operation id. */
export function counterOf(opId: string): number {
  return Number(opId.split('.').at(-1));
}

function logOf(opId: string): string {
  return opId.split('.').slice(0, 2).join('.');
}
