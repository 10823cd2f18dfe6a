/** The clinic's worklist, kept current; holds what is selected, what is asked, and the last act. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { Draft, RecordState } from '../ports';
import type { App } from './app';
import { actingRoleOf } from './course-role';
import { undoDraft } from './decisions-draft';
import {
  type Booking,
  GROUPS,
  type Group,
  listClosed,
  makeWorklist,
  type WorkRow,
} from './worklist';
import { type DeskAct, giveDraft, noShowDraft, offerActs } from './worklist-acts';
import { type Course, readListLimits } from './worklist-course';
import { listPastWindow } from './worklist-groups';
import { SimilarNames } from './worklist-names';
import { listSessions } from './worklist-paper';
import { ClinicRecords } from './worklist-records.svelte';
import { type Found, PatientIndex } from './worklist-search';
import { offerSessions } from './worklist-sessions';
import { DeskStaff } from './worklist-staff.svelte';

/** What the desk asks of the person now. */
export type Asking =
  | ''
  | 'book'
  | 'no-show'
  | 'cancel'
  | 'elsewhere'
  | 'reach'
  | 'give'
  | 'clinician'
  | 'decide'
  | 'letter'
  | 'end'
  | 'death-day'
  | 'reopen';

interface LastAct {
  words: string;
  undo: Draft[];
}

/** Rows of a group that are drawn at first, and more with each press: 10,000 at once are slow. */
const DRAWN_AT_FIRST = 40;
/** So many people without an open visit, and closed visits, are shown of a search. */
const MOST_OTHERS = 20;

type Parts = Pick<App, 'store' | 'tablet' | 'clock' | 'ids' | 'ruleBook'>;

export class Worklist {
  readonly #app: Parts;
  readonly #clinic: ClinicRecords;
  readonly staff: DeskStaff;
  readonly #index = new PatientIndex();
  typed = $state('');
  selectedRecord = $state('');
  asking = $state<Asking>('');
  lastAct = $state.raw<LastAct | null>(null);
  /** Why the last act was refused, "" where it was not. */
  refused = $state('');
  /** Renewed after each saved try, so that a double press is one try. */
  attemptId = $state('');
  todayOn = $state('');
  /** Nobody is named as tapping, and an act waits for it. */
  isAskingWho = $state(false);
  #tellNamed: (isNamed: boolean) => void = () => {};
  #drawn = $state.raw<ReadonlyMap<Group, number>>(new Map());

  constructor(app: Parts) {
    this.#app = app;
    this.#clinic = new ClinicRecords(app.store);
    this.staff = new DeskStaff(app.store);
    this.todayOn = app.clock.today();
    this.attemptId = app.ids.newId();
  }

  get isLoaded(): boolean {
    return this.#clinic.isLoaded;
  }

  readonly #limits = $derived.by(() => readListLimits(this.#app.ruleBook, this.todayOn));

  /** What is wrong with the rule files of the list, "" where nothing is. */
  get problem(): string {
    return this.#limits.problem;
  }

  readonly #held = $derived.by(() => this.#clinic.heldOn(this.todayOn));

  /** Everybody whose window is over, whatever was typed and in whatever group. */
  pastWindow = $derived.by(() => listPastWindow(this.rows, this.todayOn));

  rows = $derived.by(() => makeWorklist(this.#held, this.todayOn, this.#limits.limitOf));

  /** The index of all people; it keeps what it knows of those who have not changed. */
  readonly #indexed = $derived.by(() => {
    this.#index.take(this.records.patients);
    return { find: (typed: string) => this.#index.find(typed) };
  });

  /** Read everybody for the search, so that the first letter typed need not wait for it. */
  prepareSearch(): void {
    void this.#indexed;
  }

  /** Who answers to what was typed; null where nothing was. */
  readonly #found = $derived.by((): ReadonlyMap<string, Found> | null =>
    this.typed.trim() === '' ? null : this.#indexed.find(this.typed),
  );

  groups = $derived.by(() => {
    const found = this.#found;
    const kept = found
      ? this.rows.filter((row) => found.has(row.patient?.record ?? ''))
      : this.rows;
    const rowsOf = new Map<Group, WorkRow[]>(GROUPS.map((group) => [group, []]));
    for (const row of kept) rowsOf.get(row.group)?.push(row);
    return GROUPS.map((group) => {
      const rows = rowsOf.get(group) ?? [];
      const drawn = this.#drawn.get(group) ?? DRAWN_AT_FIRST;
      return { group, count: rows.length, rows: rows.slice(0, drawn) };
    }).filter(({ count }) => count > 0);
  });

  /** People who answer to what was typed and have no open visit. */
  others = $derived.by((): RecordState[] => {
    const found = this.#found;
    if (found === null) return [];
    const listed = new Set(this.rows.map((row) => row.patient?.record));
    return this.records.patients
      .filter((patient) => found.has(patient.record) && !listed.has(patient.record))
      .slice(0, MOST_OTHERS);
  });

