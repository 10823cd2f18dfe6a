/** What follows a case, or why nothing does: the reason, and the day on which the person died. */
import { ClinicalRuleError } from '../clinical-rules/errors';
import type { Draft } from '../ports';
import { deathDay } from '../text/death-day';
import { inEnglish } from '../text/say';
import type { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import type { CaseRecord } from './case-record.svelte';
import { courseRoleOf } from './course-role';
import { type DeathDay, endedByDeath } from './death-day';
import { readTreatedOn } from './death-day-cases';
import { endsOfThePerson } from './person-ends';
import { overOf, textOf } from './shown';

const REASON = 'no_follow_up_because';

export class FollowUpEnd {
  readonly #app: App;
  readonly #record: CaseRecord;
  readonly #acts: AnswerActs;
  /** Why what was pressed last was not recorded, "" where it was. */
  refused = $state('');

  constructor(app: App, record: CaseRecord, acts: AnswerActs) {
    this.#app = app;
    this.#record = record;
    this.#acts = acts;
  }

  readonly visits = $derived.by(() =>
    this.#record.visits.filter((visit) => !visit.isEnteredInError),
  );
  /** Visits of the person that a death ended, under whichever case. */
  readonly deaths = $derived.by(() => this.#record.personVisits.filter(endedByDeath));
  /** Visits of this case, but for those that a death ended. */
  readonly goingOn = $derived.by(() => this.visits.filter((visit) => !endedByDeath(visit)));
  /** As recorded, "" where none is. */
  readonly reason = $derived.by(() => textOf(this.#record.itself, REASON));
  /** `patient/id`, "" where the case names nobody. */
  readonly patient = $derived.by(() => textOf(this.#record.itself, 'patient'));

  /**
   * Say whether the day of a death is asked here: visits carry it, which end by a clinician's word
   * alone, and are a person's.
   */
  get asksDeathDay(): boolean {
    return courseRoleOf(this.#app.tablet.whoTapsRole) === 'clinician' && this.patient !== '';
  }

  /** Return the day of the last treatment of the person, "" where none is known. */
  readTreatedOn(): Promise<string> {
    return readTreatedOn(this.#app.store, this.patient);
  }

  /**
   * Record why there is no follow-up, and in the same save what else ends by it.
   *
   * @param diedOn - after a death: its day, null where nobody knows it
   */
  async leaveOut(reason: string, words: string, diedOn?: DeathDay): Promise<void> {
    const { caseRecord, itself: onScreen } = this.#record;
    const { patient } = this;
    this.refused = typeof diedOn === 'string' ? await this.#refuse(diedOn) : '';
    if (this.refused !== '') return;
    let ends: Draft[];
    try {
      ends = await endsOfThePerson(this.#app, { patient, caseRecord, reason, diedOn });
    } catch (error) {
      if (!(error instanceof ClinicalRuleError)) throw error;
      this.refused = inEnglish(error.message);
      return;
    }
    const control = `no follow-up ${reason} ${diedOn}`;
    const record = caseRecord;
    if (ends.length === 0) {
      const compose = () => reason;
      await this.#acts.give({ record, onScreen, field: REASON, words, control, compose });
      return;
    }
    const draftId = this.#app.ids.newId();
    // Said again with another day, the reason stands as it was: what was signed has not changed.
    const said: Draft[] =
      textOf(onScreen, REASON) === reason
        ? []
        : [{ draftId, record, set: { [REASON]: reason }, over: overOf(onScreen, REASON) }];
    await this.#acts.saveTogether(control, words, () => [...said, ...ends]);
  }

  async #refuse(diedOn: string): Promise<string> {
    return deathDay.refuse(diedOn, await this.readTreatedOn(), this.#app.clock.today());
  }
}
