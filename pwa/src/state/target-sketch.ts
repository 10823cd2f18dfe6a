/**
 * The numbers a target is drawn from: what was entered, what is planned, what was done. Pure.
 *
 * Nothing is filled in: a number that nobody entered, or of which two wait, is null (DR2).
 */
import { countOf, partOf, rowsOf, textsOf, wordsOf } from './calculation';
import { type CaseKind, firstStamp } from './case-record.svelte';
import { inOrder } from './plan';
import { followPlugs, type Plug, type Push } from './plug-flow';
import { actOf } from './procedure-drafts';
import { answerOf, FEEDER_STEP, readRound } from './procedure-events';
import { isInConflict, type RecordState, structureOf, textOf, valuesOf } from './shown';
import { tallyOf } from './tally';

export type Origin = '' | 'measured' | 'measured-on-image' | 'estimated' | 'earlier-record';
/** How the feeder was looked for; "" where nobody said. */
export type FeederSeen = '' | 'seen' | 'not-seen' | 'not-looked-for';
export type Route = '' | 'transoesophageal' | 'transgastric';
/** Which part of the case is drawn: what is planned, what was done, or both. */
export type Part = 'planned' | 'now' | 'done';

const DISPUTABLE = ['size', 'distance', 'access', 'feeder'] as const;

/** Lengths in micrometres, amounts in microlitres; null where nothing is entered. */
export interface TargetSketch {
  label: string;
  origin: Origin;
  /** Fields with two answers waiting: none of their numbers is drawn (HARD-06). */
  disputed: (typeof DISPUTABLE)[number][];
  shortUm: number | null;
  longUm: number | null;
  thirdUm: number | null;
  /** From the needle tip before the puncture to the middle of the varix, and to its walls. */
  middleUm: number | null;
  nearUm: number | null;
  farUm: number | null;
  route: Route;
  /** Thickness of the muscle that the needle crosses on its way to the near wall. */
  crusUm: number | null;
  feederSeen: FeederSeen;
  /** Diameter. */
  feederUm: number | null;
  plannedStopUm: number | null;
  stopUm: number | null;
  plannedLoopsUm: number[];
  /** Null: a coil whose loop nobody entered; it counts. */
  placedLoopsUm: (number | null)[];
  discardedLoopsUm: (number | null)[];
  mixInjectedUl: number;
  /** Mix past the needle tip; null where the dead space is not known. */
  mixOutUl: number | null;
  /** What the needle holds, from the hub to the tip; null where that is not known. */
  needle: Plug[] | null;
}

/** A plan whose numbers may be shown now: it answers the question of now (HAZ-02). */
export interface ShownPlan {
  request: unknown;
  answer: unknown;
}

export interface SketchSources {
  all: (kind: CaseKind) => readonly RecordState[];
  plan: ShownPlan | null;
  /** Loop of a stocked coil, null where the unit's list does not hold it. */
  loopOf: (stockId: string) => number | null;
}

/** Return one sketch for each target that stands, in the order of treatment. */
export function sketchesOf(from: SketchSources): TargetSketch[] {
  const standing = (kind: CaseKind) => from.all(kind).filter((record) => !record.isEnteredInError);
  const flow = flowOf(standing, countOf(partOf(from.plan?.answer, 'needle'), 'dead_space_ul'));
  const targets = inOrder(from.all('target'));
  // The step asks once before the first puncture: with more targets it names none of them (DR17).
  const feederSteps = targets.length === 1 ? standing('step_event') : [];
  return targets.map((target) => {
    const label = textOf(target, 'label');
    const size = structureOf(target, 'size');
    const distance = structureOf(target, 'distance');
    const access = structureOf(target, 'access');
    const steps = eventsOf(standing('step_event'), label);
    const planned = plannedFor(from, label);
    return {
      label,
      origin: wordsOf(size, 'origin') as Origin,
      disputed: DISPUTABLE.filter((field) => isInConflict(target, field)),
      shortUm: countOf(size, 'short_axis_um'),
      longUm: countOf(size, 'long_axis_um'),
      thirdUm: countOf(size, 'third_axis_um'),
      middleUm: lastAnswer(steps, 'distance') ?? countOf(distance, 'measured_um'),
      nearUm: countOf(distance, 'near_wall_um'),
      farUm: countOf(distance, 'far_wall_um'),
      route: wordsOf(access, 'route') as Route,
      crusUm: countOf(access, 'crus_um'),
      ...(isInConflict(target, 'feeder')
        ? { feederSeen: '' as const, feederUm: null }
        : feederSaid(target, feederSteps)),
      ...planned,
      stopUm: lastAnswer(steps, 'stop_set'),
      placedLoopsUm: standing('coil_placed')
        .filter((coil) => textOf(coil, 'target') === target.record)
        .map((coil) => countOf(structureOf(coil, 'coil'), 'loop_um')),
      discardedLoopsUm: discardedBy(steps, standing('package_opened')).map((stock) =>
        from.loopOf(stock),
      ),
      mixInjectedUl: tallyOf(
        { punctures: [], coils: [], adhesives: from.all('adhesive_injected'), flushes: [] },
        target.record,
      ).mixUl,
      mixOutUl: flow === null ? null : (flow.mixOutUl.get(target.record) ?? 0),
      needle: flow?.lastTarget === target.record ? flow.needle : null,
    };
  });
}

/**
 * Return what was said last of the feeder, at the target or at the step of the bedside (DR17).
 *
 * @param stepEvents - what stands, of a case with this target alone; a diameter says "seen"
 */
