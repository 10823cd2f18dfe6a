/**
 * Where a procedure stands: the next step of the protocol, its gates and the moves open now.
 * Twin of `step_protocol.py`; vectors in `tests/conformance/steps`.
 *
 * Recording is never refused here; what is withheld is the tool's own word to go on (GATE-00).
 */
import type { RuleBook } from './rule-book';
import { type RuleFile, rowShape } from './rule-file';
import { oneOf, shape, text } from './shapes';

export const PROTOCOL = 'step_protocols/coil_and_adhesive';
export const CHOOSE = 'choose';
export const BLOOD_RETURN = 'blood_return';

const orNull =
  <T>(reader: (content: unknown, where: string) => T) =>
  (content: unknown, where: string): T | null =>
    content === null ? null : reader(content, where);

const readStep = rowShape(
  {
    number: text,
    id: text,
    phase: text,
    loop: orNull(oneOf('puncture', 'coil', 'aliquot')),
    title: text,
    ask: text,
    takes: text,
    gate: orNull(shape({ id: text, hard_when: text })),
    applies: text,
  },
  { detail: text },
);

/** The latest event of each step and round, with its place in the record. */
type Latest = ReadonlyMap<string, { event: StepEvent; place: number }>;

/** One row of a step protocol; `detail` is what a short question leaves out. */
export type Step = ReturnType<typeof readStep>;

/** Which target, puncture, coil and aliquot a step belongs to; null where none. */
export interface Round {
  target: string | null;
  puncture: number | null;
  coil: number | null;
  aliquot: number | null;
}

export type StepOutcome = 'done' | 'not-seen' | 'skipped' | 'override';
export type Move =
  | 'coil'
  | 'another_coil'
  | 'adhesive'
  | 'another_aliquot'
  | 'try_again'
  | 'another_puncture'
  | 'next_target'
  | 'withdraw';

/** One step as it was passed. */
export interface StepEvent {
  step: string;
  round: Round;
  outcome: StepOutcome;
  move: Move | null;
}

/** A target in the order of treatment. */
export interface PlannedTarget {
  label: string;
  wantsAdhesive: boolean;
  coilsPlanned: number;
}

/** A gate that stands in the way now. */
export interface OpenGate {
  id: string;
  level: 'hard' | 'soft';
  text: string;
}

/** `step` is `choose` where a person picks one of `choices` (the planned one first), null at the end. */
export interface Progress {
  step: string | null;
  round: Round;
  phase: string;
  choices: Move[];
  gates: OpenGate[];
  passed: number;
  isFinished: boolean;
}

export const NO_ROUND: Round = { target: null, puncture: null, coil: null, aliquot: null };
const HARD_TEXT = 'No blood return: no adhesive here. Flush and try again, or redirect the needle.';
const SOFT_TEXT = 'No blood return. Coils alone: go on only if the tip is seen in the varix.';

/**
 * Return the protocol in force, else the one listed (RL7).
 *
 * @param pinned - the version and bytes that a case took up; they count where they are held here
 */
export function findProtocol(
  ruleBook: RuleBook,
  pinned?: { name: string; version: number; sha256: string },
): RuleFile<Step> {
  if (pinned?.name === PROTOCOL && ruleBook.holds(pinned)) {
    return ruleBook.ruleFileVersion(PROTOCOL, pinned.version, readStep);
  }
  return ruleBook.ruleFileOrListed(PROTOCOL, readStep);
}

/** Return the steps of the protocol in force, in order; else of the one listed (RL7). */
export function readProtocol(ruleBook: RuleBook): readonly Step[] {
  return findProtocol(ruleBook).rows;
}

/**
 * Return where a procedure stands (ST1-ST9).
 *
 * @param steps - a whole protocol, in order
 * @param targets - in the order of treatment
 * @param events - what stands in the record, oldest first; undone events left out by the caller
 */
export function followProtocol(
  steps: readonly Step[],
  targets: readonly PlannedTarget[],
  events: readonly StepEvent[],
): Progress {
  const looped = steps.flatMap((step, place) => (step.loop === null ? [] : [place]));
  const before = looped.length === 0 ? steps : steps.slice(0, looped[0]);
  const tail = looped.length === 0 ? [] : steps.slice((looped.at(-1) ?? 0) + 1);
  const latest: Latest = new Map(
    events.map((event, place) => [keyOf(event.step, event.round), { event, place }]),
  );
  const passed = [...latest.values()].filter(({ event }) => event.step !== CHOOSE).length;
  for (const step of before) {
    if (lastOf(latest, NO_ROUND, step.id) === null) return at(step, NO_ROUND, passed);
  }
  let [index, puncture] = [0, 1];
  while (index < targets.length) {
    const walked = walkPuncture(steps, targets, index, puncture, latest, passed);
    if (typeof walked !== 'string') return walked;
    if (walked === 'another_puncture') puncture += 1;
    else if (walked === 'next_target') [index, puncture] = [index + 1, 1];
    else break;
  }
  for (const step of tail) {
    if (lastOf(latest, NO_ROUND, step.id) === null) return at(step, NO_ROUND, passed);
  }
  return {
    step: null,
    round: NO_ROUND,
    phase: '',
    choices: [],
    gates: [],
    passed,
    isFinished: true,
  };
}

/**
 * Return the places of events that were recorded while another step stood first (ST10).
 *
 * They stay as recorded; a report shows them as such. An override is never out of turn: it is how
 * a person passes a gate.
 */
