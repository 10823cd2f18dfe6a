/**
 * A tablet that is locked, open, or in an emergency: what its page may ask of its keys, and what it
 * does meanwhile.
 */
import { randomFraction } from '../device/chance';
import { identityOf, type Signer } from '../network/push-signing';
import { REVOKED_PROBLEM, readRevocation } from '../network/revocation';
import type { UnitRequests } from '../network/unit-requests';
import type {
  ExchangeStanding,
  KeyKeeper,
  KeyRefusal,
  KeyStanding,
  RecoveryAnswer,
} from '../ports';
import { tell, whyOf } from '../told';
import { noteAccess } from './access-rows';
import { KeyNotes } from './key-notes';
import { isUndecided, recoverKeys } from './key-recovery';
import { LockedUpload } from './locked-upload';
import type { OpenedRecords } from './opened-records';
import type { OwnDevice } from './operation-store';
import { SealedOutbox } from './sealed-outbox';
import { type TabletParts, TabletRecords } from './tablet-records';

export type KeyCall = keyof KeyKeeper;

/** So long a tablet that has cleared itself waits for the unit before it says so on the screen. */
const LONGEST_GOODBYE_MS = 10_000;

const KEY_CALLS: ReadonlySet<string> = new Set<KeyCall>([
  'keyStanding',
  'unlock',
  'checkPin',
  'judgePin',
  'addPerson',
  'changePin',
  'removePerson',
  'keepLive',
  'startEmergency',
  'lock',
  'recover',
  'startAnew',
]);

/** Say whether a call is one on the keys: it is answered locked, too. */
export function isKeyCall(call: string): call is KeyCall {
  return KEY_CALLS.has(call);
}

export interface HolderSurroundings {
  onExchange(standing: ExchangeStanding): void;
  /** Everything here was removed; the page says why and starts anew. */
  onWiped(sentence: string): void;
  later(waitMs: number, work: () => void): () => void;
}

export interface LockedStanding {
  keys: KeyStanding;
  unsent: number | null;
  oldestUnsentMs: number | null;
  areKeysLost?: true;
  /** Told, where the emergency case that was open can be opened no more. */
  trouble?: string;
}

export class TabletHolder {
  readonly requests: UnitRequests;
  readonly signer: Signer | null;
  readonly #parts: TabletParts;
  readonly #records: TabletRecords;
  readonly #notes: KeyNotes;
  readonly #around: HolderSurroundings;
  #opened: OpenedRecords | null = null;
  #isEmergency = false;
  #areKeysLost = false;
  #trouble = '';
  #upload: LockedUpload | null = null;
  #isWiping = false;

  constructor(
    parts: TabletParts,
    requests: UnitRequests,
    signer: Signer | null,
    around: HolderSurroundings,
  ) {
    this.#parts = parts;
    this.#records = new TabletRecords(parts);
    this.#notes = new KeyNotes(parts.ring, parts.nowMs);
    this.requests = requests;
    this.signer = signer;
    this.#around = around;
  }

  /** Only a case that began on the locked tablet is open. */
  get isEmergency(): boolean {
    return this.#isEmergency;
  }

  /** The token of this device, null before it has joined and while nothing says it. */
  token(): string | null {
    return this.#opened?.store.ownDevice()?.token ?? null;
  }

  /**
   * Open what can be opened now; null while it is locked, which goes on sending what is sealed.
   *
   * @throws StoreRefusedError with one sentence; nothing was changed
   */
  async open(): Promise<OpenedRecords | null> {
    const before = this.#upload;
    await before?.end();
    this.#upload = null;
    const opening = await this.#records.open();
    if (opening.kind === 'locked') {
      this.#areKeysLost = opening.areKeysLost;
      this.#trouble = opening.trouble ?? '';
      await this.#beginUpload();
      return null;
    }
    const { records, isEmergency } = opening;
    this.#opened = records;
    this.#isEmergency = isEmergency;
    if (isEmergency) await this.#beginUpload();
    else await this.#afterOpening(records);
    return records;
  }

