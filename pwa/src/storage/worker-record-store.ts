/** `RecordStore` for the page: every call goes to the store's worker under a number. */
import type { AskClinic } from '../clinic-questions';
import { askForPersistence } from '../device/persistence';
import type {
  DeviceStanding,
  Draft,
  DroppedCase,
  ExchangeStanding,
  FollowUpCheckAnswer,
  HistoryEntry,
  Json,
  KeepPictureAnswer,
  LetterKind,
  LetterVisit,
  OpenAnswer,
  OpenConflictRow,
  PictureBytes,
  PictureStore,
  PlanChecksAnswer,
  RecordQuery,
  RecordState,
  RecordStore,
  SaveAnswer,
  TakenIn,
  UnitAlarm,
  UnitAlarmsAnswer,
  UnitDevicesAnswer,
  UnitLettersAnswer,
  UnitProposalsAnswer,
  UnitRemindersAnswer,
  UnitWeeksAnswer,
} from '../ports';
import { tell } from '../told';
import type { FromWorker, StoreCall, ToWorker, WorkerOpenAnswer } from './worker-messages';

interface Waiting {
  resolve(answer: unknown): void;
  reject(error: Error): void;
}

export class WorkerRecordStore implements RecordStore, PictureStore {
  readonly #worker: Worker;
  readonly #waiting = new Map<number, Waiting>();
  readonly #onRecords = new Set<(records: string[]) => void>();
  readonly #onExchange = new Set<(standing: ExchangeStanding) => void>();
  #lastExchange: ExchangeStanding | null = null;
  #lastId = 0;
  /** Which build the worker said it is; null before. */
  build: string | null = null;

