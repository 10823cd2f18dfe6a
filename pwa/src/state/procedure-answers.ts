/**
 * From the answer on screen to the operations of the act: what each kind of step records. Pure.
 */
import type { Round, Step, StepOutcome } from '../clinical-rules/step-protocol';
import type { Draft } from '../ports';
import { labelAtHand, takeLaidOut } from './laid-out';
import {
  type ActMark,
  deviceDraft,
  fateDraft,
  type GivenOverride,
  madeDraft,
  type PassedStep,
  stepDraft,
} from './procedure-drafts';
import { FEEDER_STEP } from './procedure-events';
import { ALIQUOT_STEP, answersOfParts, type SaidParts } from './procedure-parts';
import {
  type AdhesivePlan,
  deviceOf,
  type Lot,
  type StockChoice,
  type TargetPlan,
} from './procedure-plan';
import { type Json, type RecordState, structureOf } from './shown';
import { findPuncture } from './tally';
import type { TimerReading } from './timer';

/** What a person has pressed on the current step; nothing is filled in beforehand (HAZ-09). */
export interface StepAnswers {
  /** Microlitres or micrometres. */
  amount: number | null;
  medium: string | null;
  stock: StockChoice | null;
  /** Null: "lot unknown" said by a person; undefined: not entered. */
  lot: Lot | null | undefined;
  /** In which parts adhesive and oil are mixed; null while nobody has said. */
  parts: SaidParts | null;
  /** Chip of why a step was skipped or not seen, or "". */
  reason: string;
  override: GivenOverride | null;
  /** Staff record of the one who answers for the override, "" for the one who taps. */
  by: string;
  /** Cause of a gate that stood and was not passed when this was recorded, or "" (GATE-00). */
  gateStood: string;
  /** Why the package at hand is used all the same, by the cause of each remark that asks (GT18). */
  why: Readonly<Record<string, string>>;
}

export const NO_ANSWERS: StepAnswers = {
  amount: null,
  medium: null,
  stock: null,
  lot: undefined,
  parts: null,
  reason: '',
  override: null,
  by: '',
  gateStood: '',
  why: {},
};

/** Where the step stands in the case. */
export interface StepSurroundings {
  step: Step;
  round: Round;
  target: TargetPlan | null;
  punctures: readonly RecordState[];
  coilsInTarget: number;
  /** The package opened for this coil, null when none was recorded. */
  opened: RecordState | null;
  /** Packages laid out for the case that no act has taken yet. */
  laidOut: readonly RecordState[];
  adhesive: AdhesivePlan;
  /** Device of the adhesive package in use, as recorded; null when none was. */
  adhesiveDevice: Json | null;
  stopUm: number | null;
  timer: (TimerReading & { earlierMs: number }) | null;
}

type Parts = Record<string, Json>;

/** Return the operations of one step passed, with what physically happened, in one save. */
export function actDrafts(
  mark: ActMark,
  here: StepSurroundings,
  outcome: StepOutcome,
  answers: StepAnswers,
): Draft[] {
  const said: Parts = {};
  if (answers.reason !== '') said.reason = answers.reason;
  if (answers.gateStood !== '') said.gate_stood = answers.gateStood;
  const why = Object.entries(answers.why).map(([cause, reason]) => ({ cause, reason }));
  if (why.length > 0) said.used_because = why;
  // Also of a step skipped: what is in the ampoule was said, whatever became of the question.
  if (here.step.id === ALIQUOT_STEP && outcome !== 'not-seen' && answers.parts !== null) {
    Object.assign(said, answersOfParts(answers.parts));
  }
  const happened = outcome === 'skipped' ? [] : happenedDrafts(mark, here, outcome, answers, said);
  const passed: PassedStep = {
    step: here.step.id,
    round: here.round,
    outcome,
    answers: said,
    ...(answers.override ? { override: answers.override } : {}),
  };
  const unplanned =
    here.target && !here.target.isRecorded && here.round.target !== null
      ? [unplannedDraft(mark, here.target)]
      : [];
  return [...unplanned, stepDraft(mark, passed), ...happened];
}

