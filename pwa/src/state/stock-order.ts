/**
 * In which order stocked items are listed wherever one is chosen: coils by the diameter of their
 * loop, then by their length, as numbers; what is alike by name. Pure.
 */
import { type RecordState, structureOf, textOf } from './shown';

const KINDS: readonly string[] = ['coil', 'needle', 'adhesive'];
const COIL_PARTS = ['loop_um', 'length_um', 'wire_um'] as const;

/** Names as people read them: "2 mm" stands before "10 mm". */
const NAMES = new Intl.Collator('en', { numeric: true });

/** Return the items in that order, the smallest coil first; one without its numbers comes last. */
export function inStockOrder(items: readonly RecordState[]): RecordState[] {
  return items
    .map((item) => ({ item, key: keyOf(item), name: textOf(item, 'name') }))
    .sort(
      (one, other) =>
        compareNumbers(one.key, other.key) ||
        NAMES.compare(one.name, other.name) ||
        (one.item.record < other.item.record ? -1 : 1),
    )
    .map(({ item }) => item);
}

function keyOf(item: RecordState): number[] {
  const kind = KINDS.indexOf(textOf(item, 'item'));
  const coil = structureOf(item, 'coil');
  const lengths = COIL_PARTS.map((part) => {
    const length = coil?.[part];
    return typeof length === 'number' ? length : Number.MAX_SAFE_INTEGER;
  });
  return [kind < 0 ? KINDS.length : kind, ...lengths];
}

function compareNumbers(one: readonly number[], other: readonly number[]): number {
  const place = one.findIndex((number, index) => number !== other[index]);
  return place < 0 ? 0 : (one[place] ?? 0) - (other[place] ?? 0);
}
