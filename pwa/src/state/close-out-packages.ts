/** What became of the packages of a case, each settled by one press at close-out. */
import type { Json } from '../ports';
import type { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { overOf, type RecordState, shown, structureOf } from './shown';

/** How a package ends that no coil names; placed is told by the coil alone. */
export type PackageEnd = 'discarded' | 'used' | 'returned';

export class PackageEnds {
  readonly #app: Pick<App, 'ids' | 'clock'>;
  readonly #caseRecord: string;
  readonly #acts: AnswerActs;

  constructor(app: Pick<App, 'ids' | 'clock'>, caseRecord: string, acts: AnswerActs) {
    this.#app = app;
    this.#caseRecord = caseRecord;
    this.#acts = acts;
  }

  /** Say what became of a package. */
  end(opened: RecordState, end: PackageEnd, words: string): Promise<void> {
    return this.#acts.give({
      record: opened.record,
      onScreen: opened,
      field: 'fate',
      words,
      control: `fate ${opened.record}`,
      compose: () => end,
    });
  }

  /** Say of several packages at once that they are back on the shelf unopened. */
  returnAll(open: readonly RecordState[], words: string): Promise<void> {
    const drafts = open.map((one) => ({
      draftId: this.#app.ids.newId(),
      record: one.record,
      set: { fate: 'returned' },
      over: overOf(one, 'fate'),
    }));
    return this.#acts.saveTogether('return all packages', words, () => drafts);
  }

  /** Add the package of a coil that was recorded without one. */
  add(coil: RecordState, words: string): Promise<void> {
    const id = this.#app.ids.newId();
    const at = this.#app.clock.nowIso();
    const stock = structureOf(coil, 'coil')?.stock_id;
    const device: Json | undefined = shown(coil, 'device');
    return this.#acts.saveTogether(`package of ${coil.record}`, words, () => [
      {
        draftId: `package_opened-${id}`,
        record: `package_opened/${id}`,
        set: {
          case: this.#caseRecord,
          item: 'coil',
          ...(typeof stock === 'string' ? { stock_id: stock } : {}),
          ...(device ? { device } : {}),
          at,
          fate: 'placed',
        },
      },
      {
        draftId: `package-${id}`,
        record: coil.record,
        set: { package: `package_opened/${id}` },
        over: overOf(coil, 'package'),
      },
    ]);
  }
}
