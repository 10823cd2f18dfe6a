/**
 * The plan of a case: its question to the rules, and whether a saved plan still answers it. Pure.
 *
 * A plan is shown only while its question equals the question the record asks now (HAZ-02).
 */
import type { Json, RecordState } from '../ports';
import { canonicalText } from '../sync/canonical-text';
import { milliText } from './number-entry';
import { listChanges, type PlanChange } from './plan-changes';
import { isInConflict, numberOf, shown, structureOf, textOf } from './shown';

type MaybeState = RecordState | null;
export type Request = Readonly<Record<string, Json>>;

export type PlanLack = 'varix-class' | 'targets' | 'short-axis' | 'origin' | 'needle' | 'adhesive';

export type PlanQuestion =
  | { kind: 'ask'; request: Request }
  /** Required inputs that nobody has entered: no number (HARD-02). */
  | { kind: 'lacks'; what: { lack: PlanLack; label: string }[] }
  /** Fields in which two answers wait: no number (HARD-06). */
  | { kind: 'conflict'; fields: string[] };

export interface SavedPlan {
  request: Request;
  answer: Readonly<Record<string, unknown>>;
  protocol: { name: string; version: number; sha256: string };
}

export type PlanStanding =
  | { kind: 'none' }
  | { kind: 'in-use'; plan: SavedPlan }
  | { kind: 'out-of-date'; changes: PlanChange[] };

const NEEDLE_KEYS = ['gauge', 'inner_diameter_um', 'length_um', 'prime_ul', 'stop_step_um'];
const PLAN_FIELDS = ['varix_class', 'needle', 'adhesive', 'shunt', 'right_to_left_shunt'];

/**
 * Return what the record asks of `sizing` now.
 *
 * What has been injected so far is no part of it: the plan is made before, the running total
 * stands on Procedure.
 *
 * @param stock - records of kind `stock_item`
 */
export function askPlan(
  caseState: MaybeState,
  targets: readonly RecordState[],
  stock: readonly RecordState[],
): PlanQuestion {
  const standing = inOrder(targets);
  const conflicts = PLAN_FIELDS.filter((field) => isInConflict(caseState, field));
  for (const target of standing) {
    for (const field of ['label', 'size', 'distance']) {
      if (isInConflict(target, field)) conflicts.push(`${textOf(target, 'label')} ${field}`.trim());
    }
  }
  if (conflicts.length > 0) return { kind: 'conflict', fields: conflicts };

  const what: { lack: PlanLack; label: string }[] = [];
  // Numbers are for the listed classes alone: which one this is has to be said first (HAZ-13).
  if (textOf(caseState, 'varix_class') === '') what.push({ lack: 'varix-class', label: '' });
  if (standing.length === 0) what.push({ lack: 'targets', label: '' });
  for (const target of standing) {
    const size = structureOf(target, 'size');
    const label = textOf(target, 'label');
    if (typeof size?.short_axis_um !== 'number') what.push({ lack: 'short-axis', label });
    else if (typeof size.origin !== 'string') what.push({ lack: 'origin', label });
  }
  const needle = structureOf(caseState, 'needle');
  if (typeof needle?.gauge !== 'number') what.push({ lack: 'needle', label: '' });
  const adhesive = adhesiveOf(caseState);
  if (adhesive === undefined) what.push({ lack: 'adhesive', label: '' });
  if (what.length > 0 || needle === null || adhesive === undefined) return { kind: 'lacks', what };

  const request: Record<string, Json> = {
    targets: standing.map(targetOf),
    needle: numbersOf(needle, NEEDLE_KEYS),
    coils_in_stock: coilsInStock(stock),
    adhesive,
  };
  for (const field of ['shunt', 'right_to_left_shunt']) {
    const answer = shown(caseState, field);
    if (typeof answer === 'string') request[field] = answer;
  }
  return { kind: 'ask', request };
}

/** Return the targets that stand, by order, then by label. */
export function inOrder(targets: readonly RecordState[]): RecordState[] {
  const key = (target: RecordState) =>
    `${String(numberOf(target, 'order') ?? 999).padStart(4, '0')} ${textOf(target, 'label')}`;
  return targets
    .filter((target) => !target.isEnteredInError)
    .sort((one, other) => (key(one) < key(other) ? -1 : 1));
}

/** Return the letter of the next target: one that no record of the case has had. */
export function nextTargetLetter(targets: readonly RecordState[], caseId: string): string {
  const taken = new Set(targets.map((target) => target.record));
  const letters = [...'abcdefghijklmnopqrstuvwxyz'];
  return letters.find((letter) => !taken.has(targetRecord(caseId, letter))) ?? '';
}

