/**
 * Answers saved one press at a time, each with what was on screen, the last one with its undo.
 *
 * `over` holds the references that were on screen when the control was pressed, and those of this
 * screen's own earlier presses that the screen may not have drawn yet; never another device's
 * answer that came in between (MG: that one stays, as a conflict).
 */
import type { Clock, Draft, IdSource, Json, RecordState, RecordStore, SaveAnswer } from '../ports';
import { kept } from '../text/record';
import { overOf, shown } from './shown';
import type { Tablet } from './tablet.svelte';

/** A second press of the same control within this time is the same press (HAZ-14). */
export const LOCKOUT_MS = 700;

export interface Answer {
  /** `kind/id` */
  record: string;
  /** The record as drawn when pressed; null where it is new. */
  onScreen: RecordState | null;
  field: string;
  /** Names what is recorded, for the undo line. */
  words: string;
  /** Returns the field's new content from what stands now; undefined saves nothing. */
  compose: (now: Json | undefined) => Json | undefined;
  /** Fields that a new record needs beside the answer. */
  withNew?: Record<string, Json>;
  /** Names the control; presses of one control within the lockout count once. */
  control: string;
}

export interface LastAct {
  words: string;
  undo: { record: string; references: readonly string[] }[];
}

interface Parts {
  store: RecordStore;
  clock: Clock;
  ids: IdSource;
  tablet: Pick<Tablet, 'save'>;
}

export class AnswerActs {
  readonly #parts: Parts;
  readonly #own = new Set<string>();
  readonly #pressedAt = new Map<string, number>();
  #turn: Promise<unknown> = Promise.resolve();
  last = $state.raw<LastAct | null>(null);

  constructor(parts: Parts) {
    this.#parts = parts;
  }

  /** Save one answer; resolves when it is on the disk, or was no new answer. */
  give(answer: Answer): Promise<void> {
    if (this.#isBounce(answer.control)) return Promise.resolve();
    return this.#inTurn(async () => {
      const draft = await this.#draftOf(answer);
      if (draft !== null) await this.#save([draft], answer.words);
    });
  }

  /** Save drafts that belong to one act. */
  saveTogether(control: string, words: string, drafts: () => readonly Draft[]): Promise<void> {
    if (this.#isBounce(control)) return Promise.resolve();
    return this.#inTurn(async () => {
      await this.#save(drafts(), words);
    });
  }

  /** Strike one whole record as entered in error; `because` is kept with it. */
  strike(record: string, words: string, because: string = kept.inError): Promise<void> {
    if (this.#isBounce(`strike ${record}`)) return Promise.resolve();
    return this.#inTurn(async () => {
      // All that still stands, not only the last answers: else older ones would come back.
      const history = await this.#parts.store.history(record);
      const retract = history
        .filter((entry) => !entry.isStruck && Object.keys(entry.set).length > 0)
        .map((entry) => entry.reference);
      if (retract.length === 0) return;
      const draftId = this.#parts.ids.newId();
      await this.#save([{ draftId, record, retract, because }], words);
    });
  }

  /** Take back the last act of this screen. */
  undo(): Promise<void> {
    const last = this.last;
    if (last === null || this.#isBounce('undo')) return Promise.resolve();
    this.last = null;
    return this.#inTurn(async () => {
      const answer = await this.#parts.tablet.save(
        last.undo.map(({ record, references }) => ({
          draftId: this.#parts.ids.newId(),
          record,
          retract: references,
          because: kept.undone,
        })),
      );
      if (answer.kind === 'not-saved') this.last = last;
    });
  }

  #isBounce(control: string): boolean {
    const now = this.#parts.clock.monotonicMs();
    const before = this.#pressedAt.get(control);
    if (before !== undefined && now - before < LOCKOUT_MS) return true;
    this.#pressedAt.set(control, now);
    return false;
  }

  #inTurn(work: () => Promise<void>): Promise<void> {
    const done = this.#turn.then(work);
    this.#turn = done.catch(() => undefined);
    return done;
  }

  async #draftOf(answer: Answer): Promise<Draft | null> {
    const { record, field } = answer;
    const kind = record.slice(0, record.indexOf('/'));
    const [now] = await this.#parts.store.read({ kind, record });
    const content = answer.compose(shown(now, field));
    if (content === undefined) return null;
    if (JSON.stringify(content) === JSON.stringify(shown(now, field))) return null;
    const seen = new Set([...(overOf(answer.onScreen, field)[field] ?? []), ...this.#own]);
    const over = (overOf(now, field)[field] ?? []).filter((reference) => seen.has(reference));
    const isNew = now === undefined || Object.keys(now.fields).length === 0;
    return {
      draftId: this.#parts.ids.newId(),
      record,
      set: { ...(isNew ? answer.withNew : {}), [field]: content },
      ...(over.length > 0 ? { over: { [field]: over } } : {}),
    };
  }

  async #save(drafts: readonly Draft[], words: string): Promise<SaveAnswer> {
    const answer = await this.#parts.tablet.save(drafts);
    if (answer.kind === 'not-saved') return answer;
    for (const reference of answer.references) this.#own.add(reference);
    this.last = {
      words,
      undo: drafts.flatMap((draft, index) => {
        const reference = answer.references[index];
        return reference === undefined ? [] : [{ record: draft.record, references: [reference] }];
      }),
    };
    return answer;
  }
}
