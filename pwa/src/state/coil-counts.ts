/**
 * How many packages of a coil Plan says there are: the count of the shelf and no other. Beside it
 * stands with how many a plan counts, where that is another number. Pure.
 */
import type { ShelfItem } from '../clinical-rules/stock-counts';
import { isOnTheTable } from './lay-out';
import { numberOf, type RecordState, textOf } from './shown';

export interface CoilCount {
  /** Null where neither a delivery nor a count was entered, or nobody can count (SK5). */
  onShelf: number | null;
  /** Without what has expired or is recalled; null where that is all of them (SK9). */
  usable: number | null;
  /** With how many a plan counts, as entered; null where it is what lies on shelf and table. */
  planned: number | null;
}

/**
 * Return the count of one coil.
 *
 * @param counted - the coil as the shelf counts it, null while nobody can
 * @param opened - packages of the case that is planned: those on its table came off the shelf
 */
export function coilCount(
  item: RecordState,
  counted: ShelfItem | null,
  opened: readonly RecordState[],
): CoilCount {
  const planned = numberOf(item, 'count') ?? 0;
  const { on_shelf: onShelf = null, usable = null } = counted ?? {};
  if (onShelf === null || usable === null) return { onShelf: null, usable: null, planned };
  const onTable = opened.filter(
    (one) => isOnTheTable(one) && textOf(one, 'stock_id') === item.record,
  ).length;
  return {
    onShelf,
    usable: usable === onShelf ? null : usable,
    planned: planned === Math.max(0, usable) + onTable ? null : planned,
  };
}
