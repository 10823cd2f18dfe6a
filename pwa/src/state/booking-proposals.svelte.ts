/** Proposed bookings as the desk goes through them; booking is the worklist's own act. */
import { addDays } from '../clinical-rules/civil-date';
import type { RecordStore, UnitProposals } from '../ports';
import { acceptDrafts, checkProposals, type ProposalRow } from './booking-proposals';
import type { Worklist } from './worklist.svelte';

export const HORIZON_WEEKS = [4, 8, 12] as const;

export class BookingProposals {
  readonly #store: Pick<RecordStore, 'unitProposals' | 'exchangeNow'>;
  readonly #work: Worklist;
  weeks = $state<number>(HORIZON_WEEKS[0]);
  isAsking = $state(false);
  /** What the unit proposed last; null before it was asked. */
  told = $state.raw<UnitProposals | null>(null);
  /** When it was asked, ISO 8601 with offset. */
  askedAt = $state('');
  /** Why the unit could not be asked; null where it answered or was not asked. */
  notTold = $state<string | null>(null);
  #leftOut = $state.raw<ReadonlySet<string>>(new Set());
  /** What the course refused at the last press, by visit. */
  refused = $state.raw<ReadonlyMap<string, string>>(new Map());

  constructor(store: Pick<RecordStore, 'unitProposals' | 'exchangeNow'>, work: Worklist) {
    this.#store = store;
    this.#work = work;
  }

  /**
   * Ask the unit for a horizon. What this desk recorded is sent first, so that the unit does not
   * propose what was just booked.
   *
   * @param now - ISO 8601 with offset
   */
  async ask(weeks: number, now: string): Promise<void> {
    if (this.isAsking) return;
    this.isAsking = true;
    this.weeks = weeks;
    try {
      const { todayOn } = this.#work;
      await this.#store.exchangeNow();
      const answer = await this.#store.unitProposals(todayOn, addDays(todayOn, 7 * weeks));
      this.notTold = answer.kind === 'told' ? null : answer.sentence;
      this.told = answer.kind === 'told' ? answer : null;
      this.askedAt = now;
      this.#leftOut = new Set();
      this.refused = new Map();
    } finally {
      this.isAsking = false;
    }
  }

  /** What is proposed, each held against what this desk holds now. */
  rows = $derived.by((): ProposalRow[] =>
    this.told === null
      ? []
      : checkProposals(this.told.proposals, { ...this.#work.records, rows: this.#work.rows }),
  );

  keptCount = $derived(
    this.told?.proposals.filter(({ standing }) => standing === 'kept').length ?? 0,
  );

  /** The rows that can be accepted and were not left out. */
  open = $derived(
    this.rows.filter(({ stands, visit }) => stands === 'open' && !this.#leftOut.has(visit)),
  );

  /** Those of them that lie inside the window: what "book all" books. */
  inside = $derived(this.open.filter(({ wantsReason }) => !wantsReason));

  isLeftOut(visit: string): boolean {
    return this.#leftOut.has(visit);
  }

  /** Leave a proposal out of "book all", or take it in again. */
  leaveOut(visit: string, isOut: boolean): void {
    const left = new Set(this.#leftOut);
    if (isOut) left.add(visit);
    else left.delete(visit);
    this.#leftOut = left;
  }

  /**
   * Book proposals in one act that can be undone. Returns whether something was saved.
   *
   * @param done - the words for what was done, by the number of bookings
   * @param reason - why outside the window, for those that want one
   */
  async accept(
    rows: readonly ProposalRow[],
    done: (count: number) => string,
    reason = '',
  ): Promise<boolean> {
    this.#work.noticeDay();
    const { drafts, refused } = acceptDrafts(rows, this.#work.course, reason);
    this.refused = refused;
    return drafts.length > 0 && this.#work.act(done(drafts.length), () => drafts);
  }
}
