/**
 * A person gets a PIN on this tablet: who vouches, the tablet changes hands, the person chooses.
 *
 * Whoever vouched has just pressed a PIN on the same pad. Nothing takes the new one until the person
 * whose it will be says that the tablet is theirs to press: else the one who vouches chooses a PIN
 * for another, and signs with it as that person [SEC-11] [HAZ-25].
 */
import type { KeyKeeper, KeyRefusal, PersonHere, PinAnswer, Voucher } from '../ports';

/** `hand-over`: somebody has vouched, and the new person has not taken the tablet yet. */
export type AddingStage = 'who-vouches' | 'voucher-pin' | 'hand-over' | 'own-pin';

type Named = Pick<PersonHere, 'staff' | 'name' | 'role'>;

/** Who has a PIN here now; the screens' lock, as far as it is needed. */
interface PeopleHere {
  readonly keys: { isOpen: boolean; people: readonly PersonHere[] };
  readKeys(): Promise<void>;
}

export class AddingPerson {
  readonly #keys: Pick<KeyKeeper, 'addPerson' | 'checkPin'>;
  readonly #here: PeopleHere;
  readonly #person: Named;
  /** Who had a PIN when this began: the new person does not vouch for themselves. */
  readonly others: readonly PersonHere[];
  stage = $state<AddingStage>('who-vouches');
  vouching = $state.raw<PersonHere | null>(null);
  /** The code that was used was another person's: that one has a PIN now, `person` has none. */
  isOtherAdded = $state(false);
  #voucher: Voucher = null;

  constructor(keys: Pick<KeyKeeper, 'addPerson' | 'checkPin'>, here: PeopleHere, person: Named) {
    this.#keys = keys;
    this.#here = here;
    this.#person = person;
    this.others = here.keys.people.filter(({ staff }) => staff !== person.staff);
    // Before the first PIN nobody can vouch, and nobody has to.
    if (here.keys.isOpen) this.stage = 'own-pin';
  }

  /** Somebody who has a PIN here is going to vouch. */
  chooseVoucher(by: PersonHere): void {
    this.isOtherAdded = false;
    this.vouching = by;
    this.stage = 'voucher-pin';
  }

  /** Somebody else vouches after all. */
  goBack(): void {
    this.vouching = null;
    this.#voucher = null;
    this.stage = 'who-vouches';
  }

  /** Try the PIN of the one who vouches; a right one hands the tablet over. */
  async vouch(pin: string): Promise<PinAnswer> {
    const by = this.vouching?.staff ?? '';
    const answer = await this.#keys.checkPin(by, pin);
    if (answer.kind === 'right') {
      this.#voucher = { by, pin };
      this.stage = 'hand-over';
    } else {
      await this.#here.readKeys();
    }
    return answer;
  }

  /** The new person has the tablet, and says so. */
  takeOver(): void {
    if (this.stage === 'hand-over') this.stage = 'own-pin';
  }

  /** A one-time code vouches: who typed it got it from the unit, in person. */
  useCode(code: string): void {
    this.isOtherAdded = false;
    this.#voucher = { code };
    this.stage = 'own-pin';
  }

  /**
   * Keep the PIN that was chosen. A code names its person itself: where that is another one, the
   * answer is `right` and `hasPin` says no.
   */
  async keep(pin: string): Promise<PinAnswer | KeyRefusal> {
    const answer = await this.#keys.addPerson(this.#person, pin, this.#voucher);
    await this.#here.readKeys();
    return answer;
  }

  /** Say whether the person meant has a PIN here now; where another was let on, begin again. */
  hasPin(): boolean {
    const isHere = this.#here.keys.people.some(({ staff }) => staff === this.#person.staff);
    if (!isHere) {
      this.goBack();
      this.isOtherAdded = true;
    }
    return isHere;
  }
}
