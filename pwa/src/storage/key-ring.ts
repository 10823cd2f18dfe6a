/**
 * The keys of this tablet: one data key, wrapped once for each person who has a PIN here.
 *
 * It lies in two homes, either of which suffices. What a home says is believed by its checksum, and
 * of the sound ones the newest counts. Keys in the clear (before the first PIN, through a live
 * case) lie in the files alone and are overwritten there, at both places, when they are taken away:
 * a database that appends would keep them. A try is counted on the disk before it is made, so that
 * nobody gets a free one by ending the app [SEC-12] [SEC-13].
 */
import { tell } from '../told';
import {
  type LooseKey,
  NO_SLOTS,
  type OpenSlot,
  type PlainSlots,
  type RingContent,
  type RingEntry,
  type SealedKey,
} from './key-ring-content';
import { type Argon, type ArgonCost, strongerCost } from './key-ring-cost';
import {
  type Bytes,
  deriveKey,
  keyOfPin,
  makePair,
  openSealedKey,
  readBase64,
  sealKey,
  unwrap,
  wrap,
  writeBase64,
} from './key-ring-crypto';
import { readHomes, writeHomes } from './key-ring-homes';
import { MOST_TRIES, requirePin, waitAfter } from './key-ring-pin';
import type { RingShelves } from './key-ring-shelves';

export type { RingShelf, RingShelves } from './key-ring-shelves';

const KEY_BYTES = 32;
const SALT_BYTES = 16;
/** Counted from the last work at the case: a slot that was left behind closes then. */
const LIVE_MS = 12 * 3_600_000;

/** A person of this tablet, as the locked screen shows it. */
export interface RingPerson {
  staff: string;
  name: string;
  role: string;
  /** Before the wrap is destroyed; 0 where each further wrong PIN waits instead (the last person). */
  triesLeft: number;
  /** Wall milliseconds before which no PIN is tried; 0 where none waits. */
  waitUntilMs: number;
}

export interface RingStanding {
  people: RingPerson[];
  /** Nobody has a PIN here yet, so that the records open without one. */
  isOpen: boolean;
  /** A live case is open without a PIN. */
  hasLive: boolean;
  /** An emergency case is open, without the other records. */
  hasEmergency: boolean;
}

/** Why a PIN opened nothing. */
export type PinRefusal =
  | { kind: 'wrong'; triesLeft: number; waitUntilMs: number }
  | { kind: 'waiting'; waitUntilMs: number }
  /** The person has no key on this tablet, or has none any more. */
  | { kind: 'removed' };
export type UnlockAnswer = { kind: 'open'; dataKey: Uint8Array } | PinRefusal;
export type PinAnswer = { kind: 'right' } | PinRefusal;

export interface RingSurroundings {
  /** Wall milliseconds. */
  nowMs(): number;
  random(bytes: number): Uint8Array;
  argon: Argon;
}

export type NewPerson = Pick<RingPerson, 'staff' | 'name' | 'role'>;

export class KeyRing {
  readonly #shelves: RingShelves;
  readonly #around: RingSurroundings;
  #content: RingContent;
  #turns: Promise<unknown> = Promise.resolve();
  #cost: ArgonCost | null = null;

  private constructor(shelves: RingShelves, around: RingSurroundings, content: RingContent) {
    this.#shelves = shelves;
    this.#around = around;
    this.#content = content;
  }

  /**
   * Read the ring of this tablet, or begin one.
   *
   * @throws an error where a home that may hold the only key cannot be read: nothing is written then
   */
  static async open(shelves: RingShelves, around: RingSurroundings): Promise<KeyRing> {
    const { newest, slots, isSame } = await readHomes(shelves);
    const content = newest ?? {
      turn: 0,
      deviceSecret: writeBase64(around.random(KEY_BYTES)),
      people: [],
      pair: null,
      sealed: [],
      lastNumber: 0,
      notes: {},
      slots,
    };
    const ring = new KeyRing(shelves, around, { ...content, slots });
    await ring.#mend(isSame);
    return ring;
  }

