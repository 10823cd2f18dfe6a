/** The clinic's worklist, kept current; holds what is selected and the last act to undo. */
import type { Clock, Draft, IdSource, RecordStore } from '../ports';
import { undoDraft } from './decisions-draft';
import { LiveRecords } from './live-records.svelte';
import { textOf } from './shown';
import type { Tablet } from './tablet.svelte';
import {
  type Booking,
  GROUPS,
  type Group,
  isFoundBy,
  makeWorklist,
  offerSessions,
  type WorkRow,
} from './worklist';
import { noShowDraft } from './worklist-acts';

interface LastAct {
  visit: string;
  words: string;
  undo: Draft[];
}

export class Worklist {
  readonly #store: RecordStore;
  readonly #tablet: Tablet;
  readonly #ids: IdSource;
  readonly #clock: Clock;
  readonly #visits: LiveRecords;
  readonly #patients: LiveRecords;
  readonly #attempts: LiveRecords;
  readonly #sessions: LiveRecords;
  typed = $state('');
  selectedRecord = $state('');
  lastAct = $state.raw<LastAct | null>(null);
  /** Renewed after each saved try, so that a double press is one try. */
  attemptId = $state('');
  todayOn = $state('');

  constructor(store: RecordStore, tablet: Tablet, clock: Clock, ids: IdSource) {
    this.#store = store;
    this.#tablet = tablet;
    this.#ids = ids;
    this.#clock = clock;
    this.#visits = new LiveRecords(store, { kind: 'visit' });
    this.#patients = new LiveRecords(store, { kind: 'patient' });
    this.#attempts = new LiveRecords(store, { kind: 'contact_attempt' });
    this.#sessions = new LiveRecords(store, { kind: 'clinic_session' });
    this.todayOn = clock.today();
    this.attemptId = ids.newId();
  }

  get isLoaded(): boolean {
    return this.#visits.isLoaded && this.#patients.isLoaded && this.#attempts.isLoaded;
  }

  rows = $derived.by(() =>
    makeWorklist(this.#visits.list, this.#patients.list, this.#attempts.list, this.todayOn),
  );

  groups = $derived.by(() => {
    const found = this.rows.filter((row) => isFoundBy(row, this.typed));
    return GROUPS.map((group): { group: Group; rows: WorkRow[] } => ({
      group,
      rows: found.filter((row) => row.group === group),
    })).filter(({ rows }) => rows.length > 0);
  });

  /** The selected row; its visit may have left the list meanwhile. */
  selected = $derived(this.rows.find((row) => row.visit.record === this.selectedRecord) ?? null);

  offers = $derived.by(() =>
    this.selected === null
      ? []
      : offerSessions(this.selected, this.#sessions.list, this.#visits.list, this.todayOn),
  );

  /** Return the place a booking names, "" where its session is not held. */
  placeOf(booking: Booking): string {
    return textOf(
      this.#sessions.list.find((session) => session.record === booking.session),
      'place',
    );
  }

  /** Save one act and keep what undoes it. Returns whether it was saved. */
  async act(visit: string, words: string, drafts: readonly Draft[]): Promise<boolean> {
    const answer = await this.#tablet.save(drafts);
    if (answer.kind === 'not-saved') return false;
    const undo = drafts.map((draft, place) =>
      undoDraft(draft.record, [answer.references[place] ?? ''], 'undone at once'),
    );
    this.lastAct = { visit, words, undo };
    this.attemptId = this.#ids.newId();
    this.todayOn = this.#clock.today();
    return true;
  }

  async noteNoShow(row: WorkRow, because: string, words: string): Promise<boolean> {
    const history = await this.#store.history(row.visit.record);
    return this.act(row.visit.record, words, [noShowDraft(row.visit, history, because)]);
  }

  async undo(): Promise<void> {
    if (this.lastAct === null) return;
    const answer = await this.#tablet.save(this.lastAct.undo);
    if (answer.kind === 'saved') this.lastAct = null;
  }

  dispose(): void {
    for (const live of [this.#visits, this.#patients, this.#attempts, this.#sessions])
      live.dispose();
  }
}