  /** What the locked screen shows. */
  async locked(): Promise<LockedStanding> {
    const unsent = (await this.#upload?.unsent().catch(() => null)) ?? null;
    return {
      keys: this.#parts.keys.standing(),
      unsent: unsent?.count ?? null,
      oldestUnsentMs: unsent?.oldestMs ?? null,
      ...(this.#areKeysLost && { areKeysLost: true }),
      ...(this.#trouble && { trouble: this.#trouble }),
    };
  }

  nudge(): void {
    void this.#upload?.run();
  }

  /** Call it with each standing of the exchange: the device may have joined meanwhile. */
  noteExchange(): void {
    const records = this.#opened;
    if (records === null || this.#isEmergency) return;
    void this.#records.noteDevice(records).catch(() => {});
  }

  /** Answer a call on the keys, and say whether another store can be opened by now. */
  async carryOut(
    call: KeyCall,
    given: readonly unknown[],
  ): Promise<{ answer: unknown; opensAnew: boolean }> {
    const done = await this.#carryOut(call, given);
    // A note that cannot be kept is no reason to keep anybody from the patient.
    await this.#notes.keep(call, given, done.answer).catch(() => {});
    if (this.#opened !== null && !this.#isEmergency) await this.#handOverNotes(this.#opened);
    return done;
  }

  async #carryOut(
    call: KeyCall,
    given: readonly unknown[],
  ): Promise<{ answer: unknown; opensAnew: boolean }> {
    switch (call) {
      case 'startEmergency':
        return { answer: await this.#startEmergency(), opensAnew: true };
      case 'recover': {
        const answer = await this.#recover(String(given[0] ?? ''));
        return { answer, opensAnew: answer.kind === 'recovered' };
      }
      case 'startAnew':
        return { answer: await this.wipe(tell('startedAnew')), opensAnew: false };
      default: {
        const { keys } = this.#parts;
        const method = keys[call] as (...args: readonly unknown[]) => Promise<unknown>;
        const answer = await method.apply(keys, [...given]);
        return { answer, opensAnew: call === 'unlock' };
      }
    }
  }

  /** Remove everything from this tablet, and say why. */
  async wipe(sentence: string): Promise<void> {
    await this.#clear();
    this.#around.onWiped(sentence);
  }

  async #clear(): Promise<void> {
    await this.#upload?.end();
    // Nothing that still runs may write the copy anew.
    this.#opened?.database.close();
    await this.#records.wipe();
  }

  /**
   * Act on what the unit has refused with: a device that it gave up as lost sends what it holds and
   * then removes everything, on a word that the unit's server has signed (RQ8).
   */
  async noteProblem(problem: Readonly<Record<string, unknown>>): Promise<void> {
    if (problem.type === REVOKED_PROBLEM) await this.#noteRevocation(problem);
  }

  async #noteRevocation(told: Readonly<Record<string, unknown>>): Promise<void> {
    const own = await this.#ownDevice();
    if (own?.serverKey === undefined || this.#isWiping) return;
    const revocation = await readRevocation(told, own.serverKey, own.device);
    if (!revocation?.wipe || this.#isWiping) return;
    this.#isWiping = true;
    try {
      await this.#upload?.end();
      await this.#opened?.keeper.keep();
      const outbox = await this.#outbox();
      const answer = await outbox.run();
      // What the network swallowed is sent at the next contact, which says this again.
      if (answer.kind === 'no-network') {
        if (this.#opened === null || this.#isEmergency) await this.#beginUpload();
        return;
      }
      const { count } = await outbox.unsent();
      await this.#clear();
      // Only now: the answer removes whatever is left here, and nothing that was not sent is.
      await this.#tellCleared(own, count);
      this.#around.onWiped(tell('wipedByUnit', { count }));
    } finally {
      this.#isWiping = false;
    }
  }

  /** Have the browser clear what is no record: its cache, cookies, the signing key (RQ9). */
  async #tellCleared(own: OwnDevice, unsent: number): Promise<void> {
    const as = identityOf(own, this.signer);
    if (own.token === null || as === null) return;
    const stop = AbortSignal.timeout(LONGEST_GOODBYE_MS);
    // Unheard, it changes nothing: the records are gone.
    await this.requests.tellCleared(own.token, unsent, as, stop).catch(() => {});
  }

  async #askStanding(): Promise<void> {
    const own = await this.#ownDevice();
    if (!own?.token) return;
    this.requests.identify(() => identityOf(own, this.signer));
    const path = '/api/devices/own';
    const answer = await this.requests.get<{ revocation?: Record<string, unknown> | null }>(
      path,
      own.token,
    );
    if (answer.revocation) await this.#noteRevocation(answer.revocation);
  }

  async #ownDevice(): Promise<OwnDevice | null> {
    // An emergency case is written without the token: only the records know it.
    const own = this.#isEmergency ? null : this.#opened?.store.ownDevice();
    return own ?? this.#records.ownDevice();
  }

  async #outbox(): Promise<SealedOutbox> {
    const own = await this.#ownDevice().catch(() => null);
    return new SealedOutbox(await this.#records.copies(), this.requests, this.signer, own);
  }

  async #afterOpening(records: OpenedRecords): Promise<void> {
    // Without the share a lost key cannot be had again; the records are open all the same.
    try {
      await this.#records.takeRejoined(records);
      await this.#records.noteDevice(records);
    } catch {
      // The next exchange tries again.
    }
    await this.#handOverNotes(records);
  }

  /** What was noted of PINs goes into the chain of this tablet, now that it is open (AU4). */
  async #handOverNotes({ store }: OpenedRecords): Promise<void> {
    const device = store.ownDevice()?.device;
    if (device === undefined) return;
    const { newEpoch } = this.#parts;
    const take: Parameters<KeyNotes['handOver']>[0] = (note, atMs) =>
      noteAccess(store.database, device, note, atMs, newEpoch);
    await this.#notes.handOver(take).catch(() => {});
  }

  async #beginUpload(): Promise<void> {
    this.#upload = new LockedUpload(await this.#outbox(), {
      ...this.#around,
      // What the status line says in an emergency is said by the store that is open.
      onExchange: (standing) => this.#isEmergency || this.#around.onExchange(standing),
      nowMs: this.#parts.nowMs,
      chance: randomFraction,
      askStanding: () => this.#askStanding(),
    });
    void this.#upload.run();
  }

  async #startEmergency(): Promise<{ kind: 'started' } | KeyRefusal> {
    try {
      await this.#parts.ring.emergencyKey();
      return { kind: 'started' };
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  }

  async #recover(code: string): Promise<RecoveryAnswer> {
    const { share, ring, newEpoch } = this.#parts;
    const around = { share, ring, newEpoch, requests: this.requests, signer: this.signer };
    try {
      return await recoverKeys(around, code);
    } catch (error) {
      return { kind: isUndecided(error) ? 'unheard' : 'refused', sentence: whyOf(error) };
    }
  }
}
