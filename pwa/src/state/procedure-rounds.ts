/** Which round a step belongs to when a person goes to it out of order. Pure. */
import {
  NO_ROUND,
  type PlannedTarget,
  type Progress,
  type Round,
  type Step,
  type StepEvent,
} from '../clinical-rules/step-protocol';

/**
 * Return the round in which a step pressed out of order is recorded.
 *
 * The target and puncture are those of the moment; a coil or aliquot step belongs to the one
 * under way, else to the next one of that puncture.
 */
export function roundForStep(
  step: Step,
  progress: Progress,
  targets: readonly PlannedTarget[],
  events: readonly StepEvent[],
): Round {
  if (step.loop === null) return NO_ROUND;
  const latest = events.findLast((event) => event.round.target !== null)?.round;
  const target = progress.round.target ?? latest?.target ?? targets[0]?.label ?? null;
  const puncture =
    progress.round.puncture ?? (latest?.target === target ? latest?.puncture : null) ?? 1;
  const here: Round = { ...NO_ROUND, target, puncture };
  if (step.loop === 'puncture') return here;
  const loop = step.loop;
  const underWay = progress.round[loop];
  const isOpen =
    underWay !== null &&
    !events.some((event) => event.step === step.id && event.round[loop] === underWay);
  if (isOpen) return { ...here, [loop]: underWay };
  const numbers = events
    .filter(
      (event) =>
        event.step === step.id &&
        event.round.target === target &&
        event.round.puncture === puncture,
    )
    .map((event) => event.round[loop] ?? 0);
  return { ...here, [loop]: Math.max(0, ...numbers) + 1 };
}

/** Return the steps before the first puncture that were not passed: what an emergency leaves out. */
export function stepsBeforePuncture(steps: readonly Step[], events: readonly StepEvent[]): Step[] {
  const first = steps.findIndex((step) => step.loop !== null);
  const passed = new Set(events.map((event) => event.step));
  return steps.slice(0, Math.max(0, first)).filter((step) => !passed.has(step.id));
}
