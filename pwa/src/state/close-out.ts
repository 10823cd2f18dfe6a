/**
 * What has to agree before a case is closed, and what a signature stands under. Pure.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import type { Facts } from '../clinical-rules/gate-facts';
import { COUNTED_ITEMS, type CountedItem, countPackages } from '../clinical-rules/package-counts';
import type { CaseKind } from './case-record.svelte';
import { CLOSE_OUT_STEP } from './procedure-events';
import { type Json, type RecordState, structureOf, textOf } from './shown';

const LAST_DOPPLER = 'final_doppler';

export { COUNTED_ITEMS, type CountedItem } from '../clinical-rules/package-counts';

export interface ItemCount {
  item: CountedItem;
  opened: number;
  placed: number;
  discarded: number;
  used: number;
  /** Back on the shelf unopened. */
  returned: number;
  /** Packages of which nobody has said what became of them. */
  open: RecordState[];
  /** Coils recorded without a package: opened somewhere, but not recorded as such. */
  withoutPackage: number;
  /** Packages that more than one coil names. */
  shared: number;
  /** Opened less all that became of them. */
  difference: number;
  agrees: boolean;
}

const FATES: readonly string[] = ['open', 'placed', 'used', 'discarded', 'returned'];

/** Return the counts per item: packages opened = placed (or used) + discarded + returned. */
export function countsOf(
  packages: readonly RecordState[],
  coils: readonly RecordState[],
): ItemCount[] {
  const byName = new Map(packages.map((one) => [one.record, one]));
  const { items } = countPackages({
    packages: packages
      .filter((one) => COUNTED_ITEMS.includes(textOf(one, 'item') as CountedItem))
      .map((one) => ({
        id: one.record,
        item: textOf(one, 'item'),
        // Two answers, or a word of a newer version: still open.
        ...(FATES.includes(textOf(one, 'fate')) ? { fate: textOf(one, 'fate') } : {}),
        struck: one.isEnteredInError,
      })),
    coils: coils.map((one) => ({
      id: one.record,
      package: textOf(one, 'package'),
      struck: one.isEnteredInError,
    })),
  });
  return items.map(({ open, without_package, shared, ...counts }) => ({
    ...counts,
    open: open.flatMap((name) => byName.get(name) ?? []),
    withoutPackage: without_package.length,
    shared: shared.length,
  }));
}

/** Return the counts as a signature keeps them. */
export function signedCounts(counts: readonly ItemCount[]): Record<string, Json>[] {
  return counts.map(({ item, opened, placed, discarded, used, returned }) => ({
    item,
    opened,
    placed,
    discarded,
    used,
    returned,
  }));
}

/** Things used whose lot nobody entered, nor said to be unknown. */
export function lotsLeftOut(given: {
  packages: readonly RecordState[];
  coils: readonly RecordState[];
  punctures: readonly RecordState[];
  adhesives: readonly RecordState[];
}): CountedItem[] {
  const standing = (records: readonly RecordState[]) =>
    records.filter((record) => !record.isEnteredInError);
  const hasLot = (record: RecordState) => structureOf(record, 'device') !== null;
  // What was only laid out, or went back unopened, tells no lot of what was used.
  const isTouched = (one: RecordState) => !['open', 'returned'].includes(textOf(one, 'fate'));
  const named = (item: CountedItem) =>
    standing(given.packages).some(
      (one) => textOf(one, 'item') === item && isTouched(one) && hasLot(one),
    );
  const isLeftOut: Record<CountedItem, boolean> = {
    coil: !standing(given.coils).every(hasLot),
    needle: standing(given.punctures).length > 0 && !named('needle'),
    adhesive: standing(given.adhesives).length > 0 && !named('adhesive'),
  };
  return COUNTED_ITEMS.filter((item) => isLeftOut[item]);
}

/** Kinds a signature covers; later visits and the signatures themselves are not among them. */
export const SIGNED_KINDS = [
  'lab_result',
  'target',
  'step_event',
  'puncture',
  'package_opened',
  'coil_placed',
  'adhesive_injected',
  'flush',
  'complication',
] as const satisfies readonly CaseKind[];

/** Fields of the case that move on by themselves when it is closed. */
const UNSIGNED_FIELDS = new Set(['stage']);

/**
 * Return the digest of everything that stands in a case: SHA-256 of its sorted references.
 *
 * Any later operation on a signed record changes it, and so does a retraction.
 */
export function digestOf(itself: RecordState | null, under: readonly RecordState[]): string {
  const references = new Set<string>();
  for (const record of [...(itself ? [itself] : []), ...under]) {
    for (const [name, field] of Object.entries(record.fields)) {
      if (record === itself && UNSIGNED_FIELDS.has(name)) continue;
      for (const held of field.values) for (const one of held.references) references.add(one);
    }
  }
  return bytesToHex(sha256(utf8ToBytes([...references].sort().join('\n'))));
}

