/**
 * The people of a key ring: each has the data key, wrapped under what their PIN makes.
 *
 * Tries have an end [SEC-13]. Ten wrong ones in a row destroy a person's wrap; of the last person
 * twenty do, and only where the unit can give the data key back. Where it cannot, the last wrap is all
 * that opens the records: it stays, and each further try waits. A wait is measured by the running time
 * of the page: a clock that was set ends none, and a page that begins anew serves it from the start.
 */
import type { PlainSlots, RingEntry } from './key-ring-content';
import { type ArgonCost, strongerCost } from './key-ring-cost';
import { type Bytes, keyOfPin, readBase64, unwrap, wrap, writeBase64 } from './key-ring-crypto';
import { MOST_TRIES, MOST_TRIES_OF_LAST, requirePin, waitAfter } from './key-ring-pin';
import type { RingSurroundings, RingTurns } from './key-ring-turns';

const SALT_BYTES = 16;
/** Name of the ring's note of the share that it sealed for the unit (`recovery-share.ts`). */
export const SHARE_NOTE = 'recovery-share';

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

/** Why a PIN opened nothing. */
export type PinRefusal =
  | { kind: 'wrong'; triesLeft: number; waitUntilMs: number }
  | { kind: 'waiting'; waitUntilMs: number }
  /** The person has no key on this tablet, or has none any more; `isNobodyLeft`: nor has another. */
  | { kind: 'removed'; isNobodyLeft?: true };
export type UnlockAnswer = { kind: 'open'; dataKey: Uint8Array } | PinRefusal;
export type PinAnswer = { kind: 'right' } | PinRefusal;

export type NewPerson = Pick<RingPerson, 'staff' | 'name' | 'role'>;

/** Changes are made within a turn of `RingTurns`; a try is written before it is made. */
export class RingPeople {
  readonly #turns: RingTurns;
  readonly #around: RingSurroundings;
  #cost: ArgonCost | null = null;
  /** When a wait that an earlier page left began again; running time. */
  readonly #openedMs: number;
  /** When each person's last PIN was tried in this page; running time. */
  readonly #triedMs = new Map<string, number>();
  /** The unit can give the data key back, as far as was seen last. */
  #isHeldByUnit = false;

  constructor(turns: RingTurns, around: RingSurroundings) {
    this.#turns = turns;
    this.#around = around;
    this.#openedMs = around.monotonicMs();
  }

  /** See whether the unit could give the data key back; call it before `list` tells of tries left. */
  async look(): Promise<void> {
    const mark = await this.#around.markOfShare().catch(() => null);
    // What lies there may be of a key that was here before: the ring says which it sealed.
    this.#isHeldByUnit = mark !== null && mark === this.#turns.content.notes[SHARE_NOTE];
  }

