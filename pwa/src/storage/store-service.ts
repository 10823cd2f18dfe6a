/**
 * `RecordStore` on the worker's side: answers calls, and keeps the exchange going in between.
 *
 * Everything of the browser comes in as an argument, so that the tests run it as it is.
 */

import { ExchangeClient } from '../network/exchange-client';
import { retryWaitMs } from '../network/retry-wait';
import { readEvents } from '../network/unit-events';
import type { UnitRequests } from '../network/unit-requests';
import type {
  DeviceStanding,
  Draft,
  ExchangeStanding,
  HistoryEntry,
  Json,
  OpenConflictRow,
  PlanChecksAnswer,
  RecordQuery,
  RecordState,
  SaveAnswer,
} from '../ports';
import { SyncError } from '../sync/errors';
import { type HighWaterMark, judgeMark } from './high-water-mark';
import { type OperationStore, type OwnDevice, STREAMS_OF_ROLE } from './operation-store';

export interface ServiceSurroundings {
  nowMs(): number;
  newSalt(): string;
  newEpoch(): string;
  newDeviceId(): string;
  /** A fraction from 0 to 1. */
  chance(): number;
  /** Call once after so many milliseconds; returns how to call it off. */
  later(waitMs: number, work: () => void): () => void;
  readMark(): Promise<HighWaterMark | null>;
  writeMark(mark: HighWaterMark): Promise<void>;
  onRecords(records: string[]): void;
  onExchange(standing: ExchangeStanding): void;
}

const SOON_MS = 300;

export class StoreService {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #around: ServiceSurroundings;
  readonly #client: ExchangeClient;
  #callOff: () => void = () => {};
  #isListening = false;
  #isWritingMark = false;

  constructor(store: OperationStore, requests: UnitRequests, around: ServiceSurroundings) {
    this.#store = store;
    this.#requests = requests;
    this.#around = around;
    this.#client = new ExchangeClient(store, requests, {
      nowMs: around.nowMs,
      newEpoch: around.newEpoch,
      newDeviceId: around.newDeviceId,
      onRecords: around.onRecords,
      onStanding: around.onExchange,
    });
  }

  /** Compare the log with its mark, then begin to exchange. */
  async start(): Promise<DeviceStanding | null> {
    const own = this.#store.ownDevice();
    const mark = await this.#around.readMark();
    const verdict = judgeMark(own?.device ?? null, own ? this.#store.tip() : null, mark);
    if (verdict === 'new-epoch') this.#store.beginEpoch(this.#around.newEpoch());
    if (verdict === 'store-lost') {
      this.#store.giveNotice(
        `The records that this tablet held as ${mark?.device} are gone from its disk. What had reached the unit comes back after joining it. Tell the data manager.`,
      );
    }
    this.#keepMark();
    this.#schedule(0);
    return standingOf(own);
  }

  save(drafts: readonly Draft[], who: { by: string; tappedBy: string }): SaveAnswer {
    try {
      const { records, references } = this.#store.save(drafts, who, {
        wallMs: this.#around.nowMs(),
        newSalt: this.#around.newSalt,
      });
      this.#keepMark();
      // After the answer, so that the screen that saved hears its own answer first.
      this.#around.later(0, () => {
        this.#around.onRecords(records.map((state) => state.record));
        this.#around.onExchange(this.#client.standing());
      });
      this.#schedule(SOON_MS);
      return { kind: 'saved', records, references };
    } catch (error) {
      const why = error instanceof Error ? error.message : String(error);
      return {
        kind: 'not-saved',
        sentence:
          error instanceof SyncError
            ? `NOT SAVED. ${why}`
            : `NOT SAVED. The tablet's disk refused (${why}). Note it on paper, free some space, then press again.`,
      };
    }
  }

  read(query: RecordQuery): RecordState[] {
    return this.#store.read(query);
  }

  history(record: string): HistoryEntry[] {
    return this.#store.history(record);
  }

  conflicts(): OpenConflictRow[] {
    return this.#store.conflicts();
  }

  async planChecks(): Promise<PlanChecksAnswer> {
    const token = this.#store.ownDevice()?.token;
    if (!token) return { kind: 'not-told', sentence: '' };
    try {
      return { kind: 'told', ...(await this.#requests.planChecks(token)) };
    } catch (error) {
      return { kind: 'not-told', sentence: error instanceof Error ? error.message : String(error) };
    }
  }

  remember(name: string, content: Json): void {
    this.#store.remember(name, content);
  }

  recall(name: string): Json {
    return this.#store.recall(name);
  }

  unsentRecords(): string[] {
    return this.#store.unsentRecords();
  }

  startAlone(role: DeviceStanding['role']): DeviceStanding {
    const before = this.#store.ownDevice();
    const own: OwnDevice = before ?? {
      device: this.#around.newDeviceId(),
      role,
      token: null,
      unitName: '',
      streams: [...STREAMS_OF_ROLE[role]],
    };
    if (before === null) this.#store.becomeDevice(own, this.#around.newEpoch());
    this.#around.onExchange(this.#client.standing());
    return standingOf(own) as DeviceStanding;
  }

  async join(
    code: string,
  ): Promise<{ kind: 'joined'; standing: DeviceStanding } | { kind: 'refused'; sentence: string }> {
    const answer = await this.#client.join(code, this.#store.ownDevice()?.device ?? 'tablet');
    if (answer.kind === 'refused') return answer;
    this.#store.giveNotice('');
    this.#keepMark();
    this.#schedule(0);
    return { kind: 'joined', standing: standingOf(answer.own) as DeviceStanding };
  }

  async exchangeNow(): Promise<ExchangeStanding> {
    const standing = await this.#client.run();
    this.#schedule(retryWaitMs(this.#client.failures, this.#around.chance()));
    if (standing.state === 'resting' || standing.state === 'needs-a-person') void this.#listen();
    return standing;
  }

  /** The network is back, or the page can be seen again. */
  nudge(): void {
    this.#schedule(0);
  }

  #schedule(waitMs: number): void {
    this.#callOff();
    this.#callOff = this.#around.later(waitMs, () => void this.exchangeNow());
  }

  /** Listen until the line breaks; the next round that goes well listens again. */
  async #listen(): Promise<void> {
    const token = this.#store.ownDevice()?.token;
    if (this.#isListening || !token) return;
    this.#isListening = true;
    try {
      const stop = new AbortController();
      const events = await this.#requests.stream('/api/exchange/events', token, stop.signal);
      await readEvents(events, () => this.#schedule(0));
    } catch {
      // The rounds every 30 s go on without it.
    } finally {
      this.#isListening = false;
    }
  }

  /** Write the mark behind the log; a newer one waits for the older, never both at once. */
  #keepMark(): void {
    const own = this.#store.ownDevice();
    if (own === null || this.#isWritingMark) return;
    const { epoch, counter } = this.#store.tip();
    this.#isWritingMark = true;
    void this.#around.writeMark({ device: own.device, epoch, counter }).finally(() => {
      this.#isWritingMark = false;
      const now = this.#store.tip();
      if (now.epoch !== epoch || now.counter !== counter) this.#keepMark();
    });
  }
}

function standingOf(own: OwnDevice | null): DeviceStanding | null {
  if (own === null) return null;
  return {
    device: own.device,
    role: own.role,
    joined: own.token !== null,
    unitName: own.unitName,
  };
}
