/** Acts one after the other, each on what the store holds then; the last one can be undone. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { Draft } from '../ports';
import { kept } from '../text/record';
import { inEnglish } from '../text/say';
import { undoDraft } from './decisions-draft';
import type { Tablet } from './tablet.svelte';

export interface LastAct {
  words: string;
  undo: Draft[];
}

export class ActTurns {
  readonly #tablet: Pick<Tablet, 'save'>;
  readonly #saved: () => void;
  #turn: Promise<unknown> = Promise.resolve();
  last = $state.raw<LastAct | null>(null);
  /** Why the last act was not recorded, in one sentence; "" where it was. */
  refused = $state('');

  /** @param saved - called after each act that was saved */
  constructor(tablet: Pick<Tablet, 'save'>, saved: () => void) {
    this.#tablet = tablet;
    this.#saved = saved;
  }

  /** Do one act after those before it; what the rules of the course refuse is said, not recorded. */
  take(work: () => Promise<void>): Promise<void> {
    const done = this.#turn.then(async () => {
      this.refused = '';
      try {
        await work();
      } catch (error) {
        if (!(error instanceof ClinicalRuleError)) throw error;
        this.refused = inEnglish(error.message);
      }
    });
    this.#turn = done.catch(() => undefined);
    return done;
  }

  /** Save the drafts of an act; `words` name it for the undo. */
  async save(drafts: readonly Draft[], words: string): Promise<void> {
    if (drafts.length === 0) return;
    const answer = await this.#tablet.save(drafts);
    if (answer.kind === 'not-saved') return;
    this.last = {
      words,
      undo: drafts.map((draft, place) =>
        undoDraft(draft.record, [answer.references[place] ?? ''], kept.undone),
      ),
    };
    this.#saved();
  }

  undo(): Promise<void> {
    return this.take(async () => {
      if (this.last === null) return;
      const answer = await this.#tablet.save(this.last.undo);
      if (answer.kind === 'saved') this.last = null;
    });
  }
}
