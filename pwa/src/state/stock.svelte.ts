/** The shelf of the unit on screen: counted here or by the unit, and what is written about it. */
import type { ClinicExchange } from '../clinic-questions';
import { countStock, type ShelfItem, type StockAnswer } from '../clinical-rules/stock-counts';
import type { Json, RecordState } from '../ports';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { AskedOfUnit } from './asked-of-unit.svelte';
import { calculate, partOf } from './calculation';
import { LiveRecords } from './live-records.svelte';
import { idOf, isInConflict, numberOf, textOf } from './shown';
import { listedItems, stockRequest } from './stock-records';

/** Why packages came to the shelf or left it outside a case. */
export type MovementReason = 'delivered' | 'counted' | 'written-off' | 'sent-back';

/** Who counted: this tablet, the unit, or this tablet without cases that the unit keeps. */
export type CountedBy = 'here' | 'unit' | 'partly' | 'nobody';

/** One item as it is listed; `counted` is null while nobody can count it. */
export interface StockRow {
  state: RecordState;
  name: string;
  counted: ShelfItem | null;
}

const nameOf = ({ record }: RecordState) => record;

/** With how many packages of a coil a plan counts, as entered. */
function planCountOf(item: RecordState): number {
  return numberOf(item, 'count') ?? 0;
}

export class StockDesk {
  readonly #app: App;
  readonly #items: LiveRecords;
  readonly #movements: LiveRecords;
  readonly #packages: LiveRecords;
  readonly #recalls: LiveRecords;
  readonly #unit: AskedOfUnit<ClinicExchange['stock']['told'] & { unsent: readonly string[] }>;
  readonly #stops: readonly (() => void)[];
  readonly acts: AnswerActs;
  /** Cases whose packages this device does not hold; null until that is known. */
  #dropped = $state<number | null>(null);
  /** Records of which the unit lacks something; null until that is known. */
  #unsent = $state.raw<readonly string[] | null>(null);
  #asking = $state(0);

  constructor(app: App) {
    this.#app = app;
    this.#items = new LiveRecords(app.store, { kind: 'stock_item' });
    this.#movements = new LiveRecords(app.store, { kind: 'stock_movement' });
    this.#packages = new LiveRecords(app.store, { kind: 'package_opened' });
    this.#recalls = new LiveRecords(app.store, { kind: 'recall_notice' });
    this.#unit = new AskedOfUnit(app.store, () => this.#askUnit());
    const renew = () => void this.#readUnsent();
    this.#stops = [app.store.onRecords(renew), app.store.onExchange(renew)];
    renew();
    this.acts = new AnswerActs(app);
    void app.store.droppedCases().then((dropped) => {
      this.#dropped = dropped.length;
    });
  }

