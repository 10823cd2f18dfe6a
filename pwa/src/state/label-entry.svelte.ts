/** One package being entered: codes as they are scanned, what is typed, and the item it is of. */
import type { RuleBook } from '../clinical-rules/rule-book';
import {
  deviceOfLabel,
  itemsNamed,
  joinReadings,
  type LabelReading,
  NOTHING_TYPED,
  readCode,
  readLabel,
  readTyped,
  type TypedLabel,
} from './read-label';
import { type Json, type RecordState, shown, textOf } from './shown';
import { inStockOrder } from './stock-order';
import { isTypedWrong, readTypedIdentifier } from './typed-identifier';

/** What the screen that asks for a label knows already. */
export interface LabelAsked {
  todayOn: string;
  ruleBook: RuleBook;
  /** The unit's list of stocked items. */
  items: readonly RecordState[];
  /** What came to the shelf and went: a delivery tells of which item an identifier is. */
  movements: readonly RecordState[];
  /** Kind of the item that is asked for: coil, needle or adhesive; "" for any. */
  kind: string;
  /** Records of the items that it may be; empty for every one of the kind. */
  offered: readonly string[];
  /** Record of the item that a label without an identifier is of, "" where nobody said. */
  atHand: string;
}

/** A label as it was taken: the record of its item, and the device as records hold it. */
export interface TakenLabel {
  item: RecordState;
  device: Record<string, Json>;
}

/** What has to be said of the item: nothing, or why a person has to choose it. */
export type ItemDoubt = '' | 'unknown' | 'other-kind' | 'several';

export class LabelEntry {
  readonly #asked: () => LabelAsked;
  #codes = $state.raw<readonly string[]>([]);
  #chosen = $state('');
  /** Why the last code was none of a label, "" while it was one. */
  refusal = $state('');
  typed = $state.raw<TypedLabel>(NOTHING_TYPED);
  /** The identifier, or the whole line below the code, as a person types it. */
  typedIdentifier = $state('');
  isLotUnknown = $state(false);

  constructor(asked: () => LabelAsked) {
    this.#asked = asked;
  }

  /** What the codes alone say. */
  readonly scanned = $derived.by(() => {
    const { todayOn, ruleBook } = this.#asked();
    return readLabel(this.#codes, todayOn, ruleBook);
  });
  readonly #line = $derived.by(() => {
    const { todayOn, ruleBook } = this.#asked();
    return readTypedIdentifier(this.typedIdentifier, todayOn, ruleBook);
  });
  /** What the codes and the identifier or line that was typed say together. */
  readonly coded = $derived.by(() => joinReadings(this.scanned, this.#line));
  /** What was typed as identifier has to be corrected first. */
  readonly isTypedWrong = $derived.by(() => isTypedWrong(this.typedIdentifier, this.#line));
  /** Codes first; what is typed fills in only what they do not say. */
  readonly reading = $derived.by((): LabelReading => {
    const typed = readTyped(this.typed);
    const { coded } = this;
    return {
      ...coded,
      lot: coded.lot || typed.lot,
      serial: coded.serial || typed.serial,
      expiresOn: coded.expiresOn || typed.expiresOn,
      problems: [...coded.problems, ...typed.problems],
    };
  });
  readonly isExpired = $derived.by(
    () => this.reading.expiresOn !== '' && this.reading.expiresOn < this.#asked().todayOn,
  );
  readonly #named = $derived.by(() => {
    const { items, movements } = this.#asked();
    return itemsNamed(this.coded, items, movements);
  });
  /** The items that a person may choose: of the kind asked for, coils by their size. */
  readonly choices = $derived.by(() => {
    const { items, kind, offered } = this.#asked();
    return inStockOrder(items).filter(
      (one) =>
        !one.isEnteredInError &&
        (kind === '' || shown(one, 'item') === kind) &&
        (offered.length === 0 || offered.includes(one.record)),
    );
  });
  /** Names of the items of another kind that the label is of. */
  readonly otherNames = $derived.by(() =>
    this.#named.map((one) => textOf(one, 'name') || textOf(one, 'item')).join(', '),
  );
  readonly #ofKind = $derived.by(() => this.#named.filter((one) => this.choices.includes(one)));
  readonly doubt = $derived.by((): ItemDoubt => {
    if (this.coded.identifier === '') return '';
    if (this.#ofKind.length > 1) return 'several';
    if (this.#ofKind.length === 1) return '';
    return this.#named.length > 0 ? 'other-kind' : 'unknown';
  });
  /** The item that is taken: named by the label, chosen by hand, else the one at hand. */
  readonly item = $derived.by((): RecordState | null => {
    const [only] = this.#ofKind;
    if (only && this.#ofKind.length === 1) return only;
    const byHand = this.choices.find(({ record }) => record === this.#chosen);
    if (byHand) return byHand;
    const { atHand } = this.#asked();
    if (this.coded.identifier !== '') return null;
    return this.choices.find(({ record }) => record === atHand) ?? null;
  });
  /** Something was read or typed. */
  readonly isBegun = $derived.by(
    () =>
      this.scanned.raw !== '' ||
      [this.typedIdentifier, ...Object.values(this.typed)].some((one) => one.trim() !== ''),
  );
  /** Both the device and the lot were scanned: nothing more to hold before the camera. */
  readonly isWhole = $derived.by(
    () => this.scanned.identifier !== '' && (this.scanned.lot || this.scanned.serial) !== '',
  );
  readonly hasLot = $derived.by(
    () => (this.reading.lot || this.reading.serial) !== '' || this.isLotUnknown,
  );

  /** Take codes as they were scanned, of one look or one press; what is no label is said. */
  takeCodes(codes: readonly string[]): void {
    const { todayOn, ruleBook } = this.#asked();
    const read = codes.map((code) => ({ code, found: readCode(code, todayOn, ruleBook) }));
    const labels = read.filter(({ found }) => found.kind === 'read').map(({ code }) => code);
    const fresh = labels.filter((code) => !this.#codes.includes(code));
    const { identifier } = this.scanned;
    if (fresh.length > 0) this.#codes = [...this.#codes, ...fresh];
    // Chosen before the label named its item: of an item that is not known it is chosen again.
    if (this.scanned.identifier !== identifier) this.#chosen = '';
    const refused = read.flatMap(({ found }) => (found.kind === 'refused' ? [found.sentence] : []));
    if (labels.length > 0) this.refusal = '';
    else if (refused[0] !== undefined) this.refusal = refused[0];
  }

  type(typed: Partial<TypedLabel>): void {
    this.typed = { ...this.typed, ...typed };
    if (this.typed.lot.trim() !== '') this.isLotUnknown = false;
  }

  sayLotUnknown(): void {
    this.isLotUnknown = !this.isLotUnknown;
    if (this.isLotUnknown) this.typed = { ...this.typed, lot: '' };
  }

  choose(item: RecordState): void {
    this.#chosen = item.record;
  }

  /** Return what may be taken now, null while the item or the lot is open. */
  take(): TakenLabel | null {
    const { item, reading } = this;
    if (item === null || !this.hasLot || this.isTypedWrong) return null;
    return { item, device: deviceOfLabel(reading, this.isLotUnknown) };
  }

  /** Begin again with another package. */
  clear(): void {
    this.#codes = [];
    this.#chosen = '';
    this.refusal = '';
    this.typed = NOTHING_TYPED;
    this.typedIdentifier = '';
    this.isLotUnknown = false;
  }
}
