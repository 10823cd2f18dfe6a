/**
 * What has to agree before a case is closed, and what a signature stands under. Pure.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import type { Facts } from '../clinical-rules/gate-facts';
import type { CaseKind } from './case-record.svelte';
import { CLOSE_OUT_STEP } from './procedure-events';
import { type Json, type RecordState, structureOf, textOf } from './shown';

const LAST_DOPPLER = 'final_doppler';

export const COUNTED_ITEMS = ['coil', 'needle', 'adhesive'] as const;
export type CountedItem = (typeof COUNTED_ITEMS)[number];

export interface ItemCount {
  item: CountedItem;
  opened: number;
  placed: number;
  discarded: number;
  used: number;
  /** Packages of which nobody has said what became of them. */
  open: RecordState[];
  /** Coils recorded without a package: opened somewhere, but not recorded as such. */
  withoutPackage: number;
  agrees: boolean;
}

/**
 * Return the counts per item: packages opened = placed (or used) + discarded.
 *
 * Placed coils are counted from the coils themselves, never from what a package says of itself.
 */
export function countsOf(
  packages: readonly RecordState[],
  coils: readonly RecordState[],
): ItemCount[] {
  const standing = packages.filter((record) => !record.isEnteredInError);
  const placedCoils = coils.filter((record) => !record.isEnteredInError);
  return COUNTED_ITEMS.map((item) => {
    const opened = standing.filter((record) => textOf(record, 'item') === item);
    const known = new Set(opened.map(({ record }) => record));
    const used = new Set(placedCoils.map((coil) => textOf(coil, 'package')));
    const fate = (name: string) => opened.filter((record) => textOf(record, 'fate') === name);
    const placed = item === 'coil' ? placedCoils.length : 0;
    const withoutPackage =
      item === 'coil'
        ? placedCoils.filter((coil) => !known.has(textOf(coil, 'package'))).length
        : 0;
    const ended = new Set([...fate('discarded'), ...fate('used')].map(({ record }) => record));
    const isOpen = (record: RecordState) => !ended.has(record.record) && !used.has(record.record);
    return {
      item,
      opened: opened.length,
      placed,
      discarded: fate('discarded').length,
      used: fate('used').length,
      open: opened.filter(isOpen),
      withoutPackage,
      agrees:
        opened.length === placed + fate('discarded').length + fate('used').length &&
        withoutPackage === 0 &&
        !opened.some(isOpen),
    };
  });
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
  const named = (item: CountedItem) =>
    standing(given.packages).some((one) => textOf(one, 'item') === item && hasLot(one));
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
    counts: counts.map(({ item, opened, placed, discarded, used, open, agrees }) => {
      const ended = placed + discarded + used;
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
