/**
 * Remarks on the numbers that a plan is asked with: those outside their usual band (SZ19).
 * Twin of `sizing_remarks.py`.
 */
import { exact, over } from './measures';
import type { RuleBook } from './rule-book';
import type { SizingRequest } from './sizing-request';
import { findValueCautions, USUAL_BANDS, type ValueCaution } from './value-cautions';

type Bands = Readonly<Record<string, readonly [quantity: string, unit: string]>>;

const THOUSAND = exact(1000);
/** Which usual band each key has, with its unit; the key counts in thousandths of it. */
const OF_TARGET: Bands = {
  short_axis_um: ['short_axis', 'mm'],
  long_axis_um: ['long_axis', 'mm'],
  third_axis_um: ['third_axis', 'mm'],
  measured_distance_um: ['measured_distance', 'mm'],
  near_wall_um: ['near_wall', 'mm'],
  far_wall_um: ['far_wall', 'mm'],
};
const OF_NEEDLE: Bands = {
  inner_diameter_um: ['needle_lumen', 'mm'],
  length_um: ['needle_length', 'mm'],
  prime_ul: ['needle_prime', 'mL'],
  stop_step_um: ['stop_step', 'mm'],
};
const OF_COIL: Bands = {
  loop_um: ['coil_loop', 'mm'],
  wire_um: ['coil_wire', 'mm'],
  length_um: ['coil_length', 'mm'],
};
const OF_ADHESIVE: Bands = { planned_ul: ['adhesive_planned', 'mL'] };

/**
 * Return a remark on each number outside its usual band, each text once (SZ19).
 *
 * Soft: a remark refuses nothing. Without `measurements/usual_bands` in force there is none.
 */
export function warnOfSizes(read: SizingRequest, ruleBook: RuleBook): ValueCaution[] {
  if (!ruleBook.has(USUAL_BANDS)) return [];
  const found = new Map<string, ValueCaution>();
  const parts: [object, Bands][] = [
    ...read.targets.map((target): [object, Bands] => [target, OF_TARGET]),
    [read.needle ?? {}, OF_NEEDLE],
    ...(read.coils_in_stock ?? []).map((coil): [object, Bands] => [coil, OF_COIL]),
    [read.adhesive ?? {}, OF_ADHESIVE],
  ];
  for (const [part, bands] of parts) {
    for (const [key, [quantity, unit]] of Object.entries(bands)) {
      const entered = (part as Record<string, unknown>)[key];
      if (typeof entered !== 'number') continue;
      const amount = over(exact(entered), THOUSAND);
      for (const remark of findValueCautions(quantity, unit, amount, null, null, ruleBook)) {
        if (!found.has(remark.text)) found.set(remark.text, remark);
      }
    }
  }
  return [...found.values()];
}
