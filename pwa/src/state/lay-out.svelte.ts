/** The lay-out list of one case on screen, and what a person has laid out of it. */
import { type LayOutAnswer, type LayOutLine, makeLayOutList } from '../clinical-rules/lay-out-list';
import type { Draft, Json } from '../ports';
import type { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { calculate, textsOf } from './calculation';
import type { CaseRecord } from './case-record.svelte';
import { layOutRequest } from './lay-out';
import { LiveRecords } from './live-records.svelte';
import { savedPlanOf } from './plan';
import type { StockDesk } from './stock.svelte';
import { deviceOf } from './stock-moves';

export class CaseLayOut {
  readonly #app: App;
  readonly #record: CaseRecord;
  readonly #acts: AnswerActs;
  readonly #sites: LiveRecords;
  readonly shelf: StockDesk;

  /** @param shelf - of the screen that shows the list, so that all of it tells one count */
  constructor(app: App, record: CaseRecord, acts: AnswerActs, shelf: StockDesk) {
    this.#app = app;
    this.#record = record;
    this.#acts = acts;
    this.#sites = new LiveRecords(app.store, { kind: 'site' });
    this.shelf = shelf;
  }

  readonly isLoaded = $derived.by(() => this.shelf.isLoaded && this.#sites.isLoaded);

  readonly #made = $derived.by((): { answer: LayOutAnswer | null; sentence: string } => {
    const { answer } = this.shelf;
    if (answer === null) return { answer: null, sentence: this.shelf.refusal };
    const request = layOutRequest({
      itself: this.#record.itself,
      packages: this.#record.all('package_opened'),
      items: this.shelf.items,
      sites: this.#sites.list,
      shelf: answer,
    });
    if (request === null) return { answer: null, sentence: '' };
    const { answer: list, sentence } = calculate(() => makeLayOutList(request, this.#app.ruleBook));
    return { answer: list as LayOutAnswer | null, sentence };
  });
  readonly lines = $derived.by((): readonly LayOutLine[] => this.#made.answer?.lines ?? []);
  /** Why there is no list, "" where there is one. */
  readonly refusal = $derived.by(() => this.#made.sentence);
  /** Media of the plan's flush, as the rules name them. */
  readonly media = $derived.by(() => {
    const adhesive = savedPlanOf(this.#record.itself)?.answer.adhesive;
    return textsOf(adhesive, 'flush_media');
  });

  /** Record the packages of a line as laid out: each is one package, open until it is settled. */
  layOut(line: LayOutLine, words: string): Promise<void> {
    const { stock_id: stockId, item } = line;
    if (stockId === null) return Promise.resolve();
    return this.#acts.saveTogether(`lay out ${stockId} ${line.laid_out}`, words, () =>
      line.lots.flatMap(({ lot, expires_on, take }) =>
        Array.from({ length: take }, () =>
          this.#package(item, stockId, lot === null ? null : deviceOf({ lot, expires_on })),
        ),
      ),
    );
  }

  /** `device` is null where the list knows no lot: whoever opens the package reads its label. */
  #package(item: string, stockId: string, device: Record<string, Json> | null): Draft {
    const id = this.#app.ids.newId();
    return {
      draftId: `package_opened-${id}`,
      record: `package_opened/${id}`,
      set: {
        case: this.#record.caseRecord,
        item,
        stock_id: stockId,
        ...(device === null ? {} : { device }),
        at: this.#app.clock.nowIso(),
        fate: 'open',
      },
    };
  }

  dispose(): void {
    this.#sites.dispose();
  }
}
