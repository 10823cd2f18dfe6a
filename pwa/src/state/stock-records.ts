/**
 * The shelf as the record tells it: one request of `stock-counts` from items, movements, packages
 * and recalls. Pure. Twin of `api/use_cases/count_shelf.py`.
 */
import { isCivilDate } from '../clinical-rules/civil-date';
import { MOST_PACKAGES } from '../clinical-rules/stock-request';
import { type Json, type RecordState, shown, structureOf, textOf, valuesOf } from './shown';

const ITEMS: readonly string[] = ['coil', 'needle', 'adhesive'];
const FATES: readonly string[] = ['open', 'placed', 'used', 'discarded', 'returned'];
const BACK = 'returned';
const TEXTS = ['identifier', 'lot', 'serial'] as const;

/** Everything of the record that the shelf is counted from. */
export interface ShelfRecords {
  items: readonly RecordState[];
  movements: readonly RecordState[];
  packages: readonly RecordState[];
  recalls: readonly RecordState[];
}

type Parts = { readonly [part: string]: Json } | null;

/** Return the items that are listed: of a kind that is known and not entered in error. */
export function listedItems(items: readonly RecordState[]): RecordState[] {
  return items.filter((one) => !one.isEnteredInError && ITEMS.includes(textOf(one, 'item')));
}

/**
 * Return the request of `stock-counts`; what a record does not say is left out.
 *
 * A package with two answers counts for each item that one names, and is back on the shelf only
 * where every answer says so: the count never tells of more than may be there.
 */
export function stockRequest(held: ShelfRecords, todayOn: string): Record<string, Json> {
  return {
    today_on: todayOn,
    items: listedItems(held.items).map(itemOf),
    movements: held.movements.map((movement) => ({
      stock: textOf(movement, 'stock'),
      change: countOf(shown(movement, 'change')) ?? 0,
      ...labelOf(movement),
    })),
    packages: held.packages.flatMap(packageRows),
    recalls: held.recalls.filter(isInForce).map(recallOf),
  };
}

function itemOf(item: RecordState): Record<string, Json> {
  const below = countOf(shown(item, 'reorder_below'));
  return {
    id: item.record,
    item: textOf(item, 'item'),
    identifiers: textsOf(shown(item, 'identifiers')),
    ...(below === null || below < 0 ? {} : { reorder_below: below }),
  };
}

/** A row for each item that an answer names. */
function packageRows(opened: RecordState): Record<string, Json>[] {
  const fates = valuesOf(opened, 'fate').map(({ value }) => value);
  const gone = fates.filter((fate) => fate !== BACK);
  const known = gone.filter((fate) => FATES.includes(String(fate)));
  const fate = fates.length > 0 && gone.length === 0 ? BACK : (known.at(-1) ?? 'open');
  const stocks = valuesOf(opened, 'stock_id')
    .map(({ value }) => value)
    .filter((value) => typeof value === 'string');
  return (stocks.length === 0 ? [''] : stocks).map((stock) => ({
    id: opened.record,
    stock,
    fate,
    ...labelOf(opened),
  }));
}

function labelOf(record: RecordState): Record<string, Json> {
  const device: Parts = structureOf(record, 'device');
  const expiresOn = device?.expires_on;
  return {
    ...Object.fromEntries(
      TEXTS.flatMap((part): [string, Json][] => {
        const held = device?.[part];
        return typeof held === 'string' ? [[part, held]] : [];
      }),
    ),
    ...(device?.lot_unknown === true ? { lot_unknown: true } : {}),
    ...(isDay(expiresOn) ? { expires_on: expiresOn } : {}),
    struck: record.isEnteredInError,
  };
}

/** Two answers on its state, or none: in force, until a person has withdrawn it. */
function isInForce(notice: RecordState): boolean {
  const states = valuesOf(notice, 'state').map(({ value }) => value);
  return !notice.isEnteredInError && !(states.length === 1 && states[0] === 'withdrawn');
}

function recallOf(notice: RecordState): Record<string, Json> {
  const criteria: Parts = structureOf(notice, 'criteria');
  const item = textOf(notice, 'item');
  const { identifier, expires_from: from, expires_to: to } = criteria ?? {};
  return {
    ...(ITEMS.includes(item) ? { item } : {}),
    ...(typeof identifier === 'string' ? { identifier } : {}),
    lots: textsOf(criteria?.lots),
    ...(isDay(from) ? { expires_from: from } : {}),
    ...(isDay(to) ? { expires_to: to } : {}),
  };
}

function isDay(content: Json | undefined): content is string {
  return typeof content === 'string' && isCivilDate(content);
}

function textsOf(content: Json | undefined): string[] {
  return Array.isArray(content) ? content.filter((one) => typeof one === 'string') : [];
}

function countOf(content: Json | undefined): number | null {
  return typeof content === 'number' &&
    Number.isInteger(content) &&
    Math.abs(content) <= MOST_PACKAGES
    ? content
    : null;
}
