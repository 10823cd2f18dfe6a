/** What a new item of the shelf consists of. Pure. */
import type { Json } from '../ports';

export type ItemKind = 'coil' | 'needle' | 'adhesive';

/** One number of an item; bounds and decimals as the plan asks for them. */
export interface ItemPart {
  part: string;
  /** As `measurements/usual_bands` names it; "" where no band is known. */
  quantity: string;
  unit: 'mm' | 'mL';
  decimals: number;
  largest: number;
  isNeeded: boolean;
}

const part = (
  name: string,
  quantity: string,
  unit: ItemPart['unit'],
  decimals: number,
  largest: number,
  isNeeded = false,
): ItemPart => ({ part: name, quantity, unit, decimals, largest, isNeeded });

/** Numbers of each kind; those that are not needed may be measured later. */
export const ITEM_PARTS: Readonly<Record<ItemKind, readonly ItemPart[]>> = {
  coil: [
    part('loop_um', 'coil_loop', 'mm', 0, 60_000, true),
    part('wire_um', 'coil_wire', 'mm', 3, 2_000, true),
    part('length_um', 'coil_length', 'mm', 0, 900_000, true),
  ],
  needle: [
    part('prime_ul', 'needle_prime', 'mL', 2, 5_000),
    part('inner_diameter_um', 'needle_lumen', 'mm', 3, 3_000),
    part('length_um', 'needle_length', 'mm', 0, 3_000_000),
    part('stop_step_um', 'stop_step', 'mm', 1, 20_000),
  ],
  adhesive: [part('ampoule_ul', '', 'mL', 2, 10_000)],
};

/** What was entered of a new item. */
export interface NewItem {
  kind: ItemKind;
  name: string;
  /** Gauge of a needle, agent of an adhesive; "" for a coil or while nobody chose. */
  chosen: string;
  numbers: Readonly<Record<string, number>>;
}

/**
 * Return the fields of a new item, null while something needed is missing.
 *
 * A plan counts with no package of a new coil until a person takes the count of the shelf over.
 */
export function itemFields(entered: NewItem): Record<string, Json> | null {
  const { kind, chosen, numbers } = entered;
  const name = entered.name.trim();
  const parts = ITEM_PARTS[kind];
  const lacks = parts.some((one) => one.isNeeded && numbers[one.part] === undefined);
  if (name === '' || lacks || (kind !== 'coil' && chosen === '')) return null;
  const own = Object.fromEntries(
    parts.flatMap((one): [string, number][] => {
      const amount = numbers[one.part];
      return amount === undefined ? [] : [[one.part, amount]];
    }),
  );
  if (kind === 'coil') return { item: kind, name, coil: own, count: 0 };
  if (kind === 'needle') return { item: kind, name, needle: { gauge: Number(chosen), ...own } };
  return { item: kind, name, adhesive: { agent: chosen, ...own } };
}
