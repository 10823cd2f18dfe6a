/** The close-out of one case: what was answered, what is open, and signing it. */
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Draft } from '../ports';
import { kept } from '../text/record';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { CaseRecord } from './case-record.svelte';
import {
  changedSince,
  closeOutBase,
  closeOutFacts,
  closeOutRecord,
  countsOf,
  digestOf,
  flowRecorded,
  hasFollowUp,
  lastSignature,
  newerEntries,
  type OpenPoint,
  openPoints,
  SIGNED_KINDS,
  signedCounts,
} from './close-out';
import { CountDoubts } from './close-out-doubts.svelte';
import { FollowUpEnd } from './close-out-follow-up.svelte';
import { PackageEnds } from './close-out-packages';
import { maySign, roleOf } from './close-out-signers';
import { LiveRecords } from './live-records.svelte';
import { type Override, passes, type StandingGate, standingGates } from './override';
import { type Confirmation, keptConfirmation } from './pin';
import { CLOSE_OUT_STEP } from './procedure-events';
import { RaisedCauses } from './raised-causes.svelte';
import { RaisedTrace } from './raised-trace';
import {
  headsOf,
  idOf,
  type Json,
  overOf,
  type RecordState,
  shown,
  structureOf,
  textOf,
} from './shown';
import { tallyOf } from './tally';

/** Where the gates of this screen are raised. */
const PLACE = 'close-out';

export class CloseOutSession {
  readonly #app: App;
  readonly record: CaseRecord;
  readonly staff: LiveRecords;
  readonly acts: AnswerActs;
  /** What makes the counts doubtful until a person decides. */
  readonly doubts: CountDoubts;
  /** What becomes of packages. */
  readonly packages: PackageEnds;
  /** What follows, or why nothing does. */
  readonly followUp: FollowUpEnd;
  readonly #stock: LiveRecords;
  readonly #ruleBook: RuleBook;
  readonly #raised: RaisedCauses;
  readonly #trace: RaisedTrace;
  /** Minted when the control is drawn: a second press signs nothing twice (HAZ-14). */
  #signId: string;