export function feederSaid(
  target: RecordState,
  stepEvents: readonly RecordState[],
): { feederSeen: FeederSeen; feederUm: number | null } {
  const feeder = structureOf(target, 'feeder');
  const enteredUm = countOf(feeder, 'feeder_um');
  const entered = (wordsOf(feeder, 'seen') || ((enteredUm ?? 0) > 0 ? 'seen' : '')) as FeederSeen;
  const at = entered === '' ? '' : (valuesOf(target, 'feeder').at(-1)?.stamp ?? '');
  // "Not so" says that it was not followed to its root, and nothing of whether it was seen.
  const atSteps = stepEvents
    .filter((event) => textOf(event, 'step') === FEEDER_STEP && textOf(event, 'outcome') === 'done')
    .map((event) => {
      const seen: FeederSeen = 'seen';
      return { at: firstStamp(event), seen, um: answerOf(event, 'length_um') };
    });
  const said = [{ at, seen: entered, um: enteredUm }, ...atSteps].sort((one, other) =>
    one.at < other.at ? -1 : 1,
  );
  return {
    feederSeen: said.at(-1)?.seen ?? '',
    feederUm: said.findLast(({ um }) => um !== null)?.um ?? null,
  };
}

/** Return the loop of each coil that the unit keeps or kept, by its stock record. */
export function loopsOf(stock: readonly RecordState[]): SketchSources['loopOf'] {
  const loops = new Map(
    stock.map((item) => [item.record, countOf(structureOf(item, 'coil'), 'loop_um')]),
  );
  return (stockId) => loops.get(stockId) ?? null;
}

/**
 * Return the part of a sketch to draw.
 *
 * `now` shows what was done, and of the plan what is not done yet: coils that are still to come,
 * and a stop that was recorded otherwise or not yet (DR11).
 */
export function partOfSketch(sketch: TargetSketch, part: Part): TargetSketch {
  const { plannedLoopsUm, placedLoopsUm, plannedStopUm, stopUm } = sketch;
  if (part === 'planned') {
    const undone = { stopUm: null, placedLoopsUm: [], discardedLoopsUm: [], mixInjectedUl: 0 };
    return { ...sketch, ...undone, mixOutUl: null, needle: null };
  }
  if (part === 'done') return { ...sketch, plannedLoopsUm: [], plannedStopUm: null, needle: null };
  return {
    ...sketch,
    plannedLoopsUm: plannedLoopsUm.slice(placedLoopsUm.length),
    plannedStopUm: plannedStopUm === stopUm ? null : plannedStopUm,
  };
}

function plannedFor(from: SketchSources, label: string) {
  const answer = rowsOf(from.plan?.answer, 'targets').find(
    (row) => wordsOf(row, 'label') === label,
  );
  const coils = rowsOf(from.plan?.request, 'coils_in_stock');
  return {
    plannedStopUm: countOf(answer, 'needle_stop_um'),
    plannedLoopsUm: textsOf(partOf(answer, 'coils'), 'picks').flatMap((pick) => {
      const loop = countOf(
        coils.find((coil) => wordsOf(coil, 'id') === pick),
        'loop_um',
      );
      return loop === null ? [] : [loop];
    }),
  };
}

function eventsOf(events: readonly RecordState[], label: string): RecordState[] {
  return events.filter((event) => readRound(structureOf(event, 'round')).target === label);
}

/** The length entered at a step, of the latest puncture at which one was. */
function lastAnswer(events: readonly RecordState[], step: string): number | null {
  const puncture = (event: RecordState) => readRound(structureOf(event, 'round')).puncture ?? 0;
  return events
    .filter((event) => textOf(event, 'step') === step)
    .flatMap((event) => {
      const lengthUm = answerOf(event, 'length_um');
      return lengthUm === null ? [] : [{ puncture: puncture(event), lengthUm }];
    })
    .reduce<{ puncture: number; lengthUm: number | null }>(
      (last, one) => (one.puncture >= last.puncture ? one : last),
      { puncture: 0, lengthUm: null },
    ).lengthUm;
}

/** Stock ids of coils discarded here: a package belongs to the target at which it was opened. */
function discardedBy(steps: readonly RecordState[], packages: readonly RecordState[]): string[] {
  const acts = new Set(steps.map(({ record }) => actOf(record)));
  return packages
    .filter((opened) => textOf(opened, 'item') === 'coil' && textOf(opened, 'fate') === 'discarded')
    .filter((opened) => acts.has(actOf(opened.record)))
    .map((opened) => textOf(opened, 'stock_id'));
}

/**
 * Follow every push of the case through its one needle; null where that cannot be told: no dead
 * space, or more than one needle in the record, of which only one's dead space is known (DR8).
 */
function flowOf(standing: (kind: CaseKind) => RecordState[], deadSpaceUl: number | null) {
  const needles = standing('package_opened').filter(
    (opened) => textOf(opened, 'item') === 'needle' && textOf(opened, 'fate') !== 'discarded',
  );
  if (deadSpaceUl === null || needles.length > 1) return null;
  // Between two punctures the tip lies in no varix: such a flush names no puncture.
  const placeOf = (record: RecordState) =>
    textOf(record, 'puncture') === '' ? null : textOf(record, 'target') || null;
  const pushes = [...standing('adhesive_injected'), ...standing('flush')]
    .sort((one, other) => (firstStamp(one) < firstStamp(other) ? -1 : 1))
    .map((record): Push => {
      const amount = structureOf(record, 'amount');
      const isMix = record.record.startsWith('adhesive_injected/');
      return {
        liquid: isMix ? 'mix' : 'flush',
        amountUl: Math.max(0, countOf(amount, isMix ? 'mix_ul' : 'flush_ul') ?? 0),
        target: placeOf(record),
      };
    });
  const last = pushes.findLast(({ liquid }) => liquid === 'mix');
  return { ...followPlugs(deadSpaceUl, pushes), lastTarget: last?.target ?? null };
}