  list(): RingPerson[] {
    return this.#turns.content.people.map((entry) => ({
      staff: entry.staff,
      name: entry.name,
      role: entry.role,
      triesLeft: this.#triesLeft(entry.staff, entry.tries),
      waitUntilMs: this.#untilMs(entry),
    }));
  }

  /** Give a person a PIN; the first one closes the open key. */
  async add(dataKey: Uint8Array, person: NewPerson, pin: string): Promise<void> {
    requirePin(pin);
    const entry = await this.#newEntry(dataKey, person, pin);
    const { people, slots } = this.#turns.content;
    // Whoever was the last had more tries than one of several: the next wrong one takes the wrap.
    const others = people
      .filter(({ staff }) => staff !== person.staff)
      .map((one) => ({ ...one, tries: Math.min(one.tries, MOST_TRIES - 1) }));
    const next = { ...this.#turns.content, people: [...others, entry] };
    await this.#turns.write({ ...next, slots: { ...slots, first: null } }, slots.first !== null);
  }

  /** Give a person another PIN where the old one is right; a weak one is refused before any try. */
  async change(staff: string, oldPin: string, newPin: string): Promise<PinAnswer> {
    requirePin(newPin);
    const answer = await this.try(staff, oldPin);
    if (answer.kind !== 'open') return answer;
    const before = this.#entry(staff) as RingEntry;
    // The wrap of the PIN until now goes from both places: whoever knows it has no way in.
    await this.#replace(await this.#newEntry(answer.dataKey, before, newPin), true);
    return { kind: 'right' };
  }

  /** Try a PIN, for the data key. */
  async try(staff: string, pin: string): Promise<UnlockAnswer> {
    const entry = this.#entry(staff);
    if (entry === undefined) return this.#removed();
    const waitUntilMs = this.#untilMs(entry);
    if (waitUntilMs > 0) return { kind: 'waiting', waitUntilMs };
    await this.look();
    const most = this.#mostTries(staff);
    if (most !== null && entry.tries >= most) return this.#dropAfterTries(staff);
    // A wrap that stays is counted up to where each further try waits the longest.
    const tries = Math.min(entry.tries + 1, most ?? MOST_TRIES - 1);
    const nextWait = waitAfter(tries);
    const until = nextWait === 0 ? 0 : this.#around.nowMs() + nextWait;
    await this.#replace({ ...entry, tries, waitUntilMs: until });
    this.#triedMs.set(staff, this.#around.monotonicMs());
    const began = this.#around.nowMs();
    const dataKey = await this.#unwrap(entry, pin);
    const tookMs = this.#around.nowMs() - began;
    if (dataKey === null) {
      if (most !== null && tries >= most) return this.#dropAfterTries(staff);
      return { kind: 'wrong', triesLeft: this.#triesLeft(staff, tries), waitUntilMs: until };
    }
    await this.#replace(await this.#rested(entry, dataKey, pin, tookMs), false, this.#renewed());
    return { kind: 'open', dataKey };
  }

  /** Return how many wrong PINs in a row take the wrap away; null where none do. */
  #mostTries(staff: string): number | null {
    if (!this.isLast(staff)) return MOST_TRIES;
    return this.#isHeldByUnit ? MOST_TRIES_OF_LAST : null;
  }

  /** Return how many wrong PINs take the wrap away; 0 where each further one waits instead. */
  #triesLeft(staff: string, tries: number): number {
    const most = this.#mostTries(staff);
    if (most !== null) return Math.max(0, most - tries);
    return tries >= MOST_TRIES - 1 ? 0 : MOST_TRIES - tries;
  }

  /** Whether nobody else has a PIN here: the records could not be opened without this person. */
  isLast(staff: string): boolean {
    return this.#turns.content.people.every((one) => one.staff === staff);
  }

  async #dropAfterTries(staff: string): Promise<UnlockAnswer> {
    await this.drop(staff);
    return this.#removed();
  }

  #removed(): PinRefusal {
    const isNobodyLeft = this.#turns.content.people.length === 0;
    return { kind: 'removed', ...(isNobodyLeft && { isNobodyLeft: true as const }) };
  }

  /** Take a person's wrap away, from both homes. */
  drop(staff: string): Promise<void> {
    const people = this.#turns.content.people.filter((one) => one.staff !== staff);
    return this.#turns.write({ ...this.#turns.content, people }, true);
  }

  /** Return the entry with its tries forgotten, wrapped anew where the device can afford more. */
  async #rested(entry: RingEntry, key: Bytes, pin: string, tookMs: number): Promise<RingEntry> {
    const cost = strongerCost(entry.cost, tookMs);
    if (cost === null) return { ...entry, tries: 0, waitUntilMs: 0 };
    return this.#newEntry(key, entry, pin, cost);
  }

  async #unwrap(entry: RingEntry, pin: string): Promise<Bytes | null> {
    const hashed = await this.#around.argon.hash(pin, readBase64(entry.salt), entry.cost);
    const secret = readBase64(this.#turns.content.deviceSecret);
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
    const key = await keyOfPin(hashed, readBase64(this.#turns.content.deviceSecret), person.staff);
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

  #entry(staff: string): RingEntry | undefined {
    return this.#turns.content.people.find((one) => one.staff === staff);
  }

  /**
   * Until when no PIN of a person is tried, by the wall clock as it goes now; 0 when one may be tried.
   *
   * How long is left is told by running time alone: whoever holds the tablet sets the clock.
   */
  #untilMs({ staff, tries, waitUntilMs }: RingEntry): number {
    if (waitUntilMs === 0) return 0;
    const ranMs = this.#around.monotonicMs() - (this.#triedMs.get(staff) ?? this.#openedMs);
    const leftMs = waitAfter(tries) - ranMs;
    return leftMs <= 0 ? 0 : this.#around.nowMs() + leftMs;
  }

  #replace(entry: RingEntry, takesAway = false, slots = this.#turns.content.slots): Promise<void> {
    const people = this.#turns.content.people.map((one) =>
      one.staff === entry.staff ? entry : one,
    );
    return this.#turns.write({ ...this.#turns.content, people, slots }, takesAway);
  }

  /** Somebody has shown by a PIN that they are at the live case: its hours begin anew. */
  #renewed(): PlainSlots {
    const { slots } = this.#turns.content;
    const { live } = slots;
    return live === null ? slots : { ...slots, live: { ...live, sinceMs: this.#around.nowMs() } };
  }
}
