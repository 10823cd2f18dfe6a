/**
 * What the plan of a case says for the steps of its procedure; nothing where it says nothing.
 *
 * Reads the plan as it was saved. A number that is not in the plan is never made up here (HAZ-09).
 */
import type { PlannedTarget } from '../clinical-rules/step-protocol';
import { firstStamp } from './case-record.svelte';
import { type Json, numberOf, type RecordState, shown, structureOf, textOf } from './shown';
import { inStockOrder } from './stock-order';

type MaybeState = RecordState | null | undefined;
type Parts = { readonly [part: string]: Json };

export interface TargetPlan {
  label: string;
  /** Record id; the one that the first puncture makes where nobody planned a target. */
  record: string;
  isRecorded: boolean;
  measuredDistanceUm: number | null;
  needleStopUm: number | null;
  /** Stock record ids, first to last. */
  picks: string[];
  coilsFrom: number | null;
}

export interface AdhesivePlan {
  /** Null while nobody has chosen; `none` for coils alone. */
  agent: string | null;
  partsAdhesive: number | null;
  partsOil: number | null;
  aliquotUl: number | null;
  aliquotMs: number | null;
  flushUl: number | null;
  flushMedia: string[];
}

/** Label of the target that stands in where a case begins without one. */
export const UNPLANNED_LABEL = 'Varix A';

const structure = (part: unknown): Parts | null =>
  typeof part === 'object' && part !== null && !Array.isArray(part) ? (part as Parts) : null;
const list = (part: unknown): readonly Json[] =>
  Array.isArray(part) ? (part as readonly Json[]) : [];
const whole = (part: unknown): number | null =>
  typeof part === 'number' && Number.isInteger(part) ? part : null;

/** Return the targets in the order of treatment, with what the plan says of each. */
export function targetPlans(itself: MaybeState, targets: readonly RecordState[]): TargetPlan[] {
  const plan = structureOf(itself, 'plan');
  const answered = list(structure(plan?.answer)?.targets).map(structure);
  const asked = list(structure(plan?.request)?.targets).map(structure);
  const order = (target: RecordState) => numberOf(target, 'order') ?? Number.MAX_SAFE_INTEGER;
  const standing = targets
    .filter((target) => !target.isEnteredInError)
    .sort((a, b) => order(a) - order(b) || (firstStamp(a) < firstStamp(b) ? -1 : 1));
  if (standing.length === 0) {
    return [{ ...nothingPlanned(UNPLANNED_LABEL), record: unplannedTarget(itself) }];
  }
  return standing.map((target) => {
    const label = textOf(target, 'label') || UNPLANNED_LABEL;
    const answer = answered.find((one) => one?.label === label);
    const request = asked.find((one) => one?.label === label);
    const coils = structure(answer?.coils);
    return {
      label,
      record: target.record,
      isRecorded: true,
      measuredDistanceUm: whole(request?.measured_distance_um),
      needleStopUm: whole(answer?.needle_stop_um),
      picks: list(coils?.picks).filter((pick): pick is string => typeof pick === 'string'),
      coilsFrom: whole(coils?.from),
    };
  });
}

/** What the plan of a case adds up to, for the line beside what was given; null where it says nothing. */
export interface PlannedTotals {
  coilsFrom: number | null;
  coilsTo: number | null;
  pureUl: number | null;
  mixUl: number | null;
  /** After each aliquot. */
  flushUl: number | null;
}

/** Return the totals of the saved plan, whether or not it is still in use. */
export function plannedTotals(itself: MaybeState): PlannedTotals {
  const answer = structure(structureOf(itself, 'plan')?.answer);
  const adhesive = structure(answer?.adhesive);
  const coils = list(answer?.targets).map((target) => structure(structure(target)?.coils));
  const sum = (part: 'from' | 'to') => {
    const counts = coils.map((one) => whole(one?.[part]));
    return counts.length === 0 || counts.includes(null)
      ? null
      : counts.reduce((total: number, one) => total + (one ?? 0), 0);
  };
  return {
    coilsFrom: sum('from'),
    coilsTo: sum('to'),
    pureUl: whole(adhesive?.pure_ul),
    mixUl: whole(adhesive?.mix_ul),
    flushUl: whole(adhesive?.flush_ul),
  };
}

/** Return the adhesive part of the plan, else what was chosen for the case. */
export function adhesivePlan(itself: MaybeState): AdhesivePlan {
  const chosen = structureOf(itself, 'adhesive');
  const answer = structure(structure(structureOf(itself, 'plan')?.answer)?.adhesive);
  return {
    agent: typeof chosen?.agent === 'string' ? chosen.agent : null,
    partsAdhesive: whole(chosen?.parts_adhesive),
    partsOil: whole(chosen?.parts_oil),
    aliquotUl: whole(answer?.aliquot_ul),
    aliquotMs: whole(answer?.aliquot_ms),
    flushUl: whole(answer?.flush_ul),
    flushMedia: list(answer?.flush_media).filter((one): one is string => typeof one === 'string'),
  };
}

/**
 * Return the targets as the step protocol takes them.
 *
 * While nobody has said "coils alone", adhesive counts as wanted: the stricter gate holds.
 */
