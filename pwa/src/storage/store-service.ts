/**
 * `RecordStore` on the worker's side: answers calls, and keeps the exchange going in between.
 *
 * Everything of the browser comes in as an argument, so that the tests run it as it is.
 */
import type { AskClinic } from '../clinic-questions';
import { sendAccessLines } from '../network/access-sending';
import { ExchangeClient } from '../network/exchange-client';
import { PictureLane } from '../network/picture-lane';
import { identityOf } from '../network/push-signing';
import { retryWaitMs } from '../network/retry-wait';
import { takeSnapshots } from '../network/snapshot-client';
import { type RulesTold, StandingTelling } from '../network/standing-telling';
import { NoAnswerError, RefusedError, type UnitRequests } from '../network/unit-requests';
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
  OpenConflictRow,
  PictureBytes,
  PlanChecksAnswer,
  RecordQuery,
  RecordState,
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
} from '../ports';
import { SyncError } from '../sync/errors';
import { tell, whyOf } from '../told';
import { type AccessNote, isNewAccess, noteAccess } from './access-rows';
import { listAlarms } from './alarm-rows';
import { checkInRounds } from './check-rounds';
import { listDropped } from './dropped-rows';
import { dropErasedBodies } from './erased-records';
import { notesOfFile, openFile, saveToFile } from './file-transfer';
import { OldCases } from './old-cases';
import type { OperationStore } from './operation-store';
import { PictureShelf } from './picture-shelf';
import { shownParent } from './record-states';
import type { SecondCopyKeeper } from './second-copy-keeper';
import type { ServiceSurroundings } from './service-surroundings';
import { UnitAnswers } from './unit-answers';
import { type OwnDevice, STREAMS_OF_ROLE, standingOf } from './unit-copy';

const SOON_MS = 300;

