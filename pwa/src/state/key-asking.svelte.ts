/**
 * Asks the unit for the key of this tablet until it is given back, or until somebody stops it.
 *
 * While somebody at the unit compares the digits it asks again by itself (RQ7): the key is given
 * only shortly after the device was let in, and nobody has to watch for that.
 */
import type { KeyKeeper } from '../ports';

/** Not so often that a tablet left here asks more than its share. */
export const ASK_AGAIN_MS = 3_000;

interface Around {
  keys: Pick<KeyKeeper, 'recover'>;
  later(waitMs: number, work: () => void): () => void;
  /** The key is back. */
  recovered: () => void;
}

export class KeyAsking {
  readonly #around: Around;
  #callOff: () => void = () => {};
  #isStopped = false;
  /** What the unit compares; "" while it waits for nothing. */
  digits = $state('');
  /** Why the last asking came to nothing, "" where it did not. */
  sentence = $state('');
  isBusy = $state(false);

  constructor(around: Around) {
    this.#around = around;
  }

  /**
   * Ask once, and while digits are compared again and again.
   *
   * @param code - a fresh invitation; "" goes on where digits were shown before
   */
  async ask(code: string): Promise<void> {
    if (this.isBusy) return;
    this.#callOff();
    this.#isStopped = false;
    this.isBusy = true;
    const answer = await this.#around.keys.recover(code).catch((error: unknown) => ({
      kind: 'unheard' as const,
      sentence: error instanceof Error ? error.message : String(error),
    }));
    this.isBusy = false;
    // Also where somebody has stopped meanwhile: the keys here are new ones.
    if (answer.kind === 'recovered') return this.#around.recovered();
    if (this.#isStopped) return;
    this.sentence = 'sentence' in answer ? answer.sentence : '';
    if (answer.kind === 'waits') this.digits = answer.digits;
    if (answer.kind === 'refused') this.digits = '';
    if (this.digits !== '') {
      this.#callOff = this.#around.later(ASK_AGAIN_MS, () => void this.ask(''));
    }
  }

  /** Ask no more by itself; what the unit was asked for stays good. */
  stop(): void {
    this.#callOff();
    this.#isStopped = true;
    this.digits = '';
    this.sentence = '';
  }
}
