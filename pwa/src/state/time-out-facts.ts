/**
 * Everything that the team agrees on at the time out, read from the plan in use and the record.
 *
 * The question names target, needle, coils, adhesive with its flush and limits: each has a line,
 * and a line without an entry says so instead of falling away. Shows; decides nothing.
 */
import type { CaseRecord } from './case-record.svelte';
import type { InjectionLimits } from './procedure-limits';
import type { AdhesivePlan, PlannedTotals, StockChoice, TargetPlan } from './procedure-plan';
import { type StepFact, stepFacts } from './step-facts';
import { mlText, mmText } from './tally';

export const TIME_OUT = 'time_out';

/** What a procedure under way knows of its plan; all of it empty while the plan is not in use. */
export interface AgreedPlan {
  record: CaseRecord;
  targets: readonly TargetPlan[];
  adhesive: AdhesivePlan;
  planned: PlannedTotals;
  coils: readonly StockChoice[];
  limits: InjectionLimits | null;
}

/** Return the lines of the time out, top to bottom. */
export function timeOutFacts(agreed: AgreedPlan): StepFact[] {
  const { record, targets, adhesive, planned, limits } = agreed;
  const [ofTargets, needle, agent, rightToLeft] = stepFacts(TIME_OUT, record);
  const [allergies] = stepFacts('allergies', record);
  const isAlone = targets.length === 1;
  const named = (target: TargetPlan, words: string) =>
    isAlone ? words : `${target.label}: ${words}`;
  const stops = targets.flatMap((target) =>
    target.needleStopUm === null ? [] : [named(target, mmText(target.needleStopUm))],
  );
  const coils = targets.flatMap((target) => {
    const words = coilsOf(target, agreed.coils);
    return words === '' ? [] : [named(target, words)];
  });
  const amount = (amountUl: number | null | undefined) =>
    typeof amountUl === 'number' ? [mlText(amountUl)] : [];
  const isCoilsAlone = adhesive.agent === 'none';
  const withOil = (adhesive.partsOil ?? 0) > 0;
  return [
    ofTargets,
    needle,
    { about: 'planned_stop', entered: stops },
    { about: 'planned_coils', entered: coils },
    agent,
    ...(isCoilsAlone
      ? []
      : [
          { about: 'planned_pure', entered: amount(planned.pureUl) },
          ...(withOil ? [{ about: 'planned_mix', entered: amount(planned.mixUl) }] : []),
          {
            about: 'planned_flush',
            entered: [...amount(planned.flushUl), ...adhesive.flushMedia],
          },
          { about: 'second_person', entered: amount(limits?.secondPersonUl) },
        ]),
    rightToLeft,
    allergies,
  ].filter((fact): fact is StepFact => fact !== undefined);
}

/** Return the coils of a target in the order of their loops: `2 × 18 mm, 1 × 14 mm`. */
function coilsOf(target: TargetPlan, stock: readonly StockChoice[]): string {
  const counts = new Map<number, number>();
  for (const pick of target.picks) {
    const loop = stock.find(({ record }) => record === pick || record === `stock_item/${pick}`)
      ?.coil?.loop_um;
    if (loop !== undefined) counts.set(loop, (counts.get(loop) ?? 0) + 1);
  }
  return [...counts].map(([loopUm, count]) => `${count} × ${mmText(loopUm)}`).join(', ');
}
