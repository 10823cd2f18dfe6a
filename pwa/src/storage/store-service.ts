/**
 * `RecordStore` on the worker's side: answers calls, and keeps the exchange going in between.
 *
 * Everything of the browser comes in as an argument, so that the tests run it as it is.
 */

import { ExchangeClient } from '../network/exchange-client';
import type { Signer } from '../network/push-signing';
import { retryWaitMs } from '../network/retry-wait';
import { takeSnapshots } from '../network/snapshot-client';
import { readEvents } from '../network/unit-events';
import type { UnitRequests } from '../network/unit-requests';
import type {
  DeviceStanding,
  Draft,
  DroppedCase,
  ExchangeStanding,
  HistoryEntry,
  Json,
  OpenConflictRow,
  PlanChecksAnswer,
  RecordQuery,
  RecordState,
  SaveAnswer,
  TakenIn,
  UnitAlarm,
  UnitAlarmsAnswer,
} from '../ports';
import { SyncError } from '../sync/errors';
import { listDropped } from './dropped-rows';
import { openFile, saveToFile } from './file-transfer';
import { OldCases } from './old-cases';
import { type OperationStore, type OwnDevice, STREAMS_OF_ROLE } from './operation-store';
import type { SecondCopyKeeper } from './second-copy-keeper';
import { type CheckedRecords, checkRecords } from './store-check';

export interface ServiceSurroundings {
  nowMs(): number;
  newSalt(): string;
  newEpoch(): string;
  newDeviceId(): string;
  /** A fraction from 0 to 1. */
  chance(): number;
  /** Call once after so many milliseconds; returns how to call it off. */
  later(waitMs: number, work: () => void): () => void;
  onRecords(records: string[]): void;
  onExchange(standing: ExchangeStanding): void;
  /** What this device signs with; null where the browser gives no key. */
  signer?: Signer | null;
}

const SOON_MS = 300;
/** Records in one piece of the check, and the time left to taps between two pieces. */
const CHECKED_AT_ONCE = 50;
const BETWEEN_CHECKS_MS = 300;

export class StoreService {
  readonly #store: OperationStore;
  readonly #keeper: SecondCopyKeeper;
  readonly #requests: UnitRequests;
  readonly #around: ServiceSurroundings;
  readonly #client: ExchangeClient;
  readonly #oldCases: OldCases;
  #callOff: () => void = () => {};
  #isListening = false;
  #openCase = '';
  #starting: Promise<void> = Promise.resolve();

