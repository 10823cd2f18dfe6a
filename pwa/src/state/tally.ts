/**
 * What has been given so far, per target and in all, from the records alone. Whole numbers.
 *
 * "Adhesive (pure)" and "Mix (adhesive + oil)" are never one number (HAZ-04).
 */
import { milliText } from './number-entry';
import { idOf, numberOf, type RecordState, structureOf, textOf } from './shown';

export interface Tally {
  coils: number;
  pureUl: number;
  mixUl: number;
  flushUl: number;
  punctures: number;
  /** Adhesive recorded without its parts: its pure share is not known and not in `pureUl`. */
  mixOfUnknownPartsUl: number;
}

export interface TalliedRecords {
  punctures: readonly RecordState[];
  coils: readonly RecordState[];
  adhesives: readonly RecordState[];
  flushes: readonly RecordState[];
}

/**
 * Return what the standing records add up to.
 *
 * The pure share is summed per mixing ratio before it is rounded half up, so that many small
 * amounts lose nothing. Records entered in error count for nothing.
 *
 * @param target - record id of one target; without it all targets together
 */
export function tallyOf(records: TalliedRecords, target?: string): Tally {
  const counted = (list: readonly RecordState[]) =>
    list.filter(
      (record) =>
        !record.isEnteredInError && (target === undefined || textOf(record, 'target') === target),
    );
  let mixUl = 0;
  let mixOfUnknownPartsUl = 0;
  const byRatio = new Map<string, { mixUl: number; pure: number; whole: number }>();
  for (const record of counted(records.adhesives)) {
    const amount = structureOf(record, 'amount');
    const givenUl = wholeOf(amount?.mix_ul) ?? 0;
    const pure = wholeOf(amount?.parts_adhesive) ?? 0;
    const oil = wholeOf(amount?.parts_oil);
    mixUl += givenUl;
    if (pure === 0 || oil === null) {
      mixOfUnknownPartsUl += givenUl;
      continue;
    }
    const ratio = `${pure}:${oil}`;
    const sum = byRatio.get(ratio) ?? { mixUl: 0, pure, whole: pure + oil };
    sum.mixUl += givenUl;
    byRatio.set(ratio, sum);
  }
  let pureUl = 0;
  for (const { mixUl: sumUl, pure, whole } of byRatio.values()) {
    pureUl += pureShareUl(sumUl, pure, whole);
  }
  return {
    coils: counted(records.coils).length,
    pureUl,
    mixUl,
    flushUl: counted(records.flushes)
      .map((record) => wholeOf(structureOf(record, 'amount')?.flush_ul) ?? 0)
      .reduce((sum, one) => sum + one, 0),
    punctures: counted(records.punctures).length,
    mixOfUnknownPartsUl,
  };
}

/**
 * Return the pure adhesive in mL without its unit: "?" where all parts are unknown, "≥ 0.5" where
 * some are. A plain 0 would say that none was given.
 */
export function pureText({ pureUl, mixOfUnknownPartsUl: unknownUl }: Tally): string {
  if (unknownUl === 0) return milliText(pureUl);
  return pureUl === 0 ? '?' : `≥ ${milliText(pureUl)}`;
}

/** Return the pure adhesive in an amount of mix: mix * parts / whole, half up. */
export function pureShareUl(mixUl: number, partsAdhesive: number, partsWhole: number): number {
  return Math.floor((2 * mixUl * partsAdhesive + partsWhole) / (2 * partsWhole));
}

/** Return the puncture of a target that a round names, null when it was not recorded. */
export function findPuncture(
  punctures: readonly RecordState[],
  target: string,
  number: number,
): RecordState | null {
  return (
    punctures.find(
      (record) =>
        !record.isEnteredInError &&
        textOf(record, 'target') === target &&
        numberOf(record, 'number') === number,
    ) ?? null
  );
}

/** Return microlitres as people read them: `1 mL`, `0.5 mL`; never rounded. */
export function mlText(amountUl: number): string {
  const rest = String(amountUl % 1_000)
    .padStart(3, '0')
    .replace(/0+$/, '');
  return `${Math.floor(amountUl / 1_000)}${rest === '' ? '' : `.${rest}`} mL`;
}

/** Return micrometres as millimetres: `14 mm`, `0.89 mm`; never rounded. */
export function mmText(lengthUm: number): string {
  return mlText(lengthUm).replace('mL', 'mm');
}

/** Return the act a record belongs to: every record of one act shares the id part. */
export function actOf(record: RecordState): string {
  return idOf(record.record);
}

function wholeOf(part: unknown): number | null {
  return typeof part === 'number' && Number.isInteger(part) ? part : null;
}
