/** Recall notices of the network: counted before they are written, then answered by each unit. */
import { isCivilDate } from '../clinical-rules/civil-date';
import { ClinicalRuleError } from '../clinical-rules/errors';
import { makeSearch } from '../clinical-rules/implant-search';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type {
  NetworkRecall,
  RecallAtUnit,
  RecallCount,
  RecallCriteria,
  RecallItem,
} from '../network-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import { SearchEntry } from './search-entry.svelte';
import type { UnitDesk } from './unit-desk.svelte';

const SHORTEST_REASON = 3;
/** Say whether a unit still has to do something about a notice, also after it has closed it. */
export function isOpen({ answer, is_behind: isBehind }: RecallAtUnit): boolean {
  return answer !== 'closed' || isBehind;
}

/**
 * Return the units of a notice, those first that have not answered, the longest waiting before the
 * others, then those that have not closed it.
 */
export function orderAnswers(units: readonly RecallAtUnit[]): RecallAtUnit[] {
  const rank = (one: RecallAtUnit) => Number(one.answer !== 'none') + Number(!isOpen(one));
  return [...units].sort(
    (one, other) =>
      rank(one) - rank(other) ||
      (one.answer === 'none' ? other.waiting_days - one.waiting_days : 0) ||
      (one.name < other.name ? -1 : 1),
  );
}

/** Return how many units have answered a notice how far. */
export function countAnswers(units: readonly RecallAtUnit[]): {
  all: number;
  closed: number;
  silent: number;
} {
  return {
    all: units.length,
    closed: units.filter((one) => !isOpen(one)).length,
    silent: units.filter(({ answer }) => answer === 'none').length,
  };
}

/** Return the address from which the browser fetches what each unit has answered, as CSV. */
export function csvAddress({ notice }: Pick<NetworkRecall, 'notice'>): string {
  return `/api/network/recall-csv?notice=${encodeURIComponent(notice)}`;
}

/** A notice that is being written: what it names, why, and of which day. */
export class NoticeEntry {
  readonly entry: SearchEntry;
  readonly #today: () => string;
  reason = $state('');
  issuedOn = $state('');
  /** What the hub counted for `counted`; null before it was asked. */
  counts = $state.raw<readonly RecallCount[] | null>(null);
  cautions = $state.raw<readonly string[]>([]);
  #countedFor = $state('');
  /** Why it cannot be counted, "" where it can. */
  refusal = $state('');

  constructor(today: () => string) {
    this.#today = today;
    this.issuedOn = today();
    this.entry = new SearchEntry(() => ({
      todayOn: today(),
      get ruleBook() {
        return packagedRuleBook(today());
      },
    }));
  }

  readonly item = $derived.by((): RecallItem => (this.entry.item === 'any' ? '' : this.entry.item));
  readonly canCount = $derived.by(() => this.entry.isBegun && !this.entry.hasBadDate);
  readonly isBadDay = $derived.by(
    () => this.issuedOn !== '' && (!isCivilDate(this.issuedOn) || this.issuedOn > this.#today()),
  );
  /** What was counted is what would be written: nothing was changed in between. */
  readonly isCounted = $derived.by(
    () => this.counts !== null && this.#countedFor === this.#signature(),
  );
  readonly canWrite = $derived.by(
    () =>
      this.isCounted &&
      this.issuedOn !== '' &&
      !this.isBadDay &&
      this.reason.trim().length >= SHORTEST_REASON,
  );

  /**
   * Return what the notice names, null where nobody can search by it; `refusal` then says why.
   */
  readCriteria(): RecallCriteria | null {
    this.refusal = '';
    try {
      const search = makeSearch(this.entry.read());
      return {
        ...(search.identifier && { identifier: search.identifier }),
        ...(search.lots && search.lots.length > 0 && { lots: search.lots }),
        ...(search.expires_from && { expires_from: search.expires_from }),
        ...(search.expires_to && { expires_to: search.expires_to }),
      };
    } catch (error) {
      if (!(error instanceof ClinicalRuleError)) throw error;
      this.refusal = error.message;
      return null;
    }
  }

  takeCounts(units: readonly RecallCount[], cautions: readonly string[]): void {
    this.counts = units;
    this.cautions = cautions;
    this.#countedFor = this.#signature();
  }

  clear(): void {
    this.entry.clear();
    this.reason = '';
    this.issuedOn = this.#today();
    this.counts = null;
    this.cautions = [];
    this.refusal = '';
  }

  #signature(): string {
    return JSON.stringify([this.entry.texts, this.entry.item]);
  }
}

export class NetworkRecalls {
  readonly #desk: UnitDesk;
  readonly asked: AskedOfDesk<'recalls'>;
  readonly notice: NoticeEntry;

  constructor(desk: UnitDesk, today: () => string) {
    this.#desk = desk;
    this.asked = new AskedOfDesk(desk, 'recalls', () => null);
    this.notice = new NoticeEntry(today);
  }

  /** Ask how many implants the notice would name at each unit; nothing is written. */
  async count(): Promise<void> {
    const criteria = this.notice.readCriteria();
    if (criteria === null) return;
    const told = await this.#desk.ask('count-recall', { criteria, item: this.notice.item });
    if (told !== null) this.notice.takeCounts(told.units, told.cautions);
  }

  /** Write the notice that was counted; it goes to every unit. */
  async write(): Promise<void> {
    const { notice } = this;
    const criteria = notice.readCriteria();
    if (criteria === null || !notice.canWrite) return;
    const told = await this.#desk.ask('add-recall', {
      criteria,
      item: notice.item,
      reason: notice.reason.trim(),
      issued_on: notice.issuedOn,
      to: [],
    });
    if (this.asked.take(told)) notice.clear();
  }

  async withdraw(notice: string, because: string): Promise<boolean> {
    return this.asked.take(await this.#desk.ask('end-recall', { notice, because }));
  }
}
