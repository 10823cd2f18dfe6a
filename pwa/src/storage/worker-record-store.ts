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
  KeyKeeper,
  KeyRefusal,
  KeyStanding,
  LetterKind,
  LetterVisit,
  OpenAnswer,
  OpenConflictRow,
  PersonHere,
  PictureBytes,
  PictureStore,
  PinAnswer,
  PlanChecksAnswer,
  RecordQuery,
  RecordState,
  RecordStore,
  RecoveryAnswer,
  SaveAnswer,
  SavedBy,
  TakenIn,
  UnitAlarm,
  UnitAlarmsAnswer,
  UnitDevicesAnswer,
  UnitLettersAnswer,
  UnitProposalsAnswer,
  UnitRemindersAnswer,
  UnitWeeksAnswer,
  Voucher,
} from '../ports';
import { scriptAddress } from '../script-address';
import { tell } from '../told';
import type { FromWorker, StoreCall, ToWorker, WorkerOpenAnswer } from './worker-messages';

interface Waiting {
  resolve(answer: unknown): void;
  reject(error: Error): void;
}

export class WorkerRecordStore implements RecordStore, PictureStore, KeyKeeper {
  #worker: Worker;
  readonly #waiting = new Map<number, Waiting>();
  readonly #onRecords = new Set<(records: string[]) => void>();
  readonly #onExchange = new Set<(standing: ExchangeStanding) => void>();
  readonly #onWiped = new Set<(sentence: string) => void>();
  #lastExchange: ExchangeStanding | null = null;
  #lastId = 0;
  /** Which build the worker said it is; null before. */
  build: string | null = null;

  constructor() {
    this.#worker = this.#startWorker();
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

  standingNow(): Promise<DeviceStanding | null> {
    return this.#ask('standingNow');
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
    by: SavedBy,
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }> {
    return this.#ask('saveToFile', scope, by);
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

  /** Hear that everything on this tablet was removed, and why. */
  onWiped(listener: (sentence: string) => void): () => void {
    this.#onWiped.add(listener);
    return () => this.#onWiped.delete(listener);
  }

  keyStanding(): Promise<KeyStanding> {
    return this.#ask('keyStanding');
  }

  unlock(staff: string, pin: string): Promise<PinAnswer> {
    return this.#ask('unlock', staff, pin);
  }

  checkPin(staff: string, pin: string): Promise<PinAnswer> {
    return this.#ask('checkPin', staff, pin);
  }

  judgePin(pin: string): Promise<{ kind: 'right' } | KeyRefusal> {
    return this.#ask('judgePin', pin);
  }

  addPerson(
    person: Pick<PersonHere, 'staff' | 'name' | 'role'>,
    pin: string,
    voucher: Voucher,
  ): Promise<PinAnswer | KeyRefusal> {
    return this.#ask('addPerson', plain(person), pin, plain(voucher));
  }

  changePin(staff: string, oldPin: string, newPin: string): Promise<PinAnswer | KeyRefusal> {
    return this.#ask('changePin', staff, oldPin, newPin);
  }

  removePerson(staff: string): Promise<{ kind: 'removed' } | KeyRefusal> {
    return this.#ask('removePerson', staff);
  }

  keepLive(isLive: boolean): Promise<void> {
    return this.#ask('keepLive', isLive);
  }

  startEmergency(): Promise<{ kind: 'started' } | KeyRefusal> {
    return this.#ask('startEmergency');
  }

  recover(code: string): Promise<RecoveryAnswer> {
    return this.#ask('recover', code);
  }

  startAnew(): Promise<void> {
    return this.#ask('startAnew');
  }

  /** The worker ends with everything it has read; the one after it begins locked. */
  async lock(): Promise<void> {
    await this.#ask('lock');
    this.#worker.terminate();
    this.#giveUp(tell('notOpen'));
    this.#lastExchange = null;
    this.#worker = this.#startWorker();
  }

  #startWorker(): Worker {
    const worker = new Worker(scriptAddress('store'), { type: 'module' });
    worker.addEventListener('message', (event: MessageEvent<FromWorker>) => this.#hear(event.data));
    worker.addEventListener('error', (event) => this.#giveUp(event.message));
    return worker;
  }

  #giveUp(sentence: string): void {
    for (const { reject } of this.#waiting.values()) reject(new Error(sentence));
    this.#waiting.clear();
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
    } else if ('wiped' in message) {
      // Nothing of it may go on and write anew.
      this.#worker.terminate();
      for (const listener of this.#onWiped) listener(message.wiped);
      if (this.#onWiped.size === 0) window.location.reload();
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