  readonly isLoaded = $derived.by(
    () =>
      this.#dropped !== null &&
      [this.#items, this.#movements, this.#packages, this.#recalls].every((one) => one.isLoaded),
  );
  /** A desk of booking holds no case, and so no package. */
  readonly #holdsCases = $derived.by(() => this.#app.tablet.standing?.role !== 'booking');
  readonly countedBy = $derived.by((): CountedBy => {
    if (this.#holdsCases && this.#dropped === 0) return 'here';
    if (this.#unit.told !== null) return 'unit';
    return this.#holdsCases ? 'partly' : 'nobody';
  });
  async #askUnit() {
    this.#asking++;
    try {
      // What waits now is in no answer that the unit gives now.
      const unsent = await this.#app.store.unsentRecords();
      const answer = await this.#app.store.askClinic('stock', null);
      return answer.kind === 'told' ? { ...answer, unsent } : answer;
    } finally {
      this.#asking--;
    }
  }

  async #readUnsent(): Promise<void> {
    this.#unsent = await this.#app.store.unsentRecords();
  }

  /**
   * Say whether a person may enter how many lie there: a count is kept as the difference from the
   * number on screen, which has to be whole and of now.
   */
  mayCount(item: RecordState): boolean {
    if (this.countedBy === 'here') return true;
    const { told, notTold } = this.#unit;
    if (told === null || notTold !== '' || this.#asking > 0 || this.#unsent === null) return false;
    const named = ['', item.record, idOf(item.record)];
    const touching = new Set([
      item.record,
      ...this.#movements.list.filter((one) => named.includes(textOf(one, 'stock'))).map(nameOf),
      ...this.#packages.list.filter((one) => named.includes(textOf(one, 'stock_id'))).map(nameOf),
    ]);
    return ![...told.unsent, ...this.#unsent].some((record) => touching.has(record));
  }

  /** Why the unit could not be asked, "" where it was or need not be. */
  readonly notTold = $derived.by(() => (this.countedBy === 'here' ? '' : this.#unit.notTold));

  readonly #counted = $derived.by((): { answer: StockAnswer | null; sentence: string } => {
    if (this.countedBy === 'nobody') return { answer: null, sentence: '' };
    if (this.countedBy === 'unit') return { answer: this.#unit.told, sentence: '' };
    const held = {
      items: this.#items.list,
      movements: this.#movements.list,
      packages: this.#packages.list,
      recalls: this.#recalls.list,
    };
    const today = this.#app.clock.today();
    const { answer, sentence } = calculate(() =>
      countStock(stockRequest(held, today), this.#app.ruleBook),
    );
    return { answer: answer as StockAnswer | null, sentence };
  });
  readonly answer = $derived.by(() => this.#counted.answer);
  /** Sentence of the rules where they refuse to count, else "". */
  readonly refusal = $derived.by(() => this.#counted.sentence);

  readonly items = $derived.by(() => listedItems(this.#items.list));
  /** By name, numbers in it by size. */
  readonly rows = $derived.by((): StockRow[] => {
    const counted = new Map(this.answer?.items.map((one) => [one.stock_id, one]));
    return this.items
      .map((state) => ({
        state,
        name: textOf(state, 'name') || state.record,
        counted: counted.get(state.record) ?? null,
      }))
      .sort((one, other) => one.name.localeCompare(other.name, 'en', { numeric: true }));
  });
  readonly todayOn = $derived.by(() => this.#app.clock.today());

  /** The item as the shelf counts it, null while nobody can count it. */
  countedOf(item: RecordState): ShelfItem | null {
    return this.rows.find(({ state }) => state.record === item.record)?.counted ?? null;
  }

  rowsOf(item: string): StockRow[] {
    return this.rows.filter(({ state }) => textOf(state, 'item') === item);
  }

  nameOf(record: string): string {
    return this.rows.find(({ state }) => state.record === record)?.name ?? record;
  }

  /**
   * Record that packages came or left.
   *
   * @param device - label of the packages; `lot_unknown` where nobody knows the lot
   * @param change - packages, below 0 where they left; 0 is a count that found what was expected
   * @param id - minted when the form was drawn: a second press moves nothing twice (HAZ-14)
   */
  move(
    movement: { item: RecordState; device: Record<string, Json>; change: number; id: string },
    reason: MovementReason,
    words: string,
  ): Promise<void> {
    const { item, device, change, id } = movement;
    return this.acts.saveTogether(`move ${id}`, words, () => [
      {
        draftId: `stock_movement-${id}`,
        record: `stock_movement/${id}`,
        set: { stock: item.record, device, change, reason, at: this.#app.clock.nowIso() },
      },
    ]);
  }

  newId(): string {
    return this.#app.ids.newId();
  }

  /** Put an item on the unit's list. */
  addItem(id: string, fields: Record<string, Json>, words: string): Promise<void> {
    return this.acts.saveTogether(`add item ${id}`, words, () => [
      { draftId: `stock_item-${id}`, record: `stock_item/${id}`, set: fields },
    ]);
  }

  /** Coils of which a plan counts with another number than is usable. */
  readonly differing = $derived.by(() =>
    this.rowsOf('coil').flatMap(({ state, name, counted }) => {
      const [count, usable] = [planCountOf(state), counted?.usable ?? null];
      return usable === null || count === Math.max(0, usable)
        ? []
        : [{ state, name, count, usable: Math.max(0, usable) }];
    }),
  );

  /** Save one field of an item, or one part of it, over what was on screen. */
  answerItem(item: RecordState, field: string, content: Json, words: string, part = ''): void {
    if (isInConflict(item, field)) return;
    void this.acts.give({
      record: item.record,
      onScreen: item,
      field,
      words,
      control: `${item.record} ${field} ${part} ${JSON.stringify(content)}`,
      compose: (now) =>
        part === ''
          ? content
          : { ...(partOf(now) as Record<string, Json> | null), [part]: content },
    });
  }

  /** Remember an identifier by which labels name the item (UDI-DI). */
  rememberIdentifier(item: RecordState, identifier: string, words: string): Promise<void> {
    const add = (known: readonly Json[]) =>
      known.includes(identifier) ? undefined : [...known, identifier];
    return this.#changeIdentifiers(item, `remember ${identifier}`, words, add);
  }

  forgetIdentifier(item: RecordState, identifier: string, words: string): Promise<void> {
    const leaveOut = (known: readonly Json[]) => known.filter((one) => one !== identifier);
    return this.#changeIdentifiers(item, `forget ${identifier}`, words, leaveOut);
  }

  /** From what stands now, so that no identifier of another press is lost. */
  #changeIdentifiers(
    item: RecordState,
    act: string,
    words: string,
    change: (known: readonly Json[]) => Json[] | undefined,
  ): Promise<void> {
    return this.acts.give({
      record: item.record,
      onScreen: item,
      field: 'identifiers',
      words,
      control: `${item.record} ${act}`,
      compose: (now) => change(Array.isArray(now) ? now : []),
    });
  }

  /** Number under which an item is ordered again, null while nobody has entered it. */
  reorderBelow(item: RecordState): number | null {
    return numberOf(item, 'reorder_below');
  }

  dispose(): void {
    for (const list of [this.#items, this.#movements, this.#packages, this.#recalls]) {
      list.dispose();
    }
    for (const stop of this.#stops) stop();
    this.#unit.dispose();
  }
}
