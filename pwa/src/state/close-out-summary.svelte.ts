/** What a case comes to at close-out: planned beside given, gates passed, lots left out. */
import type { RuleBook } from '../clinical-rules/rule-book';
import { findProtocol } from '../clinical-rules/step-protocol';
import { closeOut } from '../text/close-out';
import { lotNames, procedure } from '../text/procedure';
import { lotsLeftOut } from './close-out';
import type { CloseOutSession } from './close-out.svelte';
import { countLeftOut, countNotSo } from './close-out-told';
import { standingGates } from './override';
import { passedGates } from './passed-gates';
import { protocolOf, savedPlanOf } from './plan';
import { flushesWithoutAmount } from './procedure-events';
import { plannedTotals } from './procedure-plan';

export class CloseOutSummary {
  readonly #session: Pick<CloseOutSession, 'record' | 'signature'>;
  readonly #ruleBook: RuleBook;

  constructor(session: Pick<CloseOutSession, 'record' | 'signature'>, ruleBook: RuleBook) {
    this.#session = session;
    this.#ruleBook = ruleBook;
  }

  /** Nothing of the plan while the case is recorded only (HAZ-13). */
  readonly planned = $derived.by(() =>
    plannedTotals(this.#ruleBook.isRecordOnly ? null : this.#session.record.itself),
  );
  /** True where something was done at the bedside without a plan that the rules computed. */
  readonly isOwnPlan = $derived.by(
    () =>
      this.#session.record.standing('puncture').length > 0 &&
      savedPlanOf(this.#session.record.itself) === null,
  );
  readonly #steps = $derived.by(
    () => findProtocol(this.#ruleBook, protocolOf(this.#session.record.itself)).rows,
  );
  readonly flushesWithoutAmount = $derived.by(() => {
    const { record } = this.#session;
    const ids = this.#steps.filter(({ takes }) => takes === 'flush').map(({ id }) => id);
    return flushesWithoutAmount(record.all('step_event'), ids);
  });
  /** Steps left out, as the report tells them. */
  readonly leftOut = $derived.by(() => countLeftOut(this.#session.record));
  readonly notSo = $derived.by(() => countNotSo(this.#session.record, this.#steps));
  /** Lots that nobody entered nor called unknown (SOFT-04). */
  readonly remarks = $derived.by(() => {
    const { record } = this.#session;
    const left = lotsLeftOut({
      packages: record.all('package_opened'),
      coils: record.all('coil_placed'),
      punctures: record.all('puncture'),
      adhesives: record.all('adhesive_injected'),
    });
    return standingGates(this.#ruleBook, { lots_missing: left.map((item) => lotNames[item]) });
  });
  /** Gates that the case went past, in the order in which they were passed. */
  readonly passed = $derived.by(() =>
    passedGates(
      this.#session.record.all('step_event'),
      this.#session.signature,
      this.#ruleBook,
      procedure.otherReason,
      closeOut.wordsNotHeld,
    ),
  );
}