  standing(): RingStanding {
    const { people, slots } = this.#content;
    return {
      people: people.map(({ staff, name, role, tries, waitUntilMs }) => ({
        staff,
        name,
        role,
        triesLeft: this.#triesLeft(staff, tries),
        waitUntilMs: this.#untilMs({ tries, waitUntilMs }),
      })),
      isOpen: slots.first !== null,
      hasLive: this.#liveSlot() !== null,
      hasEmergency: this.#isOpenNow(slots.emergency),
    };
  }

  /**
   * Return the data key of a tablet that nobody has a PIN on yet, making it at the first start.
   *
   * @param recovered - the key that the unit has given back: it is taken instead of a new one, and
   *   in the place of PINs that open the same
   * @throws an error where somebody has a PIN here: there is a data key already
   */
  firstKey(recovered?: Uint8Array): Promise<Uint8Array> {
    return this.#inTurn(async () => {
      const { people, pair: held, slots: before } = this.#content;
      if (before.first !== null) return readBase64(before.first);
      const key = new Uint8Array(recovered ?? this.#around.random(KEY_BYTES));
      const pair = await this.#pairFor(key);
      // The unit gives a key back where no PIN is known any more: only the same one replaces them.
      const isSame = recovered !== undefined && held !== null && pair === held;
      if (people.length > 0 && !isSame) throw new Error(tell('pinNeeded'));
      const loose = before.loose ?? [];
      const slots = { ...before, first: writeBase64(key), ...(loose.length > 0 && { loose: [] }) };
      const sealed = [...this.#content.sealed, ...(await this.#sealLoose(loose, pair.publicKey))];
      await this.#write({ ...this.#content, people: [], slots, pair, sealed }, loose.length > 0);
      return key;
    });
  }

  /** Return the data key where it is open without a PIN: before the first one, or in a live case. */
  async openKey(): Promise<Uint8Array | null> {
    const { first } = this.#content.slots;
    const key = first ?? this.#liveSlot()?.key ?? null;
    return key === null ? null : readBase64(key);
  }