/** Adds to `said` what the step itself keeps of the answer. */
function happenedDrafts(
  mark: ActMark,
  here: StepSurroundings,
  outcome: StepOutcome,
  answers: StepAnswers,
  said: Parts,
): Draft[] {
  switch (here.step.takes) {
    case 'yes_no':
      return here.step.id === 'tip_seen' ? punctureDrafts(mark, here) : [];
    case 'amount_ul':
      if (answers.amount !== null) said.amount_ul = answers.amount;
      return [];
    case 'length_um':
      if (answers.amount !== null) said.length_um = answers.amount;
      return [];
    case 'flush':
      return flushDrafts(mark, here, answers, said);
    case 'package':
      return outcome === 'done' ? packageDrafts(mark, here, answers, said, 'coil', 'open') : [];
    case 'coil':
      return coilDrafts(mark, here, outcome, answers, said);
    case 'adhesive':
      return outcome === 'not-seen' ? [] : adhesiveDrafts(mark, here, answers, said);
    default:
      if (here.step.id === FEEDER_STEP && outcome === 'done' && answers.amount !== null) {
        said.length_um = answers.amount;
      }
      // "Not done" opens no ampoule, whatever was pressed before.
      return here.step.id === ALIQUOT_STEP && outcome !== 'not-seen'
        ? packageDrafts(mark, here, answers, said, 'adhesive', 'used')
        : [];
  }
}

/** The record of this puncture, unless one stands: every coil names the puncture it went through. */
function punctureDrafts(mark: ActMark, here: StepSurroundings): Draft[] {
  const { target, round, punctures, stopUm } = here;
  if (target === null) return [];
  const number = round.puncture ?? 1;
  if (findPuncture(punctures, target.record, number)) return [];
  const set = { target: target.record, number, ...(stopUm === null ? {} : { stop_um: stopUm }) };
  return [madeDraft(mark, 'puncture', set)];
}

function punctureRecord(mark: ActMark, here: StepSurroundings): string {
  const { target, round, punctures } = here;
  const standing = target && findPuncture(punctures, target.record, round.puncture ?? 1);
  return standing?.record ?? `puncture/${mark.actId}`;
}

/** The package of the chosen item: one that was laid out, else one that is opened now. */
function packageDrafts(
  mark: ActMark,
  here: StepSurroundings,
  answers: StepAnswers,
  said: Parts,
  item: string,
  fate: string,
): Draft[] {
  const { stock, lot } = answers;
  if (stock === null) return [];
  said.stock_id = stock.record;
  if (stock.coil) said.loop_um = stock.coil.loop_um;
  const laidOut = laidOutAtHand(here, answers);
  if (laidOut !== null) {
    said.package = laidOut.record;
    return [
      ...(fate === 'open' ? [] : [fateDraft(mark, laidOut, fate)]),
      ...labelDrafts(mark, laidOut, lot),
    ];
  }
  const device = lot === undefined ? {} : { device: deviceOf(lot) };
  return [madeDraft(mark, 'package_opened', { item, stock_id: stock.record, ...device, fate })];
}

function laidOutAtHand(here: StepSurroundings, { stock, lot }: StepAnswers): RecordState | null {
  return stock === null ? null : takeLaidOut(here.laidOut, stock.record, lot);
}

/** What was said of a package's label; nothing where the package says as much already. */
function labelDrafts(mark: ActMark, taken: RecordState, lot: Lot | null | undefined): Draft[] {
  const label = labelAtHand(taken, lot);
  const isNew =
    lot !== undefined && label !== null && !isEqual(label, structureOf(taken, 'device'));
  return isNew ? [deviceDraft(mark, taken, label)] : [];
}

function isEqual(label: Parts, kept: Readonly<Parts> | null): boolean {
  const names = Object.keys(label);
  return (
    kept !== null &&
    names.length === Object.keys(kept).length &&
    names.every((name) => label[name] === kept[name])
  );
}

