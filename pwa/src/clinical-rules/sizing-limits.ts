/**
 * Factors and limits of sizing, and where each number of an answer comes from. Twin of
 * `sizing_limits.py`.
 */
import type { LimitOf } from './coil-picks';
import { RuleFileError } from './errors';
import { BASIS } from './geometry';
import { pathOf, type RuleFile, rowShape } from './rule-file';
import { naturalNumber, text } from './shapes';
import type { Basis } from './sizing-answer';

/** One factor or limit by name. */
export const readLimitRow = rowShape({ item: text, amount: naturalNumber });
type LimitRow = ReturnType<typeof readLimitRow>;

/** Which limit a number of the answer comes from. */
const PARTS = {
  loop_band_um: 'loop_low_per_mille',
  needle_stop_um: 'stop_margin_um',
  aliquot_ul: 'aliquot_ul',
  aliquot_ms: 'aliquot_ms_per_ml',
  soft_limit_ul: 'soft_limit_ul',
  second_person_ul: 'second_person_ul',
};

/** Return the way to the amount of each item; one that is missing is a fault of the file. */
export function limitsOf(limits: RuleFile<LimitRow>): LimitOf {
  const amounts = new Map(limits.rows.map(({ item, amount }) => [item, amount]));
  const limitOf = (item: string) => {
    const amount = amounts.get(item);
    if (amount !== undefined) return amount;
    throw new RuleFileError(`Rule file ${pathOf(limits)} has no item ${item}. Add it.`);
  };
  return Object.assign(limitOf, { has: (item: string) => amounts.has(item) });
}

/** The standing and source of every number that no row of the answer carries. */
export function nameBasis(limits: RuleFile<LimitRow>): Record<string, Basis> {
  const rows = new Map(limits.rows.map((row) => [row.item, row]));
  const ofLimits = Object.entries(PARTS).map(([part, item]) => [
    part,
    { basis: rows.get(item)?.basis ?? null, source: rows.get(item)?.source ?? null },
  ]);
  const ofSums = Object.entries(BASIS).map(([part, [basis, source]]) => [part, { basis, source }]);
  return Object.fromEntries([...ofLimits, ...ofSums]);
}
