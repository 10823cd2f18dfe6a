/**
 * The key ring as the page calls it: the data key stays in the worker, the page gets answers.
 *
 * Who may have a PIN here is checked where the key is, not on the screen: somebody who has one
 * gives theirs, or the unit has taken a one-time code and says whose it is.
 */
import type { KeyKeeper, KeyRefusal, PersonHere, PinAnswer, Voucher } from '../ports';
import { tell, whyOf } from '../told';
import type { KeyRing, RingStanding } from './key-ring';

type Named = Pick<PersonHere, 'staff' | 'name' | 'role'>;

/** Asks the unit whose a one-time code is; the code is used up by it. */
export type RedeemCode = (
  code: string,
) => Promise<({ kind: 'person' } & Named) | { kind: 'refused'; sentence: string }>;

/** What the ring answers without the store: opening, emergency and lock are the worker's. */
export type RingCall = Exclude<
  keyof KeyKeeper,
  'startEmergency' | 'recover' | 'startAnew' | 'lock'
>;

export class KeyRingService implements Pick<KeyKeeper, RingCall> {
  readonly #ring: KeyRing;
  readonly #redeem: RedeemCode;
  #dataKey: Uint8Array | null = null;

  constructor(ring: KeyRing, redeem: RedeemCode) {
    this.#ring = ring;
    this.#redeem = redeem;
  }

  /** The key that opens the records; null while they are locked. */
  get dataKey(): Uint8Array | null {
    return this.#dataKey;
  }

  /**
   * Take the key that needs no PIN: before the first one, or through a live case.
   *
   * @param isNew - no records lie here yet, so that a key may be made
   */
  async openWithoutPin(isNew: boolean): Promise<Uint8Array | null> {
    this.#dataKey ??= await this.#ring.openKey();
    if (this.#dataKey === null && isNew && this.#ring.standing().people.length === 0) {
      this.#dataKey = await this.#ring.firstKey();
    }
    return this.#dataKey;
  }

  standing(): RingStanding {
    return this.#ring.standing();
  }

  async keyStanding(): Promise<RingStanding> {
    return this.standing();
  }

  async unlock(staff: string, pin: string): Promise<PinAnswer> {
    const answer = await this.#ring.unlock(staff, pin);
    if (answer.kind !== 'open') return answer;
    this.#dataKey = answer.dataKey;
    return { kind: 'right' };
  }

  checkPin(staff: string, pin: string): Promise<PinAnswer> {
    return this.#ring.checkPin(staff, pin);
  }

  async judgePin(pin: string): Promise<{ kind: 'right' } | KeyRefusal> {
    try {
      this.#ring.requirePin(pin);
      return { kind: 'right' };
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  }

  async addPerson(person: Named, pin: string, voucher: Voucher): Promise<PinAnswer | KeyRefusal> {
    const dataKey = this.#dataKey;
    if (dataKey === null) return { kind: 'refused', sentence: tell('pinNeeded') };
    try {
      // A PIN that may not be chosen uses up neither a try nor a code.
      this.#ring.requirePin(pin);
      const named = await this.#vouch(person, voucher);
      if ('kind' in named) return named;
      await this.#ring.addPerson(dataKey, named, pin);
      return { kind: 'right' };
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  }

  async changePin(staff: string, oldPin: string, newPin: string): Promise<PinAnswer | KeyRefusal> {
    try {
      return await this.#ring.changePin(staff, oldPin, newPin);
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  }

  async removePerson(staff: string): Promise<{ kind: 'removed' } | KeyRefusal> {
    if (this.#dataKey === null) return { kind: 'refused', sentence: tell('pinNeeded') };
    try {
      await this.#ring.removePerson(staff);
      return { kind: 'removed' };
    } catch (error) {
      return { kind: 'refused', sentence: whyOf(error) };
    }
  }

  async keepLive(isLive: boolean): Promise<void> {
    // Nothing closes before the first PIN; there is nothing to keep open.
    if (isLive && (this.#dataKey === null || this.standing().isOpen)) return;
    await this.#ring.keepLive(isLive ? this.#dataKey : null);
  }

  /** Let go of the key; the worker ends after this. */
  async lock(): Promise<void> {
    this.#dataKey = null;
    await this.#ring.keepLive(null);
    await this.#ring.closeEmergency();
  }

  /** Return whom a voucher lets in, or why it lets in nobody. */
  async #vouch(person: Named, voucher: Voucher): Promise<Named | PinAnswer | KeyRefusal> {
    if (this.standing().isOpen) return person;
    if (voucher === null) return { kind: 'refused', sentence: tell('pinNeeded') };
    if ('code' in voucher) {
      const answer = await this.#redeem(voucher.code);
      if (answer.kind === 'refused') return answer;
      return { staff: answer.staff, name: answer.name, role: answer.role };
    }
    const answer = await this.#ring.checkPin(voucher.by, voucher.pin);
    return answer.kind === 'right' ? person : answer;
  }
}