  constructor(app: App, caseId: string) {
    this.#app = app;
    this.#ruleBook = app.ruleBook;
    this.record = new CaseRecord(app.store, caseId);
    this.staff = new LiveRecords(app.store, { kind: 'staff' });
    this.#stock = new LiveRecords(app.store, { kind: 'stock_item' });
    this.#raised = new RaisedCauses(app, this.record.caseRecord);
    this.#trace = new RaisedTrace(app, {
      caseRecord: this.record.caseRecord,
      step: CLOSE_OUT_STEP,
      causes: () => this.#raised.at(PLACE),
      stepEvents: () => this.record.all('step_event'),
    });
    this.acts = new AnswerActs({ ...app, tablet: this.#trace });
    this.doubts = new CountDoubts(app.store, this.record);
    this.packages = new PackageEnds(app, this.record.caseRecord, this.acts);
    this.followUp = new FollowUpEnd(app, this.record, this.acts);
    this.#signId = app.ids.newId();
  }

  readonly answers = $derived.by(
    () =>
      this.record
        .standing('step_event')
        .find(({ record }) => record === closeOutRecord(this.record.caseRecord)) ?? null,
  );
  readonly said = $derived.by(() => structureOf(this.answers, 'answers') ?? {});
  readonly counts = $derived.by(() =>
    countsOf(this.record.all('package_opened'), this.record.all('coil_placed')),
  );
  readonly totals = $derived.by(() =>
    tallyOf({
      punctures: this.record.all('puncture'),
      coils: this.record.all('coil_placed'),
      adhesives: this.record.all('adhesive_injected'),
      flushes: this.record.all('flush'),
    }),
  );
  /** Flow at the end where the last Doppler told it; an answer given here counts before it. */
  readonly flow = $derived.by(() => flowRecorded(this.record.all('step_event')));
  readonly complications = $derived.by(() => this.record.standing('complication'));
  readonly #hasFollowUp = $derived.by(() => hasFollowUp(this.record.itself, this.record.visits));
  readonly open = $derived.by(() =>
    openPoints({
      counts: this.counts,
      hasFollowUp: this.#hasFollowUp,
      answers: this.answers,
      complications: this.complications,
      flow: this.flow,
    }),
  );
  /** Only these keep the case from closing (HARD-08). */
  readonly blocking = $derived.by((): OpenPoint[] =>
    this.open.filter((point) => point === 'counts' || point === 'follow-up'),
  );
  /** The gates that withhold the signature (HARD-08). */
  readonly gates = $derived.by(() =>
    standingGates(this.#ruleBook, closeOutFacts(this.counts, this.#hasFollowUp)),
  );
  readonly digest = $derived.by(() =>
    digestOf(
      this.record.itself,
      SIGNED_KINDS.flatMap((kind) => this.record.all(kind)),
    ),
  );
  /** Entries of a newer version: while there is one, nobody signs here (MG12). */
  readonly newer = $derived.by(() =>
    newerEntries(
      this.record.itself,
      SIGNED_KINDS.flatMap((kind) => this.record.all(kind)),
    ),
  );
  readonly signature = $derived.by(() => lastSignature(this.record.all('sign_off')));
  readonly isChanged = $derived.by(
    () => this.signature !== null && shown(this.signature, 'digest') !== this.digest,
  );

  /** Record and field of what was entered after the signature. */
  readonly changed = $derived.by(() =>
    changedSince(
      this.signature,
      this.record.itself,
      SIGNED_KINDS.flatMap((kind) => this.record.all(kind)),
    ),
  );

  /** Keep that these gates are on screen: the next act here leaves their causes (GATE-05). */
  noteRaised(standing: readonly StandingGate[]): void {
    this.#raised.note(
      standing.map(({ gate }) => gate.cause),
      PLACE,
    );
  }

  /** Name of a stocked item, "" when the unit's list does not hold it. */
  stockName(record: string): string {
    return textOf(
      this.#stock.list.find((item) => item.record === record),
      'name',
    );
  }

  /** Save one answer of close-out at once, over what was on screen. */
  async say(words: string, said: Record<string, Json>): Promise<void> {
    const { caseRecord } = this.record;
    const now = this.#app.clock.nowIso();
    await this.acts.give({
      record: closeOutRecord(caseRecord),
      onScreen: this.answers,
      field: 'answers',
      words,
      control: `${CLOSE_OUT_STEP} ${JSON.stringify(said)}`,
      compose: (held) => ({
        ...(typeof held === 'object' && held !== null && !Array.isArray(held) ? held : {}),
        ...said,
      }),
      withNew: closeOutBase(caseRecord, now),
    });
  }

  /** Order nil by mouth for whole hours from now; 0 lifts it. */
  orderNilByMouth(words: string, hours: number): Promise<void> {
    const until = new Date(this.#app.clock.nowMs() + hours * 3_600_000).toISOString();
    return this.say(words, {
      nil_by_mouth_hours: hours,
      nil_by_mouth_until: hours === 0 ? null : until,
    });
  }

  /** Record a complication, or "none"; one that happened takes back an earlier "none". */
  async complicate(what: string, words: string): Promise<void> {
    const id = this.#app.ids.newId();
    const at = this.#app.clock.nowIso();
    const none = this.complications.filter((one) => shown(one, 'what') === 'none');
    await this.acts.saveTogether(`complication ${what}`, words, () => [
      {
        draftId: `complication-${id}`,
        record: `complication/${id}`,
        set: { case: this.record.caseRecord, what, at },
      },
      ...(what === 'none' ? [] : none).map(
        (one): Draft => ({
          draftId: `retract-${id}-${idOf(one.record)}`,
          record: one.record,
          retract: headsOf(one),
          because: kept.complication,
        }),
      ),
    ]);
  }

  /** Take back a complication entered in error; it stays in the history, struck through. */
  takeBack(complication: RecordState, words: string): Promise<void> {
    return this.acts.strike(complication.record, words);
  }

  /**
   * Sign the case as it stands and close it, in one save.
   *
   * @param confirmation - who signs, and how they have shown to be that person [HAZ-25]
   * @param overrides - with which the gates were passed, each on the facts of now
   */
  async sign(confirmation: Confirmation, overrides: readonly Override[]): Promise<boolean> {
    const { itself, caseRecord } = this.record;
    const passed = overrides.filter((one) => this.gates.some((gate) => passes(one, gate)));
    const isOpen = this.blocking.length > 0 && passed.length === 0;
    const isWithheld = this.gates.some((gate) => !passed.some((one) => passes(one, gate)));
    // The unit would set it aside: a signature of somebody whose role does not sign [SEC-22].
    if (!maySign(roleOf(this.staff.list, confirmation.by))) return false;
    if (itself === null || isOpen || isWithheld || this.newer > 0) return false;
    const { coils, pureUl, mixUl, mixOfUnknownPartsUl, flushUl, punctures } = this.totals;
    // A step event beside the signature would change what was signed.
    const shownHere = this.#trace.unnamed();
    const answer = await this.#app.tablet.save(
      [
        {
          draftId: `sign_off-${this.#signId}`,
          record: `sign_off/${this.#signId}`,
          set: {
            case: caseRecord,
            digest: this.digest,
            at: this.#app.clock.nowIso(),
            confirmation: keptConfirmation(confirmation),
            outcome: {
              ...(this.flow ? { doppler_flow: this.flow.flow } : {}),
              ...this.said,
              complications: this.complications.map((one) => textOf(one, 'what')),
              coils,
              // Of parts that nobody said no sum is signed.
              ...(mixOfUnknownPartsUl === 0 ? { adhesive_pure_ul: pureUl } : {}),
              mix_ul: mixUl,
              flush_ul: flushUl,
              punctures,
              counts: signedCounts(this.counts),
              ...(passed.length > 0 ? { overrides: passed } : {}),
              ...(shownHere.length > 0 ? { gates_shown: shownHere } : {}),
            },
          },
        },
        {
          draftId: `stage-closed-${this.#signId}`,
          record: caseRecord,
          set: { stage: 'closed' },
          over: overOf(itself, 'stage'),
        },
      ],
      confirmation.by,
    );
    if (answer.kind !== 'saved') return false;
    this.#signId = this.#app.ids.newId();
    return true;
  }

  dispose(): void {
    this.record.dispose();
    this.staff.dispose();
    this.doubts.dispose();
    this.#stock.dispose();
  }
}