  /**
   * Give a person a PIN here; the first one closes the open key.
   *
   * @throws WeakPinError for a PIN that may not be chosen; nothing was changed
   */
  addPerson(dataKey: Uint8Array, person: NewPerson, pin: string): Promise<void> {
    return this.#inTurn(async () => {
      requirePin(pin);
      const entry = await this.#newEntry(dataKey, person, pin);
      const { people, slots } = this.#content;
      const others = people.filter(({ staff }) => staff !== person.staff);
      const next = { ...this.#content, people: [...others, entry] };
      await this.#write({ ...next, slots: { ...slots, first: null } }, slots.first !== null);
    });
  }

  /**
   * Refuse a PIN that may not be chosen.
   *
   * @throws WeakPinError
   */
  requirePin(pin: string): void {
    requirePin(pin);
  }

  /** Try a PIN, for the data key. */
  unlock(staff: string, pin: string): Promise<UnlockAnswer> {
    return this.#inTurn(() => this.#try(staff, pin));
  }

  /** Try a PIN, for what its person confirms. */
  async checkPin(staff: string, pin: string): Promise<PinAnswer> {
    const answer = await this.unlock(staff, pin);
    return answer.kind === 'open' ? { kind: 'right' } : answer;
  }

  /**
   * Give a person another PIN.
   *
   * @throws WeakPinError for a PIN that may not be chosen; no try was counted
   */
  changePin(staff: string, oldPin: string, newPin: string): Promise<PinAnswer> {
    return this.#inTurn(async () => {
      requirePin(newPin);
      const answer = await this.#try(staff, oldPin);
      if (answer.kind !== 'open') return answer;
      const before = this.#entry(staff) as RingEntry;
      // The wrap of the PIN until now goes from both places: whoever knows it has no way in.
      await this.#replace(await this.#newEntry(answer.dataKey, before, newPin), true);
      return { kind: 'right' };
    });
  }

  /**
   * Take a person's key away from this tablet.
   *
   * @throws an error for the last person: the records could not be opened any more
   */
  removePerson(staff: string): Promise<void> {
    return this.#inTurn(async () => {
      if (this.#isLast(staff)) {
        throw new Error(tell('lastPerson'));
      }
      await this.#drop(staff);
    });
  }

  /**
   * Keep the data key open through a live case, for 12 hours from this call; null takes it away.
   */
  keepLive(dataKey: Uint8Array | null): Promise<void> {
    return this.#inTurn(async () => {
      const { live } = this.#content.slots;
      const key = dataKey === null ? null : writeBase64(dataKey);
      if (live === null && key === null) return;
      const next = key === null ? null : { key, sinceMs: this.#around.nowMs() };
      await this.#writeSlots({ live: next }, live !== null && live.key !== key);
    });
  }

  /**
   * Return the key of the emergency records in use, making one where there is none.
   *
   * Where every key was lost there is nothing to seal it for: it lies in the clear then, until the
   * unit has given the data key back. A case that bleeds now does not wait for that.
   */
  emergencyKey(): Promise<{ number: number; key: Uint8Array }> {
    return this.#inTurn(async () => {
      const { slots, pair, lastNumber, sealed } = this.#content;
      if (slots.emergency !== null && this.#isOpenNow(slots.emergency)) {
        return { number: slots.emergency.number, key: readBase64(slots.emergency.key) };
      }
      const number = lastNumber + 1;
      const key = new Uint8Array(this.#around.random(KEY_BYTES));
      const one = { number, key: writeBase64(key) };
      const emergency = { ...one, sinceMs: this.#around.nowMs() };
      const loose = [...(slots.loose ?? []), ...(pair === null ? [one] : [])];
      const added = pair === null ? [] : await this.#sealLoose([one], pair.publicKey);
      await this.#write({
        ...this.#content,
        lastNumber: number,
        sealed: [...sealed, ...added],
        slots: { ...slots, emergency, ...(loose.length > 0 && { loose }) },
      });
      return { number, key };
    });
  }

  /** Close the emergency records: from now on only a person with a PIN opens them. */
  closeEmergency(): Promise<void> {
    return this.#inTurn(async () => {
      if (this.#content.slots.emergency === null) return;
      await this.#writeSlots({ emergency: null }, true);
    });
  }

  /** Return the keys of emergency records that were not yet put into the log. */
  async emergencyKeys(dataKey: Uint8Array): Promise<{ number: number; key: Uint8Array }[]> {
    const { pair, sealed } = this.#content;
    if (pair === null || sealed.length === 0) return [];
    const half = await unwrap(await pairKey(dataKey), pair.privateKey, pair.publicKey);
    if (half === null) return [];
    const opened: { number: number; key: Uint8Array }[] = [];
    for (const one of sealed) {
      const key = await openSealedKey(half, one);
      if (key !== null) opened.push({ number: one.number, key });
    }
    return opened;
  }

  /** Return the numbers of emergency records that were not yet put into the log. */
  emergencyNumbers(): number[] {
    const { sealed, slots } = this.#content;
    return [...sealed, ...(slots.loose ?? [])].map(({ number }) => number);
  }

  /** Forget the key of emergency records that are in the log by now. */
  dropEmergency(number: number): Promise<void> {
    return this.#inTurn(async () => {
      const { slots, sealed } = this.#content;
      const emergency = slots.emergency?.number === number ? null : slots.emergency;
      const rest = sealed.filter((one) => one.number !== number);
      const next = { ...this.#content, sealed: rest, slots: { ...slots, emergency } };
      await this.#write(next, emergency !== slots.emergency);
    });
  }

  /** Return what was noted under a name, null where nothing was. Notes are no secrets. */
  note(name: string): string | null {
    return this.#content.notes[name] ?? null;
  }

  /** Keep a short text that a locked tablet needs: the unit's public key, the recovery share. */
  keepNote(name: string, text: string | null): Promise<void> {
    return this.#inTurn(async () => {
      if (this.note(name) === text) return;
      const { [name]: _, ...others } = this.#content.notes;
      const notes = text === null ? others : { ...others, [name]: text };
      await this.#write({ ...this.#content, notes });
    });
  }

  /** Throw every key away: nobody opens the records of this tablet any more. */
  wipe(): Promise<void> {
    return this.#inTurn(async () => {
      const deviceSecret = writeBase64(this.#around.random(KEY_BYTES));
      const { turn } = this.#content;
      const empty = { people: [], pair: null, sealed: [], lastNumber: 0, notes: {} };
      const next = { ...empty, turn, deviceSecret, slots: NO_SLOTS };
      // Overwritten before they are removed.
      await this.#write(next, true);
      await Promise.all([this.#shelves.files.wipe(), this.#shelves.indexed.wipe()]);
    });
  }

  async #try(staff: string, pin: string): Promise<UnlockAnswer> {
    const entry = this.#entry(staff);
    if (entry === undefined) return { kind: 'removed' };
    const waitUntilMs = this.#untilMs(entry);
    if (waitUntilMs > 0) {
      // A clock that was set back must not make the wait longer.
      if (waitUntilMs !== entry.waitUntilMs) await this.#replace({ ...entry, waitUntilMs });
      return { kind: 'waiting', waitUntilMs };
    }
    if (entry.tries >= MOST_TRIES && !this.#isLast(staff)) return this.#dropAfterTries(staff);
    // The last wrap is never thrown away: its tries wait, each as long as the longest wait.
    const most = this.#isLast(staff) ? MOST_TRIES - 1 : MOST_TRIES;
    const tries = Math.min(entry.tries + 1, most);
    const nextWait = waitAfter(tries);
    const until = nextWait === 0 ? 0 : this.#around.nowMs() + nextWait;
    await this.#replace({ ...entry, tries, waitUntilMs: until });
    const began = this.#around.nowMs();
    const dataKey = await this.#unwrap(entry, pin);
    const tookMs = this.#around.nowMs() - began;
    if (dataKey === null) {
      if (tries >= MOST_TRIES) return this.#dropAfterTries(staff);
      return { kind: 'wrong', triesLeft: this.#triesLeft(staff, tries), waitUntilMs: until };
    }
    await this.#replace(await this.#rested(entry, dataKey, pin, tookMs), false, this.#renewed());
    return { kind: 'open', dataKey };
  }

  /** Return how many wrong PINs take the wrap away; 0 where each further one waits instead. */
  #triesLeft(staff: string, tries: number): number {
    return this.#isLast(staff) && tries >= MOST_TRIES - 1 ? 0 : MOST_TRIES - tries;
  }

  #isLast(staff: string): boolean {
    return this.#content.people.every((one) => one.staff === staff);
  }

  async #dropAfterTries(staff: string): Promise<UnlockAnswer> {
    await this.#drop(staff);
    return { kind: 'removed' };
  }

  #drop(staff: string): Promise<void> {
    const people = this.#content.people.filter((one) => one.staff !== staff);
    return this.#write({ ...this.#content, people }, true);
  }

  /** Return the entry with its tries forgotten, wrapped anew where the device can afford more. */
  async #rested(entry: RingEntry, key: Bytes, pin: string, tookMs: number): Promise<RingEntry> {
    const cost = strongerCost(entry.cost, tookMs);
    if (cost === null) return { ...entry, tries: 0, waitUntilMs: 0 };
    return this.#newEntry(key, entry, pin, cost);
  }

  async #unwrap(entry: RingEntry, pin: string): Promise<Bytes | null> {
    const hashed = await this.#around.argon.hash(pin, readBase64(entry.salt), entry.cost);
    const secret = readBase64(this.#content.deviceSecret);
    return unwrap(await keyOfPin(hashed, secret, entry.staff), entry.wrapped, entry.staff);
  }

  async #newEntry(
    dataKey: Uint8Array,
    person: NewPerson,
    pin: string,
    asked?: ArgonCost,
  ): Promise<RingEntry> {
    const salt = this.#around.random(SALT_BYTES);
    const cost = asked ?? (await this.#ownCost());
    const hashed = await this.#around.argon.hash(pin, salt, cost);
    const key = await keyOfPin(hashed, readBase64(this.#content.deviceSecret), person.staff);
    return {
      staff: person.staff,
      name: person.name,
      role: person.role,
      salt: writeBase64(salt),
      cost,
      wrapped: await wrap(key, dataKey, person.staff, this.#around.random),
      tries: 0,
      waitUntilMs: 0,
    };
  }

  async #ownCost(): Promise<ArgonCost> {
    this.#cost ??= await this.#around.argon.calibrate();
    return this.#cost;
  }

  /** Return the pair for emergency keys: the one that the data key opens, else a new one. */
  async #pairFor(dataKey: Uint8Array): Promise<NonNullable<RingContent['pair']>> {
    const key = await pairKey(dataKey);
    const { pair } = this.#content;
    if (pair !== null && (await unwrap(key, pair.privateKey, pair.publicKey)) !== null) return pair;
    const { publicKey, privateKey } = await makePair();
    const closed = await wrap(key, privateKey, publicKey, this.#around.random);
    return { publicKey, privateKey: closed };
  }

  #entry(staff: string): RingEntry | undefined {
    return this.#content.people.find((one) => one.staff === staff);
  }

  /** Until when no PIN of a person is tried; 0 when one may be tried now. */
  #untilMs({ tries, waitUntilMs }: Pick<RingEntry, 'tries' | 'waitUntilMs'>): number {
    const now = this.#around.nowMs();
    return waitUntilMs <= now ? 0 : Math.min(waitUntilMs, now + waitAfter(tries));
  }

  #liveSlot(): PlainSlots['live'] {
    const { live } = this.#content.slots;
    return this.#isOpenNow(live) ? live : null;
  }

  #isOpenNow(slot: OpenSlot | null): boolean {
    return slot !== null && this.#around.nowMs() - slot.sinceMs < LIVE_MS;
  }

  #sealLoose(loose: readonly LooseKey[], publicKey: string): Promise<SealedKey[]> {
    const { random } = this.#around;
    return Promise.all(
      loose.map(({ number, key }) => sealKey(publicKey, number, readBase64(key), random)),
    );
  }

  #replace(entry: RingEntry, takesAway = false, slots = this.#content.slots): Promise<void> {
    const people = this.#content.people.map((one) => (one.staff === entry.staff ? entry : one));
    return this.#write({ ...this.#content, people, slots }, takesAway);
  }

  /** Somebody has shown by a PIN that they are at the live case: its hours begin anew. */
  #renewed(): PlainSlots {
    const { slots } = this.#content;
    const { live } = slots;
    return live === null ? slots : { ...slots, live: { ...live, sinceMs: this.#around.nowMs() } };
  }

  #writeSlots(slots: Partial<PlainSlots>, takesAway: boolean): Promise<void> {
    const next = { ...this.#content, slots: { ...this.#content.slots, ...slots } };
    return this.#write(next, takesAway);
  }

  /** Write the next turn; both places where a key is taken away, which an older copy still holds. */
  async #write(content: RingContent, takesAway = false): Promise<void> {
    for (let time = 0; time < (takesAway ? 2 : 1); time++) {
      const next = { ...content, turn: this.#content.turn + 1 };
      await writeHomes(this.#shelves, next, takesAway);
      this.#content = next;
    }
  }

  /** Bring both homes to the newest turn; a home that refuses now is tried at the next write. */
  async #mend(isSame: boolean): Promise<void> {
    const { live, emergency } = this.#content.slots;
    const isLate = (slot: OpenSlot | null) => slot !== null && !this.#isOpenNow(slot);
    if (isLate(live)) await this.keepLive(null);
    if (isLate(emergency)) await this.closeEmergency();
    if (!isSame && !isLate(live) && !isLate(emergency))
      await this.#write(this.#content, true).catch(() => {});
  }

  /** One change after another: each begins from what the one before has written. */
  #inTurn<Answer>(work: () => Promise<Answer>): Promise<Answer> {
    const done = this.#turns.then(work, work);
    this.#turns = done.catch(() => {});
    return done;
  }
}

function pairKey(dataKey: Uint8Array): Promise<CryptoKey> {
  return deriveKey(new Uint8Array(dataKey), 'crura-emergency-pair');
}
