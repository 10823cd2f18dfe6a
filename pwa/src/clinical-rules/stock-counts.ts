/**
 * What lies on the shelf: packages that came in less those laid out, used or lost, lot by lot.
 * Twin of `stock_counts.py`.
 */
import { daysBetween } from './civil-date';
import { type LookAlikes, readLookAlikes, readTraceFile } from './lot-names';
import { nameRuleFiles, type RuleBook } from './rule-book';
import type { Basis } from './rule-file';
import { limitsOf, readLimitRow } from './sizing-limits';
import { refuseDoubles } from './sizing-request';
import { hasLot, isRecalled, shelfForm } from './stock-recalls';
import {
  type ItemRead,
  type MovementRead,
  type PackageRead,
  readStock,
  type StockRead,
} from './stock-request';
import { countWithoutLot } from './stock-without-lot';
import { compareTexts } from './text-order';

export const STOCK = 'stock/default';
const NEAR_EXPIRY = 'near_expiry_days';
const BACK_ON_SHELF = 'returned';
/** Sorts behind every day of the calendar. */
const NO_EXPIRY = '~';

export type LotStanding = 'valid' | 'near-expiry' | 'expired' | 'recalled' | 'expiry-unknown';

/** Lots that nobody takes from the shelf for a patient. */
export const UNUSABLE: readonly LotStanding[] = ['recalled', 'expired'];

export interface ShelfLot {
  lot: string;
  expires_on: string | null;
  /** In packages; below 0 where more were taken than came. */
  on_shelf: number;
  standing: LotStanding;
  days_left: number | null;
}

export interface ShelfRemark {
  kind:
    | 'not-counted'
    | 'lot-not-delivered'
    | 'below-zero'
    | 'two-expiries'
    | 'recalled'
    | 'expired';
  lot: string | null;
  count: number;
}

export interface ShelfItem {
  stock_id: string;
  item: 'coil' | 'needle' | 'adhesive';
  /** In packages; null while neither a delivery nor a count is recorded. */
  on_shelf: number | null;
  /** Without what has expired or is recalled. */
  usable: number | null;
  /** Packages whose lot nobody knows; below 0 where more of them were taken than came. */
  without_lot: number | null;
  reorder_below: number | null;
  reorder: boolean;
  lots: ShelfLot[];
  remarks: ShelfRemark[];
}

export type LotOfItem = { stock_id: string } & ShelfLot;

export interface DoublePackage {
  identifier: string;
  lot: string;
  serial: string;
  packages: string[];
}

export interface StockAnswer {
  items: ShelfItem[];
  reorder: string[];
  near_expiry: LotOfItem[];
  expired: LotOfItem[];
  recalled: LotOfItem[];
  doubles: DoublePackage[];
  unlisted: string[];
  near_expiry_days: number;
  basis: Record<string, { basis: Basis | null; source: string | null }>;
  rule_files: ReturnType<typeof nameRuleFiles>;
}

interface CountedLot extends ShelfLot {
  identifiers: string[];
  hasTwoExpiries: boolean;
}

/**
 * Return what is on the shelf, per item and lot, and what somebody should look at. Rules SK1-SK11.
 *
 * @param request - parsed JSON with the keys of `stock-counts` in RULES.md
 * @throws ShapeError for a wrong key or type, or an item that stands twice
 * @throws RuleFileError when the rule file lacks a row
 */
export function countStock(request: unknown, ruleBook: RuleBook): StockAnswer {
  const read = readStock(request, '');
  const file = ruleBook.ruleFileOrListed(STOCK, readLimitRow);
  const nearDays = limitsOf(file)(NEAR_EXPIRY);
  const trace = readTraceFile(ruleBook);
  const lookAlikes = readLookAlikes(trace);
  refuseDoubles(
    read.items.map(({ id }) => id),
    'items',
    'id',
  );
  const movements = read.movements.filter(({ struck }) => struck !== true);
  const packages = read.packages.filter(({ struck }) => struck !== true);
  const taken = packages.filter(({ fate }) => fate !== BACK_ON_SHELF);
  const items = read.items.map((item) =>
    countItem(item, movements, taken, read, nearDays, lookAlikes),
  );
  const known = new Set(read.items.map(({ id }) => id));
  const row = file.rows.find(({ item }) => item === NEAR_EXPIRY);
  const strange = packages.filter(({ stock }) => !known.has(stock)).map(({ id }) => id);
  return {
    items,
    reorder: items.filter(({ reorder }) => reorder).map(({ stock_id }) => stock_id),
    near_expiry: lotsThatAre('near-expiry', items),
    expired: lotsThatAre('expired', items),
    recalled: lotsThatAre('recalled', items),
    doubles: findDoubles(taken),
    unlisted: [...new Set(strange)].sort(compareTexts),
    near_expiry_days: nearDays,
    basis: { [NEAR_EXPIRY]: { basis: row?.basis ?? null, source: row?.source ?? null } },
    rule_files: nameRuleFiles(file, trace),
  };
}

