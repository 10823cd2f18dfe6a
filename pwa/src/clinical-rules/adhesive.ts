/**
 * Adhesive and its flush: dead space, amounts of adhesive (pure) and mix, aliquot and time.
 * Twin of `adhesive.py`.
 */
import type { LimitOf } from './coil-picks';
import { divideHalfUp, leavesTipUl, lumenUl } from './geometry';
import { rowShape } from './rule-file';
import { listOf, text } from './shapes';
import type { AdhesivePlan, DeadSpace } from './sizing-answer';
import type { Adhesive, Needle, SizingRequest } from './sizing-request';

/** Which media may flush an adhesive. */
export const readFlushRow = rowShape({ agent: text, media: listOf(text) });
type FlushRow = ReturnType<typeof readFlushRow>;

/** Return the dead space: the measured prime first, else the lumen, never a default (AD2). */
export function findDeadSpace(needle: Partial<Needle>): DeadSpace {
  const { prime_ul: primeUl, inner_diameter_um: lumen, length_um: lengthUm } = needle;
  if (primeUl !== undefined) return { dead_space_ul: primeUl, dead_space_from: 'measured-prime' };
  if (lumen !== undefined && lengthUm !== undefined) {
    return { dead_space_ul: lumenUl(lumen, lengthUm), dead_space_from: 'computed' };
  }
  return { dead_space_ul: { missing: ['needle.prime_ul'] }, dead_space_from: null };
}

/**
 * Return amounts of adhesive (pure) and mix, aliquot, time and flush (AD1-AD6).
 *
 * @param adhesive - its `planned_ul` is adhesive (pure)
 * @param deadSpaceUl - as in the answer: a number, or what it lacks
 */
export function planAdhesive(
  adhesive: Adhesive,
  row: FlushRow,
  limitOf: LimitOf,
  deadSpaceUl: DeadSpace['dead_space_ul'],
): AdhesivePlan {
  const { parts_adhesive: parts, parts_oil: oil, planned_ul: pureUl } = adhesive;
  let amounts: Pick<AdhesivePlan, 'pure_ul' | 'mix_ul'>;
  let aliquotUl = limitOf('aliquot_ul');
  const head = {
    flush_media: [...row.media],
    basis: row.basis ?? null,
    source: row.source ?? null,
  };
  if (parts < 1) {
    const words = 'The ratio needs at least one part of adhesive. Correct it.';
    const refusal = { refusal: { kind: 'no-ratio', text: words } };
    return {
      ...head,
      pure_ul: refusal,
      mix_ul: refusal,
      aliquot_ul: refusal,
      aliquot_ms: refusal,
      flush_ul: deadSpaceUl,
      leaves_tip_before_flush_ul: refusal,
    };
  }
  if (pureUl === undefined) {
    const missing = { missing: ['adhesive.planned_ul'] };
    amounts = { pure_ul: missing, mix_ul: missing };
  } else {
    const mixUl = divideHalfUp(BigInt(pureUl) * BigInt(parts + oil), BigInt(parts));
    amounts = { pure_ul: pureUl, mix_ul: mixUl };
    aliquotUl = Math.min(aliquotUl, mixUl);
  }
  return {
    ...head,
    ...amounts,
    aliquot_ul: aliquotUl,
    aliquot_ms: divideHalfUp(BigInt(aliquotUl) * BigInt(limitOf('aliquot_ms_per_ml')), 1000n),
    flush_ul: deadSpaceUl,
    leaves_tip_before_flush_ul:
      typeof deadSpaceUl === 'number' ? leavesTipUl(aliquotUl, 0, deadSpaceUl) : deadSpaceUl,
  };
}

/**
 * Return the ids of the cautions that an adhesive raises (AD5, AD7, AD9).
 *
 * @param known - ids of `sizing/cautions`; an older file has one remark for "not asked" and "unknown"
 */
export function warnOfAdhesive(
  adhesive: Adhesive,
  read: SizingRequest,
  limitOf: LimitOf,
  known: ReadonlySet<string>,
): Set<string> {
  const raised = new Set(['licence']);
  if (adhesive.agent === 'n-butyl-2-cyanoacrylate') raised.add('flush-medium');
  const shunt = read.shunt ?? 'unknown';
  if (shunt === 'present') raised.add('large-shunt');
  if (shunt === 'unknown') raised.add('shunt-unknown');
  const notAsked = 'right-to-left-not-asked';
  const crossing = read.right_to_left_shunt ?? (known.has(notAsked) ? notAsked : 'unknown');
  if (crossing === notAsked) raised.add(notAsked);
  if (crossing === 'yes') raised.add('right-to-left-shunt');
  if (crossing === 'unknown') raised.add('right-to-left-unknown');
  // What was given counts even while nothing further is planned or its ratio is wrong.
  const totalUl = (adhesive.planned_ul ?? 0) + (read.given_so_far_ul ?? 0);
  if (totalUl > limitOf('second_person_ul')) raised.add('second-person');
  else if (totalUl > limitOf('soft_limit_ul')) raised.add('soft-limit');
  for (const id of warnOfMix(adhesive, totalUl, limitOf)) raised.add(id);
  return raised;
}

/** The cautions on the mix and its ratio (AD8); an older rule file has no such limits. */
function warnOfMix(adhesive: Adhesive, totalUl: number, limitOf: LimitOf): Set<string> {
  const { parts_adhesive: parts, parts_oil: oil } = adhesive;
  const raised = new Set<string>();
  if (parts < 1 || !limitOf.has('mix_second_person_ul')) return raised;
  if (oil * 1000 > limitOf('most_oil_per_mille') * parts) raised.add('ratio-unusual');
  const mixUl = divideHalfUp(BigInt(totalUl) * BigInt(parts + oil), BigInt(parts));
  // With no oil the mix is the adhesive itself, whose limits stand already.
  if (oil > 0 && mixUl > limitOf('mix_second_person_ul')) raised.add('mix-second-person');
  else if (oil > 0 && mixUl > limitOf('mix_soft_limit_ul')) raised.add('mix-soft-limit');
  return raised;
}
