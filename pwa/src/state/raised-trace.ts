/**
 * Leaves in the record what came up on a screen away from the bedside (GATE-05): the next act that
 * is saved there brings a step event of its own which names the causes, as those of the bedside do.
 */
import type { Draft, SaveAnswer } from '../ports';
import type { App } from './app';
import { type RecordState, structureOf } from './shown';

interface Raised {
  caseRecord: string;
  /** Step name of the screen; no step of the bedside. */
  step: string;
  /** Causes that came up on this screen. */
  causes: () => readonly string[];
  /** Every step event of the case, to leave nothing twice. */
  stepEvents: () => readonly RecordState[];
}

export class RaisedTrace {
  readonly #app: Pick<App, 'tablet' | 'ids' | 'clock'>;
  readonly #raised: Raised;
  /** Saved, and perhaps not drawn yet. */
  readonly #left = new Set<string>();

  constructor(app: Pick<App, 'tablet' | 'ids' | 'clock'>, raised: Raised) {
    this.#app = app;
    this.#raised = raised;
  }

  /**
   * Save what an act records, and with it the causes that the record does not name yet.
   *
   * The trace comes last, so that the references of the act keep their places; undoing the act
   * leaves it, since what came up came up.
   */
  save = async (drafts: readonly Draft[], by?: string): Promise<SaveAnswer> => {
    const fresh = this.unnamed();
    const trace = fresh.length > 0 ? [this.#draftOf(fresh)] : [];
    const answer = await this.#app.tablet.save([...drafts, ...trace], by);
    if (answer.kind === 'saved') for (const cause of fresh) this.#left.add(cause);
    return answer;
  };

  /** Return the causes of this screen that no step event names. */
  unnamed(): string[] {
    const named = new Set(this.#raised.stepEvents().flatMap(shownBy));
    return this.#raised.causes().filter((cause) => !named.has(cause) && !this.#left.has(cause));
  }

  #draftOf(causes: readonly string[]): Draft {
    const id = this.#app.ids.newId();
    return {
      draftId: `raised-${id}`,
      record: `step_event/${id}`,
      set: {
        case: this.#raised.caseRecord,
        step: this.#raised.step,
        round: { target: null, puncture: null, coil: null, aliquot: null },
        outcome: 'done',
        at: this.#app.clock.nowIso(),
        answers: { gates_shown: [...causes] },
      },
    };
  }
}

/** Causes that a step event names; one that was struck names none. */
function shownBy(event: RecordState): string[] {
  const shown = event.isEnteredInError ? null : structureOf(event, 'answers')?.gates_shown;
  return Array.isArray(shown) ? shown.filter((one) => typeof one === 'string') : [];
}
