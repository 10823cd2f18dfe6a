/**
 * Packages opened in a case against what became of them, item by item (HARD-08).
 * Twin of `package_counts.py`.
 */
import { flag, listOf, oneOf, shape, text } from './shapes';
import { kindOfItem } from './stock-request';
import { compareTexts } from './text-order';

export const COUNTED_ITEMS = ['coil', 'needle', 'adhesive'] as const;
export type CountedItem = (typeof COUNTED_ITEMS)[number];

const readPackage = shape(
  { id: text, item: kindOfItem },
  { fate: oneOf('open', 'placed', 'used', 'discarded', 'returned'), struck: flag },
);
const readCoil = shape({ id: text }, { package: text, struck: flag });
const readRequest = shape({ packages: listOf(readPackage), coils: listOf(readCoil) });

/** Counts of packages of one item; `open`, `without_package` and `shared` name records. */
export interface PackageCount {
  item: CountedItem;
  opened: number;
  placed: number;
  discarded: number;
  used: number;
  /** Back on the shelf unopened. */
  returned: number;
  /** Packages of which nobody has said what became of them. */
  open: string[];
  /** Coils that name no package of the case. */
  without_package: string[];
  /** Packages that more than one coil names. */
  shared: string[];
  /** Opened less all that became of them; below 0 where more came of them than were opened. */
  difference: number;
  agrees: boolean;
}

/**
 * Return how the packages of a case add up. Rule SK18.
 *
 * Placed coils are counted from the coils themselves, never from what a package says of itself.
 *
 * @param request - parsed JSON with the keys of `package-counts` in RULES.md
 * @throws ShapeError for a wrong key or type
 */
export function countPackages(request: unknown): { items: PackageCount[] } {
  const read = readRequest(request, '');
  const packages = read.packages.filter(({ struck }) => struck !== true);
  const coils = read.coils.filter(({ struck }) => struck !== true);
  return {
    items: COUNTED_ITEMS.map((item) =>
      countItem(
        item,
        packages.filter((one) => one.item === item),
        item === 'coil' ? coils : [],
      ),
    ),
  };
}

function countItem(
  item: CountedItem,
  opened: readonly ReturnType<typeof readPackage>[],
  placed: readonly ReturnType<typeof readCoil>[],
): PackageCount {
  const known = new Set(opened.map(({ id }) => id));
  const isKnown = (name: string | undefined): name is string =>
    name !== undefined && known.has(name);
  const named = placed.map((coil) => coil.package).filter(isKnown);
  const endedAs = (end: string) => opened.filter(({ fate }) => fate === end).map(({ id }) => id);
  const [discarded, used, returned] = [
    endedAs('discarded'),
    endedAs('used'),
    endedAs('returned'),
  ] as const;
  const settled = new Set([...named, ...discarded, ...used, ...returned]);
  const open = opened.map(({ id }) => id).filter((id) => !settled.has(id));
  const bare = placed.filter((coil) => !isKnown(coil.package)).map(({ id }) => id);
  const twice = named.filter((name, place) => named.indexOf(name) < place);
  const shared = [...new Set(twice)].sort(compareTexts);
  const difference =
    opened.length - placed.length - discarded.length - used.length - returned.length;
  return {
    item,
    opened: opened.length,
    placed: placed.length,
    discarded: discarded.length,
    used: used.length,
    returned: returned.length,
    open,
    without_package: bare,
    shared,
    difference,
    agrees: difference === 0 && open.length + bare.length + shared.length === 0,
  };
}