/**
 * Return how many entries of a newer version a case holds (MG12): what this version does not know
 * nobody signs here.
 */
export function newerEntries(itself: RecordState | null, under: readonly RecordState[]): number {
  return [...(itself ? [itself] : []), ...under].reduce(
    (sum, record) => sum + (record.newer ?? 0),
    0,
  );
}

/**
 * Return record and field of what stands with a later stamp than a signature, sorted.
 *
 * A signature is stamped later than all that its device knew, so whatever is later was not signed;
 * what was struck since, or had not reached the signer, is not in it.
 */
export function changedSince(
  signature: RecordState | null,
  itself: RecordState | null,
  under: readonly RecordState[],
): [string, string][] {
  if (signature === null) return [];
  const stamps = Object.values(signature.fields).flatMap(({ values }) => values);
  const signedAt = stamps.map(({ stamp }) => stamp).sort()[0] ?? '';
  return [...(itself ? [itself] : []), ...under]
    .flatMap((state) =>
      Object.entries(state.fields)
        .filter(([name]) => state !== itself || !UNSIGNED_FIELDS.has(name))
        .filter(([, { values }]) => values.some(({ stamp }) => stamp > signedAt))
        .map(([field]): [string, string] => [state.record, field]),
    )
    .sort(([one, field], [other, otherField]) =>
      one === other ? (field < otherField ? -1 : 1) : one < other ? -1 : 1,
    );
}

/** Return the signature that stands last, null while nobody has signed. */
export function lastSignature(signOffs: readonly RecordState[]): RecordState | null {
  return signOffs.findLast((record) => !record.isEnteredInError) ?? null;
}

export type OpenPoint = 'counts' | 'follow-up' | 'outcome' | 'complications';

/** What a signing person answers at close-out. */
export const OUTCOME_QUESTIONS = ['doppler_flow', 'technical_success'] as const;

/** What a step of the bedside has answered already, with its time. */
export interface FlowRecorded {
  flow: 'none';
  at: string;
}

/**
 * Return the flow that the last Doppler recorded; null where it was left out or saw flow, since
 * then somebody has to say how much is left.
 */
export function flowRecorded(stepEvents: readonly RecordState[]): FlowRecorded | null {
  const last = stepEvents.findLast(
    (event) => !event.isEnteredInError && textOf(event, 'step') === LAST_DOPPLER,
  );
  if (last === undefined || textOf(last, 'outcome') !== 'not-seen') return null;
  return { flow: 'none', at: textOf(last, 'at') };
}

/** Return the record that holds the answers of close-out. */
export function closeOutRecord(caseRecord: string): string {
  return `step_event/${caseRecord.slice('case/'.length)}-close-out`;
}

/** Return what a new record of these answers needs beside the answer. */
export function closeOutBase(caseRecord: string, at: string): Record<string, Json> {
  return {
    case: caseRecord,
    step: CLOSE_OUT_STEP,
    round: { target: null, puncture: null, coil: null, aliquot: null },
    outcome: 'done',
    at,
  };
}

/**
 * Return what is still open. `counts` and `follow-up` keep the case from closing (HARD-08); the
 * others are said and do not.
 */
export function openPoints(given: {
  counts: readonly ItemCount[];
  hasFollowUp: boolean;
  answers: RecordState | null;
  complications: readonly RecordState[];
  flow?: FlowRecorded | null;
}): OpenPoint[] {
  const points: OpenPoint[] = [];
  if (given.counts.some((count) => !count.agrees)) points.push('counts');
  if (!given.hasFollowUp) points.push('follow-up');
  const answers = {
    ...(given.flow ? { doppler_flow: given.flow.flow } : {}),
    ...structureOf(given.answers, 'answers'),
  } as Record<string, Json>;
  if (OUTCOME_QUESTIONS.some((name) => answers[name] === undefined)) points.push('outcome');
  if (!given.complications.some((record) => !record.isEnteredInError)) points.push('complications');
  return points;
}

/**
 * Return what the gates are told before a case is closed (HARD-08).
 *
 * Where the sums agree but a package is open, or a coil names none, those with a known end count.
 */
export function closeOutFacts(counts: readonly ItemCount[], isFollowUpPlanned: boolean): Facts {
  return {
    counts: counts.map(({ item, opened, placed, discarded, used, returned, open, agrees }) => {
      const ended = placed + discarded + used + returned;
      return { item, opened, recorded: !agrees && ended === opened ? opened - open.length : ended };
    }),
    follow_up_planned: isFollowUpPlanned,
  };
}

/** Say whether a plan of follow-up, or a reason for none, is recorded. */
export function hasFollowUp(itself: RecordState | null, visits: readonly RecordState[]): boolean {
  return (
    visits.some((visit) => !visit.isEnteredInError) || textOf(itself, 'no_follow_up_because') !== ''
  );
}