  constructor(
    store: OperationStore,
    keeper: SecondCopyKeeper,
    requests: UnitRequests,
    around: ServiceSurroundings,
  ) {
    this.#store = store;
    this.#keeper = keeper;
    this.#requests = requests;
    this.#around = around;
    this.#oldCases = new OldCases(store, requests, around);
    this.#client = new ExchangeClient(store, requests, {
      nowMs: around.nowMs,
      newEpoch: around.newEpoch,
      newDeviceId: around.newDeviceId,
      signer: around.signer ?? null,
      openCase: () => this.#openCase,
      onRecords: around.onRecords,
      onStanding: (standing) => {
        this.#keepCopy();
        around.onExchange(this.#withTrouble(standing));
      },
    });
  }

  /** Make the log and its second copy one, then begin to exchange. */
  async start(): Promise<DeviceStanding | null> {
    await this.#keeper.settle();
    this.#client.settleKey();
    this.#keepCopy();
    this.#schedule(0);
    this.#checkAfter('', 0);
    return this.standing();
  }

  /** Who this device is; null before it was set up. */
  standing(): DeviceStanding | null {
    return standingOf(this.#store.ownDevice());
  }

  /** How the exchange stands now. */
  exchangeStanding(): ExchangeStanding {
    return this.#withTrouble(this.#client.standing());
  }

  save(drafts: readonly Draft[], who: { by: string; tappedBy: string }): SaveAnswer {
    try {
      const { records, references } = this.#store.save(drafts, who, {
        wallMs: this.#around.nowMs(),
        newSalt: this.#around.newSalt,
      });
      this.#keepCopy();
      // After the answer, so that the screen that saved hears its own answer first.
      this.#around.later(0, () => {
        this.#around.onRecords(records.map((state) => state.record));
        this.#around.onExchange(this.exchangeStanding());
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
    if (query.isLookedAt && query.record !== undefined) {
      this.#openCase = query.record;
      if (this.#oldCases.lookAt(query.record)) this.#schedule(0);
    }
    return this.#store.read(query);
  }

  droppedCases(): DroppedCase[] {
    return listDropped(this.#store.database);
  }

  history(record: string): HistoryEntry[] {
    return this.#store.history(record);
  }

  conflicts(): OpenConflictRow[] {
    return this.#store.conflicts();
  }

  planChecks(): Promise<PlanChecksAnswer> {
    return this.#askUnit((token) => this.#requests.planChecks(token));
  }

  unitAlarms(): Promise<UnitAlarmsAnswer> {
    return this.#askUnit(async (token) => {
      const { alarms } = await this.#requests.get<{ alarms: UnitAlarm[] }>('/api/decisions', token);
      return { alarms };
    });
  }

  async #askUnit<Told extends object>(
    ask: (token: string) => Promise<Told>,
  ): Promise<({ kind: 'told' } & Told) | { kind: 'not-told'; sentence: string }> {
    const token = this.#store.ownDevice()?.token;
    if (!token) return { kind: 'not-told', sentence: '' };
    try {
      return { kind: 'told', ...(await ask(token)) };
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

  /** The id of every record that this tablet holds. */
  everyRecord(): string[] {
    return this.#store.everyRecord();
  }

  unsentRecords(): string[] {
    return this.#store.unsentRecords();
  }

  saveToFile(
    scope: 'all' | 'unsent',
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }> {
    return saveToFile(this.#store, this.#around.signer ?? null, scope, this.#around.nowMs());
  }

  async openFile(
    bytes: Uint8Array,
  ): Promise<{ kind: 'taken-in'; taken: TakenIn } | { kind: 'refused'; sentence: string }> {
    const answer = await openFile(this.#store, bytes, this.#around.nowMs());
    if (answer.kind === 'refused') return answer;
    this.#keepCopy();
    this.#around.later(0, () => this.#around.onRecords(answer.taken.records));
    this.#schedule(SOON_MS);
    return answer;
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
    this.#keepCopy();
    this.#around.onExchange(this.exchangeStanding());
    return standingOf(own) as DeviceStanding;
  }

  async join(
    code: string,
  ): Promise<{ kind: 'joined'; standing: DeviceStanding } | { kind: 'refused'; sentence: string }> {
    const answer = await this.#client.join(code, this.#store.ownDevice()?.device ?? 'tablet');
    if (answer.kind === 'refused') return answer;
    this.#store.giveNotice('');
    // Whatever stops it, the pull that follows meets it again and tells it.
    this.#starting = takeSnapshots(this.#store, this.#requests, this.#around).catch(() => {});
    this.#keepCopy();
    this.#schedule(0);
    return { kind: 'joined', standing: standingOf(answer.own) as DeviceStanding };
  }

  async exchangeNow(): Promise<ExchangeStanding> {
    await this.#starting;
    const standing = this.#withTrouble(await this.#client.run());
    this.#schedule(retryWaitMs(this.#client.failures, this.#around.chance()));
    if (standing.state === 'resting' || standing.state === 'needs-a-person') {
      if (await this.#oldCases.tidy()) this.#schedule(SOON_MS);
      void this.#listen();
    }
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

  #checkNext(record: string): CheckedRecords {
    const { database, catalogue } = this.#store;
    return checkRecords(
      database,
      catalogue,
      record,
      CHECKED_AT_ONCE,
      ({ opId, envelope, body }) => {
        const sentence = `${opId} was altered on this tablet's disk. It counts for nothing here; ask the data manager.`;
        this.#store.setAside('tablet', opId, envelope, body, sentence, this.#around.nowMs());
      },
    );
  }

  /** Check the record piece by piece; what was altered on the disk is asked of the unit again. */
  #checkAfter(record: string, alteredBefore: number): void {
    this.#around.later(BETWEEN_CHECKS_MS, () => {
      let checked: CheckedRecords;
      try {
        checked = this.#checkNext(record);
      } catch {
        // A disk that refuses now: nothing was changed, and the same piece comes again.
        this.#checkAfter(record, alteredBefore);
        return;
      }
      const { next, altered, mended } = checked;
      if (mended.length > 0) this.#around.onRecords(mended);
      const count = alteredBefore + altered.length;
      if (next !== null) this.#checkAfter(next, count);
      else if (count > 0) {
        this.#keeper.readAllAgain(count);
        this.#schedule(0);
      }
    });
  }

  /** Write the second copy behind the log; a failure is told, and no reason to refuse work. */
  #keepCopy(): void {
    const before = this.#keeper.trouble;
    void this.#keeper.keep().then(() => {
      if (this.#keeper.trouble !== before) this.#around.onExchange(this.exchangeStanding());
    });
  }

  #withTrouble(standing: ExchangeStanding): ExchangeStanding {
    return { ...standing, sentence: standing.sentence || this.#keeper.trouble };
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
