/**
 * In which parts adhesive and oil are mixed, as said at the bedside where no plan says it. Pure.
 *
 * It is kept with the step "aliquot ready" and goes into each aliquot after it, so that the pure
 * amount is known. Without an answer, and after "not known", nothing is assumed (HAZ-04).
 */
import type { ProcedureSession } from './procedure.svelte';
import type { AdhesivePlan, StockChoice } from './procedure-plan';
import { type Json, type RecordState, structureOf, textOf } from './shown';

/** The step at which it is asked. */
export const ALIQUOT_STEP = 'aliquot_ready';

/** Whole parts, or a person has said that nobody knows them. */
export type SaidParts = { adhesive: number; oil: number } | 'unknown';

/** Return how the answers of the step keep what was said. */
export function answersOfParts(said: SaidParts): Record<string, Json> {
  return said === 'unknown'
    ? { parts_unknown: true }
    : { parts_adhesive: said.adhesive, parts_oil: said.oil };
}

/** Return what the answers of a step say of the parts, null where they say nothing. */
export function partsInAnswers(answers: { readonly [part: string]: unknown } | null) {
  const { parts_adhesive: adhesive, parts_oil: oil, parts_unknown: unknown } = answers ?? {};
  if (isWhole(adhesive) && isWhole(oil) && adhesive > 0) return { adhesive, oil };
  return unknown === true ? ('unknown' as const) : null;
}

/**
 * Return what was said last, null where nobody has said anything of the adhesive in use: an
 * ampoule of another adhesive is not mixed as the one before it.
 *
 * @param agentOf - the adhesive of a stocked item, "" where it is not known
 */
export function saidParts(
  stepEvents: readonly RecordState[],
  agentOf: (stock: string) => string,
): SaidParts | null {
  let said: SaidParts | null = null;
  let agent = '';
  for (const event of stepEvents) {
    if (event.isEnteredInError || textOf(event, 'step') !== ALIQUOT_STEP) continue;
    const answers = structureOf(event, 'answers');
    const taken = agentOf(String(answers?.stock_id ?? ''));
    if (taken !== '' && agent !== '' && taken !== agent) said = null;
    agent = taken || agent;
    said = partsInAnswers(answers) ?? said;
  }
  return said;
}

/** Say whether the plan holds the parts. */
export function isInPlan({ partsAdhesive, partsOil }: AdhesivePlan): boolean {
  return partsAdhesive !== null && partsOil !== null;
}

/**
 * Return the adhesive as planned; where nobody chose one, that of the package in use, and where
 * nobody planned its parts, those said at the bedside.
 *
 * @param agentInUse - of the package in use, "" where there is none
 */
export function adhesiveInUse(
  plan: AdhesivePlan,
  agentInUse: string,
  said: SaidParts | null,
): AdhesivePlan {
  const agent = plan.agent ?? (agentInUse || null);
  if (isInPlan(plan) || said === null || said === 'unknown') return { ...plan, agent };
  return { ...plan, agent, partsAdhesive: said.adhesive, partsOil: said.oil };
}

/**
 * The parts of adhesive and oil at "aliquot ready": what was pressed now, else said before. They
 * are asked for while neither the plan nor anybody at the bedside has said them.
 */
export function partsAtHand(session: ProcedureSession): {
  said: SaidParts | null;
  isAsked: boolean;
  /** Said at the bedside, so that it may be said anew; a plan is changed in the plan. */
  isSaidHere: boolean;
} {
  const { answers, plannedAdhesive } = session;
  if (session.step?.id !== ALIQUOT_STEP || isInPlan(plannedAdhesive)) {
    return { said: null, isAsked: false, isSaidHere: false };
  }
  const isOther = isOtherAgent(answers.stock, session.adhesive.agent);
  const before = isOther ? null : session.saidParts;
  return {
    said: answers.parts ?? before,
    isAsked: before === null,
    isSaidHere: before !== null,
  };
}

/** An ampoule of another adhesive is not mixed as the one in use. */
function isOtherAgent(stock: StockChoice | null, inUse: string | null): boolean {
  const agent = stock?.item === 'adhesive' ? stock.agent : '';
  return agent !== '' && inUse !== null && agent !== inUse;
}

function isWhole(part: unknown): part is number {
  return typeof part === 'number' && Number.isInteger(part) && part >= 0;
}