  constructor() {
    this.#worker = new Worker(new URL('./store-worker.ts', import.meta.url), { type: 'module' });
    this.#worker.addEventListener('message', (event: MessageEvent<FromWorker>) =>
      this.#hear(event.data),
    );
    this.#worker.addEventListener('error', (event) => {
      for (const { reject } of this.#waiting.values()) reject(new Error(event.message));
      this.#waiting.clear();
    });
    const nudge = () => this.#post({ nudge: true });
    window.addEventListener('online', nudge);
    document.addEventListener('visibilitychange', () => {
      if (document.visibilityState === 'visible') nudge();
    });
  }

  async open(): Promise<OpenAnswer> {
    try {
      const answer = await this.#ask<WorkerOpenAnswer>('open');
      if (answer.kind !== 'open') return answer;
      return { ...answer, persisted: await askForPersistence() };
    } catch (error) {
      return { kind: 'refused', sentence: tell('notStarted', { why: reason(error) }) };
    }
  }

  async save(drafts: readonly Draft[], who: { by: string; tappedBy: string }): Promise<SaveAnswer> {
    try {
      return await this.#ask<SaveAnswer>('save', plain(drafts), who);
    } catch (error) {
      return { kind: 'not-saved', sentence: tell('stopped', { why: reason(error) }) };
    }
  }

  read(query: RecordQuery): Promise<RecordState[]> {
    return this.#ask('read', query);
  }

  history(record: string): Promise<HistoryEntry[]> {
    return this.#ask('history', record);
  }

  conflicts(): Promise<OpenConflictRow[]> {
    return this.#ask('conflicts');
  }

  planChecks(): Promise<PlanChecksAnswer> {
    return this.#ask('planChecks');
  }

  unitAlarms(): Promise<UnitAlarmsAnswer> {
    return this.#ask('unitAlarms');
  }

  unitDevices(): Promise<UnitDevicesAnswer> {
    return this.#ask('unitDevices');
  }

  followUpCheck(): Promise<FollowUpCheckAnswer> {
    return this.#ask('followUpCheck');
  }

  unitLetters(kind: LetterKind, visits: readonly LetterVisit[]): Promise<UnitLettersAnswer> {
    return this.#ask('unitLetters', kind, plain(visits));
  }

  unitReminders(fromOn: string, untilOn: string): Promise<UnitRemindersAnswer> {
    return this.#ask('unitReminders', fromOn, untilOn);
  }

  unitProposals(todayOn: string, untilOn: string): Promise<UnitProposalsAnswer> {
    return this.#ask('unitProposals', todayOn, untilOn);
  }

  unitWeeks(): Promise<UnitWeeksAnswer> {
    return this.#ask('unitWeeks');
  }

  readonly askClinic: AskClinic = (question, asks) => this.#ask('askClinic', question, plain(asks));

  ownAlarms(): Promise<UnitAlarm[]> {
    return this.#ask('ownAlarms');
  }

  remember(name: string, content: Json): Promise<void> {
    return this.#ask('remember', name, plain(content));
  }

  recall(name: string): Promise<Json> {
    return this.#ask('recall', name);
  }

  startAlone(role: DeviceStanding['role']): Promise<DeviceStanding> {
    return this.#ask('startAlone', role);
  }

  async join(
    code: string,
  ): Promise<{ kind: 'joined'; standing: DeviceStanding } | { kind: 'refused'; sentence: string }> {
    try {
      return await this.#ask('join', code);
    } catch (error) {
      return { kind: 'refused', sentence: tell('notJoined', { why: reason(error) }) };
    }
  }

  exchangeNow(): Promise<ExchangeStanding> {
    return this.#ask('exchangeNow');
  }

  unsentRecords(): Promise<string[]> {
    return this.#ask('unsentRecords');
  }

  droppedCases(): Promise<DroppedCase[]> {
    return this.#ask('droppedCases');
  }

  saveToFile(
    scope: 'all' | 'unsent',
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }> {
    return this.#ask('saveToFile', scope);
  }

  async openFile(
    bytes: Uint8Array,
  ): Promise<{ kind: 'taken-in'; taken: TakenIn } | { kind: 'refused'; sentence: string }> {
    try {
      return await this.#ask('openFile', bytes);
    } catch (error) {
      return { kind: 'refused', sentence: tell('nothingTaken', { why: reason(error) }) };
    }
  }

  async keepPicture(record: string, bytes: Uint8Array<ArrayBuffer>): Promise<KeepPictureAnswer> {
    try {
      return await this.#ask('keepPicture', record, bytes);
    } catch (error) {
      return { kind: 'not-saved', sentence: tell('notSaved', { why: reason(error) }) };
    }
  }

  readPicture(sha256: string): Promise<PictureBytes> {
    return this.#ask('readPicture', sha256);
  }

  onRecords(listener: (records: string[]) => void): () => void {
    this.#onRecords.add(listener);
    return () => this.#onRecords.delete(listener);
  }

  /** Hear every new standing, and the last one at once when there is one. */
  onExchange(listener: (standing: ExchangeStanding) => void): () => void {
    this.#onExchange.add(listener);
    if (this.#lastExchange !== null) listener(this.#lastExchange);
    return () => this.#onExchange.delete(listener);
  }

  #ask<Answer>(call: StoreCall, ...given: readonly unknown[]): Promise<Answer> {
    const id = ++this.#lastId;
    return new Promise<Answer>((resolve, reject) => {
      this.#waiting.set(id, { resolve: resolve as (answer: unknown) => void, reject });
      this.#post({ id, call, given });
    });
  }

  #post(message: ToWorker): void {
    this.#worker.postMessage(message);
  }

  #hear(message: FromWorker): void {
    if ('records' in message) {
      for (const listener of this.#onRecords) listener(message.records);
    } else if ('exchange' in message) {
      this.#lastExchange = message.exchange;
      for (const listener of this.#onExchange) listener(message.exchange);
    } else if ('build' in message) {
      this.build = message.build;
    } else if ('isFree' in message) {
      window.location.reload();
    } else {
      const waiting = this.#waiting.get(message.id);
      this.#waiting.delete(message.id);
      if ('failure' in message) waiting?.reject(new Error(message.failure));
      else waiting?.resolve(message.answer);
    }
  }
}

/** Reactive content cannot pass between threads as it is: send a plain copy. */
function plain<Content>(content: Content): Content {
  return JSON.parse(JSON.stringify(content)) as Content;
}

function reason(error: unknown): string {
  return error instanceof Error && error.message !== '' ? error.message : tell('reload');
}
