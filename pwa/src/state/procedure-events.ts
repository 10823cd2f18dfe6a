/**
 * The steps that were passed, as the step protocol and the list of last acts read them. Pure.
 */
import type { Move, Round, StepEvent, StepOutcome } from '../clinical-rules/step-protocol';
import { CHOOSE } from '../clinical-rules/step-protocol';
import { actOf } from './procedure-drafts';
import { type Json, type RecordState, structureOf, textOf, valuesOf } from './shown';

type Parts = { readonly [part: string]: Json };

/** Step name of the answers given at close-out; no step of the bedside. */
export const CLOSE_OUT_STEP = 'close_out';
/** Step name of going on with an own plan while the saved one is out of date (HARD-03). */
export const OWN_PLAN_STEP = 'own_plan';

/** Step name under which Plan leaves what came up there; no step of the bedside. */
export const PLAN_STEP = 'plan';

/** Step that asks whether the feeder was followed; its diameter may be entered there. */
export const FEEDER_STEP = 'feeder';

const AWAY: readonly string[] = [CLOSE_OUT_STEP, PLAN_STEP];
/** Kept as steps passed, but no steps of the protocol. */
export const BESIDE: readonly string[] = [...AWAY, OWN_PLAN_STEP];
const OUTCOMES: readonly string[] = ['done', 'not-seen', 'skipped', 'override'];
const wholeOrNull = (part: unknown) =>
  typeof part === 'number' && Number.isInteger(part) ? part : null;

/** Return the round that a structure holds; parts it lacks are null. */
export function readRound(part: Parts | null): Round {
  return {
    target: typeof part?.target === 'string' ? part.target : null,
    puncture: wholeOrNull(part?.puncture),
    coil: wholeOrNull(part?.coil),
    aliquot: wholeOrNull(part?.aliquot),
  };
}

/** Return what stands, oldest first, as the step protocol takes it. */
export function readEvents(stepEvents: readonly RecordState[]): StepEvent[] {
  return stepEvents
    .filter((event) => !event.isEnteredInError && !BESIDE.includes(textOf(event, 'step')))
    .flatMap((event) => {
      const outcome = textOf(event, 'outcome');
      const step = textOf(event, 'step');
      if (step === '' || !OUTCOMES.includes(outcome)) return [];
      return [
        {
          step,
          round: readRound(structureOf(event, 'round')),
          outcome: outcome as StepOutcome,
          move: step === CHOOSE ? (textOf(event, 'move') as Move) : null,
        },
      ];
    });
}

/** Return the latest standing event of a step in a round, null when it was not passed. */
export function findEvent(
  stepEvents: readonly RecordState[],
  step: string,
  round: Round,
): RecordState | null {
  return (
    stepEvents.findLast(
      (event) =>
        !event.isEnteredInError &&
        textOf(event, 'step') === step &&
        isSameRound(readRound(structureOf(event, 'round')), round),
    ) ?? null
  );
}

export function isSameRound(one: Round, other: Round): boolean {
  return (
    one.target === other.target &&
    one.puncture === other.puncture &&
    one.coil === other.coil &&
    one.aliquot === other.aliquot
  );
}

/** Return how many flushes were passed as done with no amount entered, of one target or of all. */
export function flushesWithoutAmount(
  stepEvents: readonly RecordState[],
  flushSteps: readonly string[],
  targetLabel?: string,
): number {
  return stepEvents.filter(
    (event) =>
      !event.isEnteredInError &&
      flushSteps.includes(textOf(event, 'step')) &&
      textOf(event, 'outcome') === 'done' &&
      answerOf(event, 'flush_ul') === null &&
      (targetLabel === undefined || readRound(structureOf(event, 'round')).target === targetLabel),
  ).length;
}

/** Return a whole number from the answers of a step passed, null when there is none. */
export function answerOf(event: RecordState | null, name: string): number | null {
  return wholeOrNull(structureOf(event, 'answers')?.[name]);
}

/** One act of the bedside as the list of last acts shows it. */
export interface PassedAct {
  actId: string;
  isUndone: boolean;
  /** The field values of its first record; of an undone act as they were. */
  set: Parts;
  kind: 'step_event' | 'complication';
  /** How many records of this kind the act made: more than one when steps were skipped at once. */
  count: number;
}

/**
 * Return the acts, oldest first by their time-ordered ids.
 *
 * @param struck - what undone records held, by record id; one not known yet is left out
 */
export function passedActs(
  stepEvents: readonly RecordState[],
  complications: readonly RecordState[],
  struck: ReadonlyMap<string, Parts>,
): PassedAct[] {
  const acts = new Map<string, PassedAct>();
  const take = (record: RecordState, kind: PassedAct['kind']) => {
    const set = record.isEnteredInError ? struck.get(record.record) : standingSet(record);
    if (set === undefined || AWAY.includes(String(set.step))) return;
    const actId = actOf(record.record);
    const known = acts.get(actId);
    if (known) known.count += 1;
    else acts.set(actId, { actId, isUndone: record.isEnteredInError, set, kind, count: 1 });
  };
  for (const event of stepEvents) take(event, 'step_event');
  for (const one of complications) take(one, 'complication');
  return [...acts.values()].sort((a, b) => (a.actId < b.actId ? -1 : 1));
}

function standingSet(record: RecordState): Parts {
  const names = Object.keys(record.fields);
  return Object.fromEntries(
    names.map((name) => [name, valuesOf(record, name).at(-1)?.value ?? null]),
  );
}

/** Return the instant of the first standing act, "" before there was one. */
export function startedAt(stepEvents: readonly RecordState[]): string {
  const times = stepEvents
    .filter((event) => !event.isEnteredInError && !AWAY.includes(textOf(event, 'step')))
    .map((event) => textOf(event, 'at'))
    .filter((at) => at !== '');
  return times.reduce(
    (first, at) => (Date.parse(at) < Date.parse(first) ? at : first),
    times[0] ?? '',
  );
}
