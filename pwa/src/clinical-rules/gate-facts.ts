/**
 * The facts that gates look at: their keys and types. Twin of `gate_facts.py`.
 */
import { ShapeError } from './errors';
import { civilDate, flag, listOf, oneOf, type Reader, shape, text, wholeNumber } from './shapes';

/** Beyond it a slip of the unit; every sum and product of the conditions stays exact in both engines. */
export const MOST = 10 ** 12;

const withinBound: Reader<number> = (content, where) => {
  const amount = wholeNumber(content, where);
  if (Math.abs(amount) <= MOST) return amount;
  throw new ShapeError(`${where} must lie within -${MOST} and ${MOST}. Correct it.`);
};
const amount: Reader<number> = (content, where) => {
  const read = withinBound(content, where);
  if (read < 0) throw new ShapeError(`${where} must not be negative. Correct it.`);
  return read;
};
const names = listOf(text);
const quantity = { name: text, unit: text, milli: amount };
const stockItem = shape({ stock: text, name: text });

export const readFacts = shape(
  {},
  {
    identity_matches: flag,
    missing_inputs: names,
    plan_standing: oneOf('none', 'in-use', 'out-of-date'),
    plan_changes: names,
    pure_ul_given: amount,
    pure_ul_next: amount,
    stop_um: amount,
    measured_distance_um: amount,
    conflicts: names,
    protocol_standing: oneOf('signed', 'unsigned', 'expired', 'draft'),
    counts: listOf(
      shape({ item: oneOf('coil', 'needle', 'adhesive'), opened: amount, recorded: amount }),
    ),
    follow_up_planned: flag,
    blood_return: shape({ seen: flag, wants_adhesive: flag }),
    values_outside_band: listOf(shape({ ...quantity, least_milli: amount, most_milli: amount })),
    tenfold_values: listOf(shape({ ...quantity, last_milli: amount })),
    estimated_inputs: names,
    unticked: names,
    coil_differs: shape({ planned_loop_um: amount, chosen_loop_um: amount }),
    elapsed_ms: amount,
    planned_ms: amount,
    unsent_count: amount,
    oldest_unsent_ms: amount,
    clock_offset_ms: withinBound,
    storage_persistent: flag,
    battery_per_cent: amount,
    charging: flag,
    similar_names: names,
    device_expires_on: civilDate,
    today_on: civilDate,
    lots_missing: names,
    device_recalls: listOf(shape({ name: text, reason: text })),
    serial_opened_before: text,
    lot_known_as: shape({ lot: text, chosen: stockItem, items: listOf(stockItem) }),
    lot_count: shape({ lot: text, delivered: amount, opened: amount }),
    already_raised: names,
  },
);

/** What a caller tells the gates; a fact left out raises nothing (GT2). */
export type Facts = ReturnType<typeof readFacts>;
export type FactName = keyof Facts;