/** Return a target's record id: two tablets adding "Varix A" mean the same one. */
export function targetRecord(caseId: string, letter: string): string {
  return `target/${caseId}-${letter}`;
}

/** Return the coils the unit keeps, as the rules take them, in order of id. */
export function coilsInStock(stock: readonly RecordState[]): Record<string, Json>[] {
  return stock
    .filter((item) => !item.isEnteredInError && shown(item, 'item') === 'coil')
    .flatMap((item) => {
      const coil = structureOf(item, 'coil');
      const count = numberOf(item, 'count');
      if (coil === null || count === null) return [];
      const sizes = numbersOf(coil, ['loop_um', 'wire_um', 'length_um']);
      return Object.keys(sizes).length === 3 ? [{ id: item.record, ...sizes, count }] : [];
    })
    .sort((one, other) => (String(one.id) < String(other.id) ? -1 : 1));
}

/** Return the plan saved with a case, null where none is readable. */
export function savedPlanOf(caseState: MaybeState): SavedPlan | null {
  const plan = structureOf(caseState, 'plan');
  const isObject = (held: unknown) =>
    typeof held === 'object' && held !== null && !Array.isArray(held);
  if (plan === null || !isObject(plan.request) || !isObject(plan.answer)) return null;
  return plan as unknown as SavedPlan;
}

/**
 * Return the step protocol that a case took up: with its plan, or with its start where it had none
 * (HAZ-10).
 */
export function protocolOf(caseState: MaybeState): SavedPlan['protocol'] | undefined {
  const started = structureOf(caseState, 'step_protocol') ?? undefined;
  return savedPlanOf(caseState)?.protocol ?? (started as SavedPlan['protocol'] | undefined);
}

/** Return whether a saved plan answers the question of now; if not, what changed. */
export function judgePlan(saved: SavedPlan | null, question: PlanQuestion): PlanStanding {
  if (saved === null) return { kind: 'none' };
  if (question.kind === 'conflict') {
    return {
      kind: 'out-of-date',
      changes: question.fields.map((field) => ({ kind: 'conflict', field })),
    };
  }
  if (question.kind === 'lacks') {
    return {
      kind: 'out-of-date',
      changes: question.what.map(({ lack, label }) => ({ kind: 'lack', lack, label })),
    };
  }
  if (isSameQuestion(saved.request, question.request)) return { kind: 'in-use', plan: saved };
  return { kind: 'out-of-date', changes: listChanges(saved.request, question.request) };
}

/** Say whether two questions are the same, whatever the order of their keys. */
export function isSameQuestion(one: Request, other: Request): boolean {
  return canonicalText(one as Json) === canonicalText(other as Json);
}

/** Return micrometres as people read them, with the unit. */
export function mmText(um: number): string {
  return `${milliText(um)} mm`;
}

/** Return microlitres as people read them, with the unit; the caller names the liquid. */
export function mlText(ul: number): string {
  return `${milliText(ul)} mL`;
}

function adhesiveOf(caseState: MaybeState): Record<string, Json> | null | undefined {
  const entered = structureOf(caseState, 'adhesive');
  if (entered?.agent === 'none') return null;
  const hasRatio =
    typeof entered?.parts_adhesive === 'number' && typeof entered.parts_oil === 'number';
  if (entered === null || typeof entered.agent !== 'string' || !hasRatio) return undefined;
  return {
    agent: entered.agent,
    ...numbersOf(entered, ['parts_adhesive', 'parts_oil', 'planned_ul']),
  };
}

function targetOf(target: RecordState): Record<string, Json> {
  const size = structureOf(target, 'size') ?? {};
  const distance = structureOf(target, 'distance') ?? {};
  return {
    label: textOf(target, 'label'),
    ...numbersOf(size, ['short_axis_um', 'long_axis_um', 'third_axis_um']),
    ...(typeof distance.measured_um === 'number'
      ? { measured_distance_um: distance.measured_um }
      : {}),
    ...numbersOf(distance, ['near_wall_um', 'far_wall_um']),
    origin: String(size.origin),
  };
}

function numbersOf(
  from: { readonly [part: string]: Json },
  names: readonly string[],
): Record<string, number> {
  return Object.fromEntries(
    names.flatMap((name): [string, number][] => {
      const found = from[name];
      return typeof found === 'number' ? [[name, found]] : [];
    }),
  );
}
