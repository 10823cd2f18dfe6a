/**
 * What is at hand on the step on screen: the coil, the amount and the medium that its primary
 * action names, and the gate that stands in its way. Pure, of a session.
 */
import type { Facts } from '../clinical-rules/gate-facts';
import { passes, type StandingGate } from './override';
import type { ProcedureSession } from './procedure.svelte';
import { limitStanding } from './procedure-limits';
import type { StockChoice } from './procedure-plan';
import { idOf, textOf } from './shown';
import { pureShareUl } from './tally';

/** The coil of the plan that comes next in this target, null where the plan names none. */
export function plannedCoil(session: ProcedureSession): StockChoice | null {
  const { target } = session;
  if (target === null) return null;
  const pick = target.picks[session.tally(target.record).coils];
  return session.coils.find(({ record }) => record === pick || idOf(record) === pick) ?? null;
}

/** The coil that the primary action records: that of the package, the one chosen, the planned one. */
export function coilAtHand(session: ProcedureSession): StockChoice | null {
  const stock = textOf(session.opened, 'stock_id');
  const ofPackage = session.coils.find(({ record }) => record === stock);
  if (session.step?.takes === 'coil' && ofPackage) return ofPackage;
  return session.answers.stock ?? plannedCoil(session);
}

/** The amount the primary action names: the one entered, else the planned one. */
export function amountAtHand(session: ProcedureSession): number | null {
  const { step, answers, adhesive } = session;
  if (answers.amount !== null) return answers.amount;
  if (step?.takes === 'adhesive') return adhesive.aliquotUl;
  return step?.id === 'dead_space_flush' ? adhesive.flushUl : null;
}

/** The medium chosen, else the only one that goes with the adhesive. */
export function mediumAtHand(session: ProcedureSession): string | null {
  const { answers, flushMedia } = session;
  return answers.medium ?? (flushMedia.length === 1 ? (flushMedia[0] ?? null) : null);
}

/** Pure adhesive of the amount at hand; of a mix with unknown parts all of it. */
export function pureAtHandUl(session: ProcedureSession): number {
  const { partsAdhesive, partsOil } = session.adhesive;
  const amount = amountAtHand(session) ?? 0;
  return partsAdhesive && partsOil !== null
    ? pureShareUl(amount, partsAdhesive, partsAdhesive + partsOil)
    : amount;
}

/** Where the session stands against its limits once the amount at hand is given (AD5). */
export function limitAtHand(session: ProcedureSession) {
  return limitStanding(session.givenUl, pureAtHandUl(session), session.limits);
}

/** What the gates are told of the step on screen; nothing while its timer runs. */
export function factsAtHand(session: ProcedureSession): Facts {
  const { step, answers, distanceUm } = session;
  if (step === null || session.isTimerHere()) return {};
  if (step.id === 'stop_set' && answers.amount !== null && distanceUm !== null) {
    return { stop_um: answers.amount, measured_distance_um: distanceUm };
  }
  if (step.takes !== 'adhesive') return {};
  return {
    ...planFacts(session.planStanding),
    ...(amountAtHand(session) === null
      ? {}
      : { pure_ul_given: session.givenUl, pure_ul_next: pureAtHandUl(session) }),
  };
}

function planFacts(standing: ProcedureSession['planStanding']): Facts {
  return standing.kind === 'out-of-date'
    ? { plan_standing: 'out-of-date', plan_changes: standing.changes }
    : { plan_standing: standing.kind };
}

/** Return the gate that stands in the way of the step on screen, null where none does. */
export function gateAtHand(session: ProcedureSession): StandingGate | null {
  const { override } = session.answers;
  return (
    session
      .gatesOn(factsAtHand(session))
      .find(
        (one) => one.gate.level === 'hard' && !session.isPassed(one) && !passes(override, one),
      ) ?? null
  );
}
