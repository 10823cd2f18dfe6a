/**
 * A PIN while it is chosen: pressed once, judged, pressed again [SEC-11].
 *
 * One that may not be chosen is refused at the first press of it, with the reason: nobody learns a
 * PIN by heart that is then refused.
 */
import type { KeyRefusal, PinAnswer } from '../ports';

interface Around {
  /** Say whether a PIN may be chosen at all. */
  judge: (pin: string) => Promise<{ kind: 'right' } | KeyRefusal>;
  /** Keep the PIN; anything but `right` says why not. */
  keep: (pin: string) => Promise<PinAnswer | KeyRefusal>;
}

/** What came of the last press; `failed` is where nothing answered. */
export type NewPinOutcome =
  | PinAnswer
  | KeyRefusal
  | { kind: 'not-same' }
  | { kind: 'failed'; why: string };

export class NewPin {
  readonly #around: Around;
  #first = '';
  /** The PIN may be chosen and waits to be pressed once more. */
  isAgain = $state(false);
  isBusy = $state(false);
  /** Null while nothing is to be said. */
  outcome = $state.raw<NewPinOutcome | null>(null);

  constructor(around: Around) {
    this.#around = around;
  }

  /** Take a whole PIN; true once it was pressed twice and is kept. */
  async enter(pin: string): Promise<boolean> {
    if (this.isBusy) return false;
    this.isBusy = true;
    this.outcome = null;
    try {
      return await this.#take(pin);
    } catch (error) {
      this.#first = '';
      this.outcome = {
        kind: 'failed',
        why: error instanceof Error ? error.message : String(error),
      };
      return false;
    } finally {
      this.isAgain = this.#first !== '';
      this.isBusy = false;
    }
  }

  async #take(pin: string): Promise<boolean> {
    const first = this.#first;
    this.#first = '';
    if (first === '') {
      const judged = await this.#around.judge(pin);
      if (judged.kind === 'right') this.#first = pin;
      else this.outcome = judged;
      return false;
    }
    if (first !== pin) {
      this.outcome = { kind: 'not-same' };
      return false;
    }
    const answer = await this.#around.keep(pin);
    if (answer.kind !== 'right') this.outcome = answer;
    return answer.kind === 'right';
  }
}
