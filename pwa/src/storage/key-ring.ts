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
import { NO_SLOTS, type PlainSlots } from './key-ring-content';
import { readBase64, writeBase64 } from './key-ring-crypto';
import { EmergencyKeys } from './key-ring-emergency';
import {
  type NewPerson,
  type PinAnswer,
  RingPeople,
  type RingPerson,
  type UnlockAnswer,
} from './key-ring-people';
import { requirePin } from './key-ring-pin';
import type { RingShelves } from './key-ring-shelves';
import { KEY_BYTES, type RingSurroundings, RingTurns } from './key-ring-turns';

export type { NewPerson, PinAnswer, PinRefusal, RingPerson, UnlockAnswer } from './key-ring-people';
export type { RingShelf, RingShelves } from './key-ring-shelves';
export type { RingSurroundings } from './key-ring-turns';

export interface RingStanding {
  people: RingPerson[];
  /** Nobody has a PIN here yet, so that the records open without one. */
  isOpen: boolean;
  /** A live case is open without a PIN. */
  hasLive: boolean;
  /** An emergency case is open, without the other records. */
  hasEmergency: boolean;
}

export class KeyRing {
  readonly #turns: RingTurns;
  readonly #around: RingSurroundings;
  readonly #people: RingPeople;
  readonly #emergency: EmergencyKeys;

  private constructor(turns: RingTurns, around: RingSurroundings) {
    this.#turns = turns;
    this.#around = around;
    this.#people = new RingPeople(turns, around);
    this.#emergency = new EmergencyKeys(turns, around);
  }

  /**
   * Read the ring of this tablet, or begin one.
   *
   * @throws an error where a home that may hold the only key cannot be read: nothing is written then
   */
  static async open(shelves: RingShelves, around: RingSurroundings): Promise<KeyRing> {
    const ring = new KeyRing(await RingTurns.open(shelves, around), around);
    await ring.#people.look();
    return ring;
  }

  standing(): RingStanding {
    const { slots } = this.#turns.content;
    return {
      people: this.#people.list(),
      isOpen: slots.first !== null,
      hasLive: this.#liveSlot() !== null,
      hasEmergency: this.#turns.isOpenNow(slots.emergency),
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
    return this.#turns.inTurn(async () => {
      const { people, pair: held, slots: before } = this.#turns.content;
      if (before.first !== null) return readBase64(before.first);
      const key = new Uint8Array(recovered ?? this.#around.random(KEY_BYTES));
      const pair = await this.#emergency.pairFor(key);
      // The unit gives a key back where no PIN is known any more: only the same one replaces them.
      const isSame = recovered !== undefined && held !== null && pair === held;
      if (people.length > 0 && !isSame) throw new Error(tell('pinNeeded'));
      const loose = before.loose ?? [];
      const slots = { ...before, first: writeBase64(key), ...(loose.length > 0 && { loose: [] }) };
      const sealed = [
        ...this.#turns.content.sealed,
        ...(await this.#emergency.sealLoose(loose, pair.publicKey)),
      ];
      await this.#turns.write(
        { ...this.#turns.content, people: [], slots, pair, sealed },
        loose.length > 0,
      );
      return key;
    });
  }

  /** Return the data key where it is open without a PIN: before the first one, or in a live case. */
  async openKey(): Promise<Uint8Array | null> {
    const { first } = this.#turns.content.slots;
    const key = first ?? this.#liveSlot()?.key ?? null;
    return key === null ? null : readBase64(key);
  }

  /**
   * Give a person a PIN here; the first one closes the open key.
   *
   * @throws WeakPinError for a PIN that may not be chosen; nothing was changed
   */
  addPerson(dataKey: Uint8Array, person: NewPerson, pin: string): Promise<void> {
    return this.#turns.inTurn(() => this.#people.add(dataKey, person, pin));
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
    return this.#turns.inTurn(() => this.#people.try(staff, pin));
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
    return this.#turns.inTurn(() => this.#people.change(staff, oldPin, newPin));
  }

  /**
   * Take a person's key away from this tablet.
   *
   * @throws an error for the last person: the records could not be opened any more
   */
  removePerson(staff: string): Promise<void> {
    return this.#turns.inTurn(async () => {
      if (this.#people.isLast(staff)) {
        throw new Error(tell('lastPerson'));
      }
      await this.#people.drop(staff);
    });
  }

  /**
   * Keep the data key open through a live case, for 12 hours from this call; null takes it away.
   */
  keepLive(dataKey: Uint8Array | null): Promise<void> {
    return this.#turns.inTurn(async () => {
      const { live } = this.#turns.content.slots;
      const key = dataKey === null ? null : writeBase64(dataKey);
      if (live === null && key === null) return;
      const next = key === null ? null : { key, sinceMs: this.#around.nowMs() };
      await this.#turns.writeSlots({ live: next }, live !== null && live.key !== key);
    });
  }

  /**
   * Return the key of the emergency records in use, making one where there is none.
   *
   * Where every key was lost there is nothing to seal it for: it lies in the clear then, until the
   * unit has given the data key back. A case that bleeds now does not wait for that.
   */
  emergencyKey(): Promise<{ number: number; key: Uint8Array }> {
    return this.#turns.inTurn(() => this.#emergency.current());
  }

  /** Close the emergency records: from now on only a person with a PIN opens them. */
  closeEmergency(): Promise<void> {
    return this.#turns.inTurn(async () => {
      if (this.#turns.content.slots.emergency === null) return;
      await this.#turns.writeSlots({ emergency: null }, true);
    });
  }

  /** Return the keys of emergency records that were not yet put into the log. */
  emergencyKeys(dataKey: Uint8Array): Promise<{ number: number; key: Uint8Array }[]> {
    return this.#emergency.open(dataKey);
  }

  /** Return the numbers of emergency records that were not yet put into the log. */
  emergencyNumbers(): number[] {
    return this.#emergency.numbers();
  }

  /** Forget the key of emergency records that are in the log by now. */
  dropEmergency(number: number): Promise<void> {
    return this.#turns.inTurn(() => this.#emergency.drop(number));
  }

  /** Return what was noted under a name, null where nothing was. Notes are no secrets. */
  note(name: string): string | null {
    return this.#turns.content.notes[name] ?? null;
  }

  /** Keep a short text that a locked tablet needs: the unit's public key, the recovery share. */
  keepNote(name: string, text: string | null): Promise<void> {
    return this.#turns.inTurn(async () => {
      if (this.note(name) === text) return;
      const { [name]: _, ...others } = this.#turns.content.notes;
      const notes = text === null ? others : { ...others, [name]: text };
      await this.#turns.write({ ...this.#turns.content, notes });
    });
  }

  /** Throw every key away: nobody opens the records of this tablet any more. */
  wipe(): Promise<void> {
    return this.#turns.inTurn(async () => {
      const deviceSecret = writeBase64(this.#around.random(KEY_BYTES));
      const { turn } = this.#turns.content;
      const empty = { people: [], pair: null, sealed: [], lastNumber: 0, notes: {} };
      const next = { ...empty, turn, deviceSecret, slots: NO_SLOTS };
      // Overwritten before they are removed.
      await this.#turns.write(next, true);
      await this.#turns.removeHomes();
    });
  }

  #liveSlot(): PlainSlots['live'] {
    const { live } = this.#turns.content.slots;
    return this.#turns.isOpenNow(live) ? live : null;
  }
}
