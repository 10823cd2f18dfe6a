/** Which things of a case were used without a recorded lot, and how one is added afterwards. Pure. */
import type { Draft } from '../ports';
import type { CountedItem } from './close-out';
import { idOf, type Json, overOf, type RecordState, structureOf, textOf } from './shown';

/** One thing whose lot is missing. */
export interface MissingLot {
  /** Differs for each; stays the same while the record does. */
  key: string;
  item: CountedItem;
  /** Its package, null where none was recorded. */
  opened: RecordState | null;
  /** Of a coil: what was placed, else null. */
  placed: RecordState | null;
  /** Record of its stock item, "" where nobody said. */
  stock: string;
}

/** The records of a case that are looked at. */
export interface UsedThings {
  packages: readonly RecordState[];
  coils: readonly RecordState[];
  punctures: readonly RecordState[];
  adhesives: readonly RecordState[];
}

const standing = (records: readonly RecordState[]) =>
  records.filter((record) => !record.isEnteredInError);
const hasDevice = (record: RecordState | null) => structureOf(record, 'device') !== null;

/**
 * Return what was used without a lot, nor the word that it is unknown: each coil placed, each
 * package, and the needle or adhesive of which no package was recorded.
 */
export function missingLots(used: UsedThings): MissingLot[] {
  const packages = standing(used.packages).filter((one) => textOf(one, 'fate') !== 'returned');
  const placed = standing(used.coils);
  const coils = placed
    .filter((coil) => !hasDevice(coil))
    .map((coil): MissingLot => {
      const opened = packages.find(({ record }) => record === textOf(coil, 'package')) ?? null;
      const loop = structureOf(coil, 'coil')?.stock_id;
      const stock = textOf(opened, 'stock_id') || (typeof loop === 'string' ? loop : '');
      return { key: coil.record, item: 'coil', opened, placed: coil, stock };
    });
  const inPatient = new Set(placed.map((coil) => textOf(coil, 'package')));
  const opened = packages
    .filter((one) => !hasDevice(one) && !inPatient.has(one.record))
    .map((one): MissingLot => {
      const item = textOf(one, 'item') as CountedItem;
      return { key: one.record, item, opened: one, placed: null, stock: textOf(one, 'stock_id') };
    });
  // What was only laid out tells no lot of what was used.
  const isOpened = (item: CountedItem) =>
    packages.some((one) => textOf(one, 'item') === item && textOf(one, 'fate') !== 'open');
  const bare = (
    [
      ['needle', used.punctures],
      ['adhesive', used.adhesives],
    ] as const
  )
    .filter(([item, acts]) => standing(acts).length > 0 && !isOpened(item))
    .map(([item]): MissingLot => ({ key: item, item, opened: null, placed: null, stock: '' }));
  return [...coils, ...opened, ...bare];
}

/**
 * Return the operations that add a device afterwards, in one save: to the coil and its package, or
 * a package of its own where none was recorded.
 *
 * @param id - new; `at` - now, ISO 8601 with offset
 */
export function lotDrafts(
  missing: MissingLot,
  given: {
    caseRecord: string;
    stock: string;
    device: Record<string, Json>;
    id: string;
    at: string;
  },
): Draft[] {
  const { opened, placed, item } = missing;
  const { caseRecord, stock, device, id, at } = given;
  const added = (record: RecordState): Draft => ({
    draftId: `device-${id}-${idOf(record.record)}`,
    record: record.record,
    set: { device },
    over: overOf(record, 'device'),
  });
  if (opened !== null || placed !== null) {
    const isKnown = opened === null || hasDevice(opened);
    return [
      ...(placed ? [added(placed)] : []),
      ...(isKnown || opened === null ? [] : [added(opened)]),
    ];
  }
  return [
    {
      draftId: `package_opened-${id}`,
      // Named by its case and item, so that the answers of two tablets meet as a conflict.
      record: `package_opened/${idOf(caseRecord)}--lot-${item}`,
      set: {
        case: caseRecord,
        item,
        ...(stock === '' ? {} : { stock_id: stock }),
        device,
        at,
        fate: 'used',
      },
    },
  ];
}