  /** What took place or ended of those who were searched for, for a clinician to open again. */
  closed = $derived.by((): WorkRow[] => {
    const found = this.#found;
    if (found === null || this.course.role !== 'clinician') return [];
    const now = { todayOn: this.todayOn, limitOf: this.#limits.limitOf };
    return listClosed(this.#held, new Set(found.keys()), now).slice(0, MOST_OTHERS);
  });

  /** The selected row; its visit may have left the list meanwhile. */
  selected = $derived(
    [...this.rows, ...this.closed].find((row) => row.visit.record === this.selectedRecord) ?? null,
  );

  /** Under which rules the desk acts now, and as whom. */
  get course(): Course {
    const { tablet, ruleBook } = this.#app;
    return { ruleBook, role: actingRoleOf(tablet), todayOn: this.todayOn, who: tablet.whoTaps };
  }

  /** What may be done with the selected row now. */
  acts = $derived.by(
    (): ReadonlySet<DeskAct> =>
      this.selected === null
        ? new Set<DeskAct>()
        : offerActs(this.selected, this.course.role, this.todayOn),
  );

  offers = $derived.by(() =>
    this.selected === null
      ? []
      : offerSessions(this.selected, this.records.sessions, this.records.visits, this.todayOn),
  );

  /** The rows that may be handed over from here, by the person who holds them; "" is nobody. */
  held = $derived.by(() => {
    const { role } = this.course;
    const found = new Map<string, WorkRow[]>();
    for (const row of this.rows) {
      if (!offerActs(row, role, this.todayOn).has('give')) continue;
      const known = found.get(row.person);
      if (known === undefined) found.set(row.person, [row]);
      else known.push(row);
    }
    return found;
  });

  readonly #similar = $derived.by(
    () =>
      new SimilarNames(
        new Map(
          this.rows.flatMap(({ patient }) => (patient ? [[patient.record, patient]] : [])),
        ).values(),
      ),
  );

  /** Return people on the list whose name is taken for this one's (SOFT-11). */
  similarTo(patient: RecordState | undefined): RecordState[] {
    return patient === undefined ? [] : this.#similar.of(patient);
  }

  /** Say whether a row was found by how the name sounds alone. */
  isFoundBySound(row: WorkRow): boolean {
    return this.#found?.get(row.patient?.record ?? '') === 'sounds';
  }

  /** Return the place a booking names, "" where its session is not held. */
  placeOf(booking: Booking): string {
    return this.#clinic.placeOf(booking);
  }

  /** Return sessions and bookings of some days, for paper. */
  bookingsOf(fromOn: string, untilOn: string) {
    const { sessions, visits, patients } = this.records;
    return listSessions(sessions, visits, patients, fromOn, untilOn);
  }

  /** All records of the clinic that this device holds, for the other views. */
  get records() {
    return this.#clinic.lists;
  }

  /** Open a row, and ask something of it. */
  select(record: string, asking: Asking = ''): void {
    if (record !== this.selectedRecord) this.lastAct = null;
    this.selectedRecord = record;
    this.asking = asking;
    this.refused = '';
  }

  /** Draw more rows of a group. */
  drawMore(group: Group): void {
    const drawn = new Map(this.#drawn);
    drawn.set(group, (drawn.get(group) ?? DRAWN_AT_FIRST) + 100);
    this.#drawn = drawn;
  }

  /** Draw a group as far as one of its rows. */
  drawUntil(row: WorkRow): void {
    const place = this.rows.filter(({ group }) => group === row.group).indexOf(row);
    if (place < (this.#drawn.get(row.group) ?? DRAWN_AT_FIRST)) return;
    this.#drawn = new Map(this.#drawn).set(row.group, place + 1);
  }

  /** Take up a new day: a desk is left on overnight. */
  noticeDay(): void {
    this.todayOn = this.#app.clock.today();
  }

  /** Go on with the act that waited for who taps; where nobody was named nothing is recorded. */
  closeWho(): void {
    this.isAskingWho = false;
    this.#tellNamed(this.#app.tablet.whoTaps !== '');
  }

  /** Ask who taps where nobody is named. Returns whether somebody is now. */
  #askWho(): Promise<boolean> {
    if (this.#app.tablet.whoTaps !== '') return Promise.resolve(true);
    // An act that waited already is given up: of two presses one is recorded.
    this.#tellNamed(false);
    this.isAskingWho = true;
    return new Promise((resolve) => {
      this.#tellNamed = resolve;
    });
  }

  /**
   * Save one act and keep what undoes it. Returns whether it was saved. Before the first act of a
   * sitting it is asked who taps: of what nobody recorded nobody can be asked.
   *
   * @param make - returns the drafts; where the rules of the course refuse, their sentence is shown
   */
  async act(words: string, make: (course: Course) => readonly Draft[]): Promise<boolean> {
    if (!(await this.#askWho())) return false;
    this.noticeDay();
    let drafts: readonly Draft[];
    try {
      drafts = make(this.course);
    } catch (error) {
      if (!(error instanceof ClinicalRuleError)) throw error;
      this.refused = error.message;
      return false;
    }
    const answer = await this.#app.tablet.save(drafts);
    if (answer.kind === 'not-saved') return false;
    const undo = drafts.map((draft, place) =>
      undoDraft(draft.record, [answer.references[place] ?? ''], 'undone at once'),
    );
    this.lastAct = { words, undo };
    this.attemptId = this.#app.ids.newId();
    this.asking = '';
    this.refused = '';
    return true;
  }

  async noteNoShow(row: WorkRow, because: string, words: string): Promise<boolean> {
    const history = await this.#app.store.history(row.visit.record);
    return this.act(words, (course) => [
      noShowDraft(row.visit, history, because, course, row.failedTries),
    ]);
  }

  /** Give every open visit of a person to another in one act (FU-05). */
  handOver(from: string, to: string, because: string, words: string): Promise<boolean> {
    const rows = this.held.get(from) ?? [];
    return this.act(words, (course) =>
      rows.map((row) => giveDraft(row.visit, to, because, course)),
    );
  }

  async undo(): Promise<void> {
    if (this.lastAct === null) return;
    const answer = await this.#app.tablet.save(this.lastAct.undo);
    if (answer.kind === 'saved') this.lastAct = null;
  }

  dispose(): void {
    this.#tellNamed(false);
    this.#clinic.dispose();
    this.staff.dispose();
  }
}