export class StoreService {
  readonly #store: OperationStore;
  readonly #keeper: SecondCopyKeeper;
  readonly #requests: UnitRequests;
  readonly #around: ServiceSurroundings;
  readonly #client: ExchangeClient;
  readonly #oldCases: OldCases;
  readonly #answers: UnitAnswers;
  readonly #shelf: PictureShelf | null;
  readonly #lane: PictureLane | null;
  readonly #telling: StandingTelling | null;
  #pictureTrouble = '';
  /** How often a turn was asked for. */
  #asked = 0;
  #callOff: () => void = () => {};
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
    requests.identify(() => identityOf(store.ownDevice(), around.signer ?? null));
    this.#oldCases = new OldCases(store, requests, around);
    this.#answers = new UnitAnswers(store, requests);
    this.#shelf = around.pictureFiles ? new PictureShelf(store, around.pictureFiles) : null;
    this.#lane =
      this.#shelf &&
      new PictureLane(store, this.#shelf, requests, {
        onRecords: around.onRecords,
        onTrouble: (sentence) => {
          this.#pictureTrouble = sentence;
          around.onExchange(this.exchangeStanding());
        },
      });
    this.#telling =
      around.tells === undefined
        ? null
        : new StandingTelling(store, requests, {
            ...around.tells,
            nowMs: around.nowMs,
            rules: () => readRulesTold(store.recall('rules-told')),
            unsentPictures: () => this.#shelf && Object.keys(this.#shelf.unsent()).length,
            signer: around.signer ?? null,
          });
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
    checkInRounds(this.#store, {
      ...this.#around,
      onAltered: (count) => {
        this.#keeper.readAllAgain(count);
        this.#schedule(0);
      },
    });
    // Leftovers alone: a disk that refuses here costs room and nothing else.
    void this.#shelf?.tidy().catch(() => {});
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
      this.#lane?.pause();
      this.#schedule(SOON_MS);
      return { kind: 'saved', records, references };
    } catch (error) {
      const isRefused = error instanceof SyncError;
      const sentence = tell(isRefused ? 'notSaved' : 'diskRefused', { why: whyOf(error) });
      return { kind: 'not-saved', sentence };
    }
  }

  read(query: RecordQuery): RecordState[] {
    if (query.isLookedAt && query.record !== undefined) {
      if (query.kind === 'case') this.#openUp(query.record);
      const shown = this.#store.read(query);
      this.#noteLook(query.record, shown[0]);
      return shown;
    }
    return this.#store.read(query);
  }

  /** Let the entries and pictures of a case come first, and bring it back where it was dropped. */
  #openUp(record: string): void {
    this.#openCase = record;
    if (this.#oldCases.lookAt(record)) this.#schedule(0);
    void this.#lane?.run(record).catch(() => {});
  }

  /** Note an access on this tablet; it is sent with the next round (AU6). */
  noteAccess(note: AccessNote): void {
    const { database } = this.#store;
    const device = this.#store.ownDevice()?.device;
    if (device === undefined) return;
    noteAccess(database, device, note, this.#around.nowMs(), this.#around.newEpoch);
  }

  /** Note that a patient's record or case is looked at, by whoever taps (AU6). */
  #noteLook(record: string, state: RecordState | undefined): void {
    if (state === undefined) return;
    const isPatient = record.startsWith('patient/');
    const patient = isPatient ? record : shownParent(state, 'patient');
    if (patient === '') return;
    const taps = readWho(this.#store.recall('who-taps'));
    if (!isNewAccess(this.#store.database, taps.id, patient, this.#around.nowMs())) return;
    this.noteAccess({
      person: taps.id,
      role: taps.role,
      verb: 'read',
      object: isPatient ? 'patient' : 'case',
      records: isPatient ? [patient] : [patient, record],
      why: '',
      outcome: 'done',
    });
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
    return this.#answers.planChecks();
  }

  unitAlarms(): Promise<UnitAlarmsAnswer> {
    return this.#answers.unitAlarms();
  }

  unitDevices(): Promise<UnitDevicesAnswer> {
    return this.#answers.unitDevices();
  }

  followUpCheck(): Promise<FollowUpCheckAnswer> {
    return this.#answers.followUpCheck();
  }

  unitLetters(kind: LetterKind, visits: readonly LetterVisit[]): Promise<UnitLettersAnswer> {
    return this.#answers.unitLetters(kind, visits);
  }

  unitReminders(fromOn: string, untilOn: string): Promise<UnitRemindersAnswer> {
    return this.#answers.unitReminders(fromOn, untilOn);
  }

  unitProposals(todayOn: string, untilOn: string): Promise<UnitProposalsAnswer> {
    return this.#answers.unitProposals(todayOn, untilOn);
  }

  unitWeeks(): Promise<UnitWeeksAnswer> {
    return this.#answers.unitWeeks();
  }

  readonly askClinic: AskClinic = (question, asks) => this.#answers.askClinic(question, asks);

  ownAlarms(): UnitAlarm[] {
    return listAlarms(this.#store);
  }

  /** Keep a picture on the disk; its record is saved after that. */
  async keepPicture(record: string, bytes: Uint8Array<ArrayBuffer>): Promise<KeepPictureAnswer> {
    return (
      (await this.#shelf?.keep(record, bytes)) ?? {
        kind: 'not-saved',
        sentence: tell('noPictures'),
      }
    );
  }

  async readPicture(sha256: string): Promise<PictureBytes> {
    return (await this.#shelf?.read(sha256)) ?? { bytes: null, isUnsent: false };
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

  /** Noted before the bytes are handed out: where the disk refuses the note, there is no file. */
  async saveToFile(
    scope: 'all' | 'unsent',
    by: SavedBy,
  ): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }> {
    const signer = this.#around.signer ?? null;
    const file = await saveToFile(this.#store, signer, scope, this.#around.nowMs());
    if (file.operations === 0) return file;
    for (const note of notesOfFile(this.#store, scope, by)) this.noteAccess(note);
    return file;
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
    this.#begin();
    return { kind: 'joined', standing: standingOf(answer.own) as DeviceStanding };
  }

  /** Ask whether a device that waits may come in now; returns how it stands. */
  async standingNow(): Promise<DeviceStanding | null> {
    try {
      if (await this.#client.settleWaiting()) this.#begin();
    } catch (error) {
      // No answer, or a refusal that the next round tells of: it waits on.
      if (!(error instanceof NoAnswerError || error instanceof RefusedError)) throw error;
    }
    return this.standing();
  }

  /** Read what the unit has, where it lets this device in. */
  #begin(): void {
    if (!this.#store.ownDevice()?.waiting) {
      // Whatever stops it, the pull that follows meets it again and tells it.
      this.#starting = takeSnapshots(this.#store, this.#requests, this.#around).catch(() => {});
    }
    this.#keepCopy();
    this.#schedule(0);
  }

  async exchangeNow(): Promise<ExchangeStanding> {
    if (this.#store.ownDevice()?.waiting) await this.standingNow();
    const asked = this.#asked;
    await this.#starting;
    const standing = this.#withTrouble(await this.#client.run());
    // Who saved meanwhile has asked for an earlier turn, which stands.
    if (this.#asked === asked) {
      this.#schedule(retryWaitMs(this.#client.failures, this.#around.chance()));
    }
    if (standing.state !== 'alone' && standing.state !== 'no-network') {
      // Never waited for, and no trouble of a person: what fails is told after the next round.
      void this.#telling?.tell().catch(() => {});
    }
    if (standing.state === 'resting' || standing.state === 'needs-a-person') {
      if (await this.#oldCases.tidy()) this.#schedule(SOON_MS);
      this.#dropErased();
      // Never waited for: what was recorded comes first.
      void sendAccessLines(this.#store, this.#requests).catch(() => {});
      // The next round that goes well listens again.
      void this.#answers.listen(
        () => this.#schedule(0),
        (sentence) => this.#client.noteRevoked(sentence),
      );
      // Never waited for: operations come before pictures.
      void this.#lane?.run(this.#openCase).catch(() => {});
    }
    return standing;
  }

  /** Own entries in erased records go once the unit holds them (ER4). */
  #dropErased(): void {
    const own = this.#store.ownDevice()?.device ?? '';
    if (dropErasedBodies(this.#store.database, own)) void this.#shelf?.tidy().catch(() => {});
  }

  /** The network is back, or the page can be seen again. */
  nudge(): void {
    this.#schedule(0);
  }

  #schedule(waitMs: number): void {
    this.#asked += 1;
    this.#callOff();
    this.#callOff = this.#around.later(waitMs, () => void this.exchangeNow());
  }

  /** Write the second copy behind the log; a failure is told, and no reason to refuse work. */
  #keepCopy(): void {
    const before = this.#keeper.trouble;
    void this.#keeper.keep().then(() => {
      if (this.#keeper.trouble !== before) this.#around.onExchange(this.exchangeStanding());
    });
  }

  #withTrouble(standing: ExchangeStanding): ExchangeStanding {
    const sentence = standing.sentence || this.#keeper.trouble || this.#pictureTrouble;
    return { ...standing, sentence };
  }
}

/** Whoever taps, as the page keeps it; nobody where it keeps none. */
function readWho(kept: Json): { id: string; role: string } {
  const { id = '', role = '' } = (typeof kept === 'object' && kept !== null ? kept : {}) as {
    [part: string]: Json;
  };
  return { id: typeof id === 'string' ? id : '', role: typeof role === 'string' ? role : '' };
}

/** What the page computes by, as it laid it down (`state/rules-told.ts`); null before. */
function readRulesTold(kept: Json): RulesTold | null {
  const { digest, on } = (typeof kept === 'object' && kept !== null ? kept : {}) as {
    [part: string]: Json;
  };
  return typeof digest === 'string' && typeof on === 'string' ? { digest, on } : null;
}
