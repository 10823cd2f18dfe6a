/**
 * The needle stop to start from where no plan holds one for this distance: by the rule of the plan,
 * from the distance measured at the bedside (SZ9, SZ10). Pure.
 */
import { RuleFileError } from '../clinical-rules/errors';
import type { RuleBook } from '../clinical-rules/rule-book';
import { stopOf } from '../clinical-rules/sizing';
import { limitsOf, readLimitRow } from '../clinical-rules/sizing-limits';
import { type RecordState, shown, structureOf, textOf } from './shown';

/** The stop, and everything it is the sum of. */
export interface FoundStop {
  kind: 'found';
  stopUm: number;
  distanceUm: number;
  marginUm: number;
  stepUm: number;
  /** Name and version of the rule file, for the line under a number. */
  basis: string;
}

export type StartingStop =
  | FoundStop
  /** The rule refuses these distances; its own sentence says why. */
  | { kind: 'refused'; text: string }
  /** The unit has no margin in force: nothing is subtracted, so no number is shown (HAZ-13). */
  | { kind: 'no-rule' }
  | { kind: 'no-distance' };

/** Whole millimetres where nobody entered the steps of the needle. */
const WHOLE_MM = 1_000;

/**
 * Return the stop that the rule holds for a distance.
 *
 * @param distanceUm - as measured for this puncture, null while it was not
 * @param stepUm - the real steps of the needle's stop
 * @param target - record of the target: its walls may refuse the stop
 * @param ruleBook - null while the case is recorded only
 */
export function startingStop(
  distanceUm: number | null,
  stepUm: number,
  target: RecordState | null,
  ruleBook: RuleBook | null,
): StartingStop {
  if (distanceUm === null) return { kind: 'no-distance' };
  if (ruleBook === null) return { kind: 'no-rule' };
  try {
    const file = ruleBook.ruleFile('sizing/limits', readLimitRow);
    const limitOf = limitsOf(file);
    const stop = stopOf(
      { measured_distance_um: distanceUm, ...wallsOf(target) },
      { stop_step_um: stepUm },
      limitOf,
    );
    if (typeof stop === 'number') {
      const marginUm = limitOf('stop_margin_um');
      const basis = `${file.name} v${file.version}`;
      return { kind: 'found', stopUm: stop, distanceUm, marginUm, stepUm, basis };
    }
    return 'refusal' in stop ? { kind: 'refused', text: stop.refusal.text } : { kind: 'no-rule' };
  } catch (error) {
    if (error instanceof RuleFileError) return { kind: 'no-rule' };
    throw error;
  }
}

/**
 * Return the steps of the needle's stop: of the needle of the plan, else of the one whose package
 * was opened last for the case.
 */
export function stopStepUm(
  itself: RecordState | null,
  packages: readonly RecordState[],
  stock: readonly RecordState[],
): number {
  const opened = packages.findLast(
    (one) => !one.isEnteredInError && shown(one, 'item') === 'needle',
  );
  const item = stock.find(
    ({ record, isEnteredInError }) =>
      !isEnteredInError && record === textOf(opened ?? null, 'stock_id'),
  );
  const known = [itself, item ?? null].map((one) => structureOf(one, 'needle')?.stop_step_um);
  const step = known.find((one) => typeof one === 'number' && one > 0);
  return typeof step === 'number' ? step : WHOLE_MM;
}

function wallsOf(target: RecordState | null): { near_wall_um?: number; far_wall_um?: number } {
  const distance = structureOf(target, 'distance');
  const { near_wall_um: near, far_wall_um: far } = distance ?? {};
  return {
    ...(typeof near === 'number' ? { near_wall_um: near } : {}),
    ...(typeof far === 'number' ? { far_wall_um: far } : {}),
  };
}
