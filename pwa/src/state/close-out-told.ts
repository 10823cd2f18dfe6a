/** What Close-out counts in the very meaning of the report: of its steps, and lots not known. */
import type { Step } from '../clinical-rules/step-protocol';
import type { CaseRecord } from './case-record.svelte';
import { countLots, LOT_KINDS, type LotKind } from './papers/case-lots';
import { findLeftOut, findNotSo } from './papers/case-steps';
import { showRecord } from './papers/read-case';

type Standing = Pick<CaseRecord, 'standing'>;

/** Return how many steps were left out, and how many of these were recorded after all. */
export function countLeftOut(record: Standing): { count: number; later: number } {
  const found = findLeftOut({ records: record.standing('step_event').map(showRecord) });
  return { count: found.length, later: found.filter(({ later }) => later !== null).length };
}

/** Return how many checks of the protocol were answered "not so". */
export function countNotSo(record: Standing, steps: readonly Step[]): number {
  const records = record.standing('step_event').map(showRecord);
  return findNotSo({ records }, new Map(steps.map((step) => [step.id, step]))).length;
}

/** Return the implants of which no lot is known, by kind; none where every lot is known. */
export function lotsNotKnown(
  record: Standing,
): { kind: LotKind; why: 'unknown' | 'missing'; count: number }[] {
  const kinds = ['package_opened', ...LOT_KINDS] as const;
  const records = kinds.flatMap((kind) => record.standing(kind).map(showRecord));
  return LOT_KINDS.flatMap((kind) => {
    const { unknown, missing } = countLots({ records }, kind);
    return [
      { kind, why: 'unknown' as const, count: unknown },
      { kind, why: 'missing' as const, count: missing },
    ].filter(({ count }) => count > 0);
  });
}
