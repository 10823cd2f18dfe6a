/** Letters and reminders that the unit makes: asked for, handed on as files, never kept here. */
import type { LetterKind, LetterVisit, RecordStore, Withheld } from '../ports';
import type { WorkRow } from './worklist';

/** What was made, or why not. */
export type PostState =
  | { kind: 'none' | 'asking' | 'alone' | 'unsent' }
  | { kind: 'refused'; sentence: string }
  | { kind: 'letters' | 'reminders'; count: number; withheld: Withheld[] };

type Save = (content: BlobPart, mediaType: string, name: string) => void;

/** Return the letters that fit where a visit stands, the usual one first. */
export function lettersFor(row: Pick<WorkRow, 'status' | 'booking'>): LetterKind[] {
  if (row.status === 'booked' && row.booking !== null) return ['appointment', 'moved'];
  if (row.status === 'no-show') return ['missed', 'please_call'];
  if (row.status === 'cancelled') return ['cancelled', 'please_call'];
  return ['please_call'];
}

export class UnitPost {
  readonly #store: RecordStore;
  readonly #save: Save;
  state = $state.raw<PostState>({ kind: 'none' });

  /** @param save - hands a file to the person */
  constructor(store: RecordStore, save: Save) {
    this.#store = store;
    this.#save = save;
  }

  /**
   * Let the unit make letters and hand on their PDF. The unit looks at each visit again (HAZ-45):
   * what differs there from what is shown here is withheld.
   *
   * @param on - civil date, for the name of the file
   */
  makeLetters(kind: LetterKind, visits: readonly LetterVisit[], on: string): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.unitLetters(kind, visits);
      if (answer.kind === 'not-told') return refusal(answer.sentence);
      const { pdf, letters, withheld } = answer;
      if (pdf !== null) {
        const bytes = Uint8Array.from(atob(pdf), (letter) => letter.charCodeAt(0));
        this.#save(bytes, 'application/pdf', `letters-${on}.pdf`);
      }
      return { kind: 'letters', count: letters.length, withheld };
    });
  }

  /** Ask the unit for the reminders of some days and hand on their CSV (FU-10). */
  makeReminders(fromOn: string, untilOn: string): Promise<void> {
    return this.#ask(async () => {
      const answer = await this.#store.unitReminders(fromOn, untilOn);
      if (answer.kind === 'not-told') return refusal(answer.sentence);
      const { csv, reminders, withheld } = answer;
      if (reminders.length > 0) {
        this.#save(csv, 'text/csv;charset=utf-8', `reminders-${fromOn}.csv`);
      }
      return { kind: 'reminders', count: reminders.length, withheld };
    });
  }

  /** The unit writes of what it holds: what waits here goes there first. */
  async #ask(make: () => Promise<PostState>): Promise<void> {
    if (this.state.kind === 'asking') return;
    this.state = { kind: 'asking' };
    const { unsent, state } = await this.#store.exchangeNow();
    this.state = state !== 'alone' && unsent > 0 ? { kind: 'unsent' } : await make();
  }
}

function refusal(sentence: string): PostState {
  return sentence === '' ? { kind: 'alone' } : { kind: 'refused', sentence };
}