export function plannedTargets(
  targets: readonly TargetPlan[],
  adhesive: AdhesivePlan,
): PlannedTarget[] {
  return targets.map(({ label, coilsFrom }) => ({
    label,
    wantsAdhesive: adhesive.agent !== 'none',
    // The lower end of the range: more only where Doppler says so.
    coilsPlanned: coilsFrom ?? 1,
  }));
}

/** Return the needle stop that the plan holds for this distance; null where it was another one. */
export function plannedStopUm(target: TargetPlan, distanceUm: number | null): number | null {
  return distanceUm !== null && distanceUm === target.measuredDistanceUm
    ? target.needleStopUm
    : null;
}

/** Return name and version of the rule files behind the plan, for the line under a number. */
export function planBasis(itself: MaybeState): string {
  const plan = structureOf(itself, 'plan');
  const files = list(structure(plan?.answer)?.rule_files).map(structure);
  return files
    .map((file) => `${file?.name} v${file?.version}`)
    .filter((name) => !name.includes('undefined'))
    .join(', ');
}

/** Say whether a target's size was estimated (CAU-04). */
export function isEstimated(target: MaybeState): boolean {
  return structureOf(target, 'size')?.origin === 'estimated';
}

function nothingPlanned(label: string): Omit<TargetPlan, 'record'> {
  return {
    label,
    isRecorded: false,
    measuredDistanceUm: null,
    needleStopUm: null,
    picks: [],
    coilsFrom: null,
  };
}

/** Derived from the case, so that two tablets that begin without a target mean the same one. */
function unplannedTarget(itself: MaybeState): string {
  return `target/${(itself?.record ?? 'case/').slice('case/'.length)}-a`;
}

/** A kind of coil, needle or adhesive in stock, with its lots. */
export interface StockChoice {
  record: string;
  item: string;
  name: string;
  coil: { stock_id: string; loop_um: number; wire_um: number; length_um: number } | null;
  /** Of an adhesive, else "". */
  agent: string;
  lots: Lot[];
}

export interface Lot {
  /** "" where the label tells a serial number alone. */
  lot: string;
  identifier: string;
  expiresOn: string;
  serial?: string;
  /** The codes as they were scanned. */
  rawLabel?: string;
  /** A person has said that the lot cannot be read, of a label that tells something else. */
  isUnknown?: boolean;
  /** A person has said that the serial number cannot be read; it is not recorded. */
  isSerialUnread?: boolean;
}

/** Return what the unit keeps of one item: coils by loop and length, else by name. */
export function stockOf(items: readonly RecordState[], item: string): StockChoice[] {
  return inStockOrder(items)
    .filter((record) => !record.isEnteredInError && shown(record, 'item') === item)
    .map((record) => {
      const coil = structureOf(record, 'coil');
      const [loop, wire, length] = [
        whole(coil?.loop_um),
        whole(coil?.wire_um),
        whole(coil?.length_um),
      ];
      return {
        record: record.record,
        item,
        name: textOf(record, 'name'),
        coil:
          loop === null
            ? null
            : {
                stock_id: record.record,
                loop_um: loop,
                wire_um: wire ?? 0,
                length_um: length ?? 0,
              },
        agent: String(structureOf(record, 'adhesive')?.agent ?? ''),
        lots: list(shown(record, 'lots')).flatMap(lotOf),
      };
    });
}

function lotOf(part: Json): Lot[] {
  if (typeof part === 'string') return [{ lot: part, identifier: '', expiresOn: '' }];
  const parts = structure(part);
  if (typeof parts?.lot !== 'string') return [];
  const { lot, identifier, expires_on } = parts;
  return [
    {
      lot,
      identifier: typeof identifier === 'string' ? identifier : '',
      expiresOn: typeof expires_on === 'string' ? expires_on : '',
    },
  ];
}

/** Return a device as the record holds it as a lot to press; null for "lot unknown" alone. */
export function lotOfDevice(device: Readonly<Record<string, Json>>): Lot | null {
  const part = (name: string) => {
    const held = device[name];
    return typeof held === 'string' ? held : '';
  };
  const lot = {
    lot: part('lot'),
    identifier: part('identifier'),
    expiresOn: part('expires_on'),
    serial: part('serial'),
    rawLabel: part('raw_label'),
    isUnknown: device.lot_unknown === true,
  };
  const tells = lot.lot || lot.identifier || lot.serial || lot.expiresOn || lot.rawLabel;
  return tells ? lot : null;
}

/** Return a lot as the record holds it; `null` stands for "lot unknown" said by a person. */
export function deviceOf(lot: Lot | null): Record<string, Json> {
  if (lot === null) return { lot_unknown: true };
  return {
    ...(lot.lot ? { lot: lot.lot } : {}),
    ...(lot.isUnknown ? { lot_unknown: true } : {}),
    ...(lot.identifier ? { identifier: lot.identifier } : {}),
    ...(lot.serial ? { serial: lot.serial } : {}),
    ...(lot.expiresOn ? { expires_on: lot.expiresOn } : {}),
    ...(lot.rawLabel ? { raw_label: lot.rawLabel } : {}),
  };
}
