/** The failsafe list as two people go through it: prepared by one, signed by another (FU-12, FL5). */
import type { FailsafeList as Told } from '../clinic-questions';
import type { RecordStore } from '../ports';

type Save = (content: BlobPart, mediaType: string, name: string) => void;
type Answer = { kind: 'told' } | { kind: 'not-told'; sentence: string };

export class FailsafeList {
  readonly #store: Pick<RecordStore, 'askClinic' | 'exchangeNow'>;
  readonly #save: Save;
  /** What the unit listed last; null before. */
  told = $state.raw<Told | null>(null);
  /** Record of who prepared it, "" before. */
  preparedBy = $state('');
  /** Record of who signed this list here, "" before. */
  signedBy = $state('');
  /** Name of the PDF that was saved, "" before. */
  savedAs = $state('');
  /** What the unit holds lists other people by now. */
  isOutdated = $state(false);
  isAsking = $state(false);
  /** Why the unit could not be asked, or refused; null where it answered. */
  notTold = $state<string | null>(null);

  /** @param save - hands a file to the person */
  constructor(store: Pick<RecordStore, 'askClinic' | 'exchangeNow'>, save: Save) {
    this.#store = store;
    this.#save = save;
  }

  /** The list has changed since it was signed last; false where none was. */
  hasChanged = $derived.by(
    () => this.told?.last_review != null && this.told.last_review.list_hash !== this.told.list_hash,
  );

  /**
   * Let the unit make the list of today. What was recorded here is sent first: a visit that was
   * just booked lists nobody.
   *
   * @param who - record of the person who taps; without one nobody prepared it
   */
  prepare(who: string): Promise<void> {
    if (who === '') return Promise.resolve();
    return this.#ask(async () => {
      await this.#store.exchangeNow();
      const answer = await this.#store.askClinic('failsafe-list', null);
      if (answer.kind !== 'told') return answer;
      this.told = answer;
      this.preparedBy = who;
      this.signedBy = '';
      this.savedAs = '';
      this.isOutdated = false;
      return answer;
    });
  }

  /** Say whether a person may sign: it is prepared, and by somebody else. */
  maySign(who: string): boolean {
    return this.told !== null && this.signedBy === '' && who !== '' && who !== this.preparedBy;
  }

  /** Sign the list that is shown; the unit refuses where it is another one by now. */
  sign(who: string): Promise<void> {
    const { told, preparedBy } = this;
    if (told === null || !this.maySign(who)) return Promise.resolve();
    return this.#ask(async () => {
      const answer = await this.#store.askClinic('sign-failsafe', {
        prepared_by: preparedBy,
        signed_by: who,
        list_hash: told.list_hash,
      });
      if (answer.kind !== 'told') return answer;
      this.told = answer;
      this.signedBy = who;
      return answer;
    });
  }

  /** Save the list that is shown as PDF; where the unit makes another one by now, nothing. */
  savePaper(): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.askClinic('failsafe-paper', null);
      if (answer.kind !== 'told') return answer;
      this.isOutdated = answer.list_hash !== this.told?.list_hash;
      if (this.isOutdated) return answer;
      const bytes = Uint8Array.from(atob(answer.pdf), (letter) => letter.charCodeAt(0));
      const name = `failsafe-list-${answer.as_of_on}.pdf`;
      this.#save(bytes, 'application/pdf', name);
      this.savedAs = name;
      return answer;
    });
  }

  /** One question at a time: a double press signs once. */
  async #ask(ask: () => Promise<Answer>): Promise<void> {
    if (this.isAsking) return;
    this.isAsking = true;
    try {
      const answer = await ask();
      this.notTold = answer.kind === 'told' ? null : answer.sentence;
    } finally {
      this.isAsking = false;
    }
  }
}
