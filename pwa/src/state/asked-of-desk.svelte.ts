/** One list of a desk: asked for when its part is opened, and again by a press alone. */
import type { DeskQuestion, DeskQuestions } from '../desk-questions';
import type { UnitDesk } from './unit-desk.svelte';

export class AskedOfDesk<Question extends DeskQuestion> {
  readonly #desk: UnitDesk;
  readonly #question: Question;
  readonly #asks: () => DeskQuestions[Question]['asks'];
  /** What the server said last; null before it said anything. */
  told = $state.raw<DeskQuestions[Question]['tells'] | null>(null);
  /** Its answer is on its way: the desk is free a moment before what it told stands here. */
  #isLoading = false;
  /** Why it did not say it, "" where it did, or was not asked. */
  refusal = $state('');

  constructor(desk: UnitDesk, question: Question, asks: () => DeskQuestions[Question]['asks']) {
    this.#desk = desk;
    this.#question = question;
    this.#asks = asks;
  }

  /** Ask unless it was asked; for an effect, which comes again when the desk is free. */
  loadOnce(): void {
    if (this.#isLoading || this.#desk.isAsking) return;
    if (this.told === null && this.refusal === '') void this.load();
  }

  /**
   * Ask now. A refusal is told where the list would stand, not at the head of the desk: beside it
   * other lists may have been told.
   */
  async load(): Promise<void> {
    if (this.#desk.isAsking) return;
    this.#isLoading = true;
    try {
      this.#keep(await this.#desk.ask(this.#question, this.#asks()));
    } finally {
      this.#isLoading = false;
    }
  }

  #keep(told: DeskQuestions[Question]['tells'] | null): void {
    if (told === null && this.#desk.notTold === '') return;
    this.refusal = told === null ? this.#desk.notTold : '';
    if (told === null) this.#desk.notTold = '';
    else this.told = told;
  }

  /** Take what an act has answered, which is the whole list anew. */
  take(told: DeskQuestions[Question]['tells'] | null): boolean {
    if (told !== null) this.told = told;
    return told !== null;
  }

  /** Forget what was told, so that it is asked again. */
  forget(): void {
    this.told = null;
    this.refusal = '';
  }
}