function coilDrafts(
  mark: ActMark,
  here: StepSurroundings,
  outcome: StepOutcome,
  answers: StepAnswers,
  said: Parts,
): Draft[] {
  const { target } = here;
  const opened = here.opened ?? laidOutAtHand(here, answers);
  const stock = answers.stock;
  if (stock?.coil) said.loop_um = stock.coil.loop_um;
  if (opened) said.package = opened.record;
  if (outcome === 'not-seen') {
    if (opened) return [fateDraft(mark, opened, 'discarded')];
    return packageDrafts(mark, here, answers, said, 'coil', 'discarded');
  }
  const slot = here.coilsInTarget + 1;
  said.slot = slot;
  const device = labelAtHand(opened, answers.lot);
  const ofPackage = opened
    ? [fateDraft(mark, opened, 'placed'), ...labelDrafts(mark, opened, answers.lot)]
    : packageDrafts(mark, here, answers, said, 'coil', 'placed');
  const packageRecord = opened?.record ?? (stock ? `package_opened/${mark.actId}` : null);
  return [
    ...punctureDrafts(mark, here),
    ...ofPackage,
    madeDraft(mark, 'coil_placed', {
      ...(target ? { target: target.record } : {}),
      puncture: punctureRecord(mark, here),
      ...(packageRecord ? { package: packageRecord } : {}),
      slot,
      ...(stock?.coil ? { coil: { ...stock.coil } } : {}),
      ...(device ? { device } : {}),
    }),
  ];
}

function adhesiveDrafts(
  mark: ActMark,
  here: StepSurroundings,
  { amount }: StepAnswers,
  said: Parts,
): Draft[] {
  const { target, adhesive, timer } = here;
  if (amount === null) return [];
  said.mix_ul = amount;
  Object.assign(said, timeAnswers(timer));
  return [
    ...punctureDrafts(mark, here),
    madeDraft(mark, 'adhesive_injected', {
      ...(target ? { target: target.record } : {}),
      puncture: punctureRecord(mark, here),
      amount: {
        ...(adhesive.agent ? { agent: adhesive.agent } : {}),
        ...(adhesive.partsAdhesive === null ? {} : { parts_adhesive: adhesive.partsAdhesive }),
        ...(adhesive.partsOil === null ? {} : { parts_oil: adhesive.partsOil }),
        mix_ul: amount,
      },
      ...(here.adhesiveDevice ? { device: here.adhesiveDevice } : {}),
      ...(timer ? { elapsed_ms: timer.elapsedMs } : {}),
    }),
  ];
}

function flushDrafts(
  mark: ActMark,
  here: StepSurroundings,
  answers: StepAnswers,
  said: Parts,
): Draft[] {
  const { target, round, timer } = here;
  const { amount, medium } = answers;
  // A needle lot pressed at the first flush belongs to the needle that is being made ready.
  const needle =
    answers.stock?.item === 'needle'
      ? packageDrafts(mark, here, answers, said, 'needle', 'used')
      : [];
  if (amount === null) return needle;
  said.flush_ul = amount;
  if (medium !== null) said.medium = medium;
  Object.assign(said, timeAnswers(timer));
  const standing = target && findPuncture(here.punctures, target.record, round.puncture ?? 1);
  return [
    ...needle,
    madeDraft(mark, 'flush', {
      ...(target ? { target: target.record } : {}),
      ...(standing ? { puncture: standing.record } : {}),
      amount: { ...(medium === null ? {} : { medium }), flush_ul: amount },
      ...(timer ? { elapsed_ms: timer.elapsedMs } : {}),
    }),
  ];
}

/** Both clocks are kept where they disagree, and the start that was pressed (HAZ-17, HAZ-21). */
function timeAnswers(timer: StepSurroundings['timer']): Parts {
  if (timer === null) return {};
  return {
    elapsed_ms: timer.elapsedMs,
    ...(timer.earlierMs > 0 ? { start_moved_back_ms: timer.earlierMs } : {}),
    ...(timer.isUncertain
      ? {
          time_uncertain: true,
          wall_elapsed_ms: timer.wallElapsedMs,
          monotonic_elapsed_ms: timer.monotonicElapsedMs,
        }
      : {}),
  };
}

function unplannedDraft(mark: ActMark, target: TargetPlan): Draft {
  return {
    draftId: target.record.replace('/', '-'),
    record: target.record,
    set: { case: mark.caseRecord, label: target.label, order: 1 },
  };
}