export function findOutOfTurn(
  steps: readonly Step[],
  targets: readonly PlannedTarget[],
  events: readonly StepEvent[],
): number[] {
  return events.flatMap((event, place) => {
    const now = followProtocol(steps, targets, events.slice(0, place));
    const isNext =
      now.step !== null && keyOf(now.step, now.round) === keyOf(event.step, event.round);
    return isNext || event.outcome === 'override' ? [] : [place];
  });
}

/** Where one puncture stands, or the move that leads out of it. */
function walkPuncture(
  steps: readonly Step[],
  targets: readonly PlannedTarget[],
  index: number,
  puncture: number,
  latest: Latest,
  passed: number,
): Progress | Move {
  const target = targets[index];
  if (target === undefined) return 'withdraw';
  const here: Round = { ...NO_ROUND, target: target.label, puncture };
  for (const step of steps.filter(({ loop }) => loop === 'puncture')) {
    if (lastOf(latest, here, step.id) === null) return at(step, here, passed);
  }
  const returned = lastOf(latest, here, BLOOD_RETURN);
  const hasBlood = returned?.outcome === 'done' || returned?.outcome === 'override';
  const gates = gatesOf(target, hasBlood);
  let point = here;
  let after = BLOOD_RETURN;
  let move: Move | null = hasBlood && target.coilsPlanned > 0 ? 'coil' : null;
  const placed = countPlaced(steps, target.label, latest);
  let [coil, aliquot] = [0, 0];
  for (;;) {
    move ??= lastOf(latest, point, CHOOSE, after)?.move ?? null;
    const offered = choicesOf(targets, index, { coil, placed, aliquot, hasBlood });
    const bloodStep = steps.find(({ id }) => id === BLOOD_RETURN);
    if (move === 'try_again' && after === BLOOD_RETURN && !hasBlood && bloodStep) {
      return at(bloodStep, here, passed);
    }
    if (move === null || !offered.includes(move)) {
      return {
        step: CHOOSE,
        round: point,
        phase: 'choose',
        choices: offered,
        gates,
        passed,
        isFinished: false,
      };
    }
    if (move === 'another_puncture' || move === 'next_target' || move === 'withdraw') return move;
    const isCoil = move === 'coil' || move === 'another_coil';
    if (isCoil) coil += 1;
    else aliquot += 1;
    point = isCoil ? { ...here, coil } : { ...here, aliquot };
    const inside = steps.filter(({ loop }) => loop === (isCoil ? 'coil' : 'aliquot'));
    for (const step of inside) {
      if (lastOf(latest, point, step.id) === null) return at(step, point, passed, gates);
    }
    after = inside.at(-1)?.id ?? after;
    move = null;
  }
}

/** The coils that formed in a target; a discarded one does not count (ST6). */
function countPlaced(steps: readonly Step[], label: string, latest: Latest): number {
  const forming = new Set(steps.filter(({ takes }) => takes === 'coil').map(({ id }) => id));
  return [...latest.values()].filter(
    ({ event }) =>
      forming.has(event.step) &&
      event.round.target === label &&
      (event.outcome === 'done' || event.outcome === 'override'),
  ).length;
}

/** The moves open at a point of choice, the planned one first (ST6). */
function choicesOf(
  targets: readonly PlannedTarget[],
  index: number,
  so: { coil: number; placed: number; aliquot: number; hasBlood: boolean },
): Move[] {
  const { coil, placed, aliquot, hasBlood } = so;
  const target = targets[index];
  const mayInject = target?.wantsAdhesive === true && hasBlood;
  const coilMove: Move = coil > 0 ? 'another_coil' : 'coil';
  const adhesiveMove: Move = aliquot > 0 ? 'another_aliquot' : 'adhesive';
  const isLast = index === targets.length - 1;
  const onward: Move[] = isLast ? ['withdraw'] : ['next_target', 'withdraw'];
  const injecting: Move[] = mayInject ? [adhesiveMove] : [];
  if (!hasBlood && coil === 0) return ['try_again', 'another_puncture', 'coil', ...onward];
  if (aliquot > 0) return [...onward, adhesiveMove, coilMove, 'another_puncture'];
  if (placed < (target?.coilsPlanned ?? 1)) {
    return [coilMove, ...injecting, 'another_puncture', ...onward];
  }
  return [...injecting, ...onward, coilMove, 'another_puncture'];
}

function gatesOf(target: PlannedTarget, hasBlood: boolean): OpenGate[] {
  if (hasBlood) return [];
  return target.wantsAdhesive
    ? [{ id: 'BLOOD-RETURN', level: 'hard', text: HARD_TEXT }]
    : [{ id: 'BLOOD-RETURN', level: 'soft', text: SOFT_TEXT }];
}

function at(step: Step, round: Round, passed: number, gates: OpenGate[] = []): Progress {
  return { step: step.id, round, phase: step.phase, choices: [], gates, passed, isFinished: false };
}

function keyOf(step: string, { target, puncture, coil, aliquot }: Round): string {
  return JSON.stringify([step, target, puncture, coil, aliquot]);
}

/** The latest event of a step (or of either step) in a round. */
function lastOf(latest: Latest, round: Round, ...steps: readonly string[]): StepEvent | null {
  const found = steps
    .map((step) => latest.get(keyOf(step, round)))
    .reduce((one, other) => ((other?.place ?? -1) > (one?.place ?? -1) ? other : one), undefined);
  return found?.event ?? null;
}