function countItem(
  item: ItemRead,
  movements: readonly MovementRead[],
  taken: readonly PackageRead[],
  read: StockRead,
  nearDays: number,
  lookAlikes: LookAlikes,
): ShelfItem {
  const came = movements.filter(({ stock }) => stock === item.id);
  const gone = taken.filter(({ stock }) => stock === item.id);
  const named = new Map<string, string>();
  for (const one of came) {
    if (!named.has(formOf(one)) && hasLot(one)) named.set(formOf(one), one.lot ?? '');
  }
  const recalls = (read.recalls ?? []).filter((recall) => (recall.item ?? item.item) === item.item);
  const lots = [...named].map(([form, lot]) => {
    const isOfLot = (one: MovementRead | PackageRead) => hasLot(one) && formOf(one) === form;
    const came_ = came.filter(isOfLot);
    const counted = countLot(lot, came_, gone.filter(isOfLot).length, read.today_on, nearDays);
    const identifiers = [...(item.identifiers ?? []), ...counted.identifiers];
    if (recalls.some((one) => isRecalled(one, identifiers, lot, counted.expires_on, lookAlikes))) {
      counted.standing = 'recalled';
    }
    return counted;
  });
  lots.sort((one, other) => compareExpiry(one, other) || compareTexts(one.lot, other.lot));
  const stray = gone.filter((one) => !hasLot(one) || !named.has(formOf(one)));
  const onShelf = came.length === 0 ? null : sum(came.map(({ change }) => change)) - gone.length;
  const lost = lots.filter((lot) => UNUSABLE.includes(lot.standing) && lot.on_shelf > 0);
  const withoutLot = onShelf === null ? null : onShelf - sum(lots.map(({ on_shelf }) => on_shelf));
  const bare = countWithoutLot(
    item,
    came,
    gone,
    recalls,
    withoutLot ?? 0,
    read.today_on,
    lookAlikes,
  );
  const unusable = sum([
    ...lost.map(({ on_shelf }) => on_shelf),
    ...bare.map(({ count }) => count),
  ]);
  const usable = onShelf === null ? null : onShelf - unusable;
  const below = item.reorder_below ?? null;
  return {
    stock_id: item.id,
    item: item.item,
    on_shelf: onShelf,
    usable,
    without_lot: withoutLot,
    reorder_below: below,
    reorder: usable !== null && below !== null && usable < below,
    lots: lots.filter(({ on_shelf }) => on_shelf !== 0).map(tellLot),
    remarks: [...remarksOf(onShelf, lots, stray.length), ...bare],
  };
}

function sum(counts: readonly number[]): number {
  return counts.reduce((total, count) => total + count, 0);
}

function formOf({ lot = '' }: MovementRead | PackageRead): string {
  return shelfForm(lot);
}

function compareExpiry(one: ShelfLot, other: ShelfLot): number {
  return compareTexts(one.expires_on ?? NO_EXPIRY, other.expires_on ?? NO_EXPIRY);
}

function countLot(
  lot: string,
  came: readonly MovementRead[],
  gone: number,
  todayOn: string,
  nearDays: number,
): CountedLot {
  const days = new Set(came.flatMap(({ expires_on }) => expires_on ?? []));
  const expiresOn = [...days].sort(compareTexts)[0] ?? null;
  const daysLeft = expiresOn === null ? null : daysBetween(todayOn, expiresOn);
  return {
    lot,
    expires_on: expiresOn,
    on_shelf: sum(came.map(({ change }) => change)) - gone,
    standing: standingOf(daysLeft, nearDays),
    days_left: daysLeft,
    identifiers: came.flatMap(({ identifier }) => identifier ?? []),
    hasTwoExpiries: days.size > 1,
  };
}

function standingOf(daysLeft: number | null, nearDays: number): LotStanding {
  if (daysLeft === null) return 'expiry-unknown';
  if (daysLeft < 0) return 'expired';
  return daysLeft <= nearDays ? 'near-expiry' : 'valid';
}

function tellLot({ lot, expires_on, on_shelf, standing, days_left }: ShelfLot): ShelfLot {
  return { lot, expires_on, on_shelf, standing, days_left };
}

/** Return what the counts alone do not say (SK2-SK5): a word, the lot, and how many. */
function remarksOf(
  onShelf: number | null,
  lots: readonly CountedLot[],
  stray: number,
): ShelfRemark[] {
  const remarks: ShelfRemark[] = [];
  if (onShelf === null) remarks.push({ kind: 'not-counted', lot: null, count: stray });
  else if (stray > 0) remarks.push({ kind: 'lot-not-delivered', lot: null, count: stray });
  if (onShelf !== null && onShelf < 0) {
    remarks.push({ kind: 'below-zero', lot: null, count: onShelf });
  }
  for (const { lot, on_shelf: count, hasTwoExpiries } of lots) {
    if (count < 0) remarks.push({ kind: 'below-zero', lot, count });
    if (hasTwoExpiries) remarks.push({ kind: 'two-expiries', lot, count });
  }
  return remarks;
}

function lotsThatAre(standing: LotStanding, items: readonly ShelfItem[]): LotOfItem[] {
  return items
    .flatMap(({ stock_id, lots }) =>
      lots
        .filter((lot) => lot.standing === standing && lot.on_shelf > 0)
        .map((lot) => ({ stock_id, ...lot })),
    )
    .sort((one, other) => compareExpiry(one, other) || compareTexts(one.stock_id, other.stock_id));
}

/** Return packages that one label names twice: identifier, lot and serial alike (SK10). */
function findDoubles(packages: readonly PackageRead[]): DoublePackage[] {
  const groups = new Map<string, { label: [string, string, string]; ids: Set<string> }>();
  for (const { id, identifier = '', lot = '', serial = '' } of packages) {
    const label: [string, string, string] = [
      shelfForm(identifier),
      shelfForm(lot),
      shelfForm(serial),
    ];
    if (label[2] === '') continue;
    const key = JSON.stringify(label);
    const group = groups.get(key) ?? { label, ids: new Set() };
    groups.set(key, group);
    group.ids.add(id);
  }
  return [...groups.values()]
    .filter(({ ids }) => ids.size > 1)
    .sort(
      ({ label: a }, { label: b }) =>
        compareTexts(a[0], b[0]) || compareTexts(a[1], b[1]) || compareTexts(a[2], b[2]),
    )
    .map(({ label: [identifier, lot, serial], ids }) => ({
      identifier,
      lot,
      serial,
      packages: [...ids].sort(compareTexts),
    }));
}
