/**
 * What the gates are told of the package at hand: expired, recalled, opened before, known as another
 * item, more opened than delivered (SOFT-12 to SOFT-14). Pure; it counts what this tablet holds.
 */
import type { Facts } from '../clinical-rules/gate-facts';
import { identifierForm as formOfIdentifier, type LookAlikes } from '../clinical-rules/lot-names';
import { isRecalled, shelfForm } from '../clinical-rules/stock-recalls';
import { itemsNamed, itemsOfLot } from './read-label';
import {
  idOf,
  type Json,
  numberOf,
  type RecordState,
  shown,
  structureOf,
  textOf,
  valuesOf,
} from './shown';

/** The package at hand, "" where its label says nothing. */
export interface PackageAtHand {
  item: string;
  /** Record of its stock item. */
  stock: string;
  identifier: string;
  lot: string;
  serial: string;
  expiresOn: string;
}

/** What is known of packages beside the one at hand; of all cases on this tablet. */
export interface KnownPackages {
  packages: readonly RecordState[];
  movements: readonly RecordState[];
  recalls: readonly RecordState[];
  /** The unit's list of items. */
  items: readonly RecordState[];
  /** Signs taken for one another in lots (LT2). */
  lookAlikes: LookAlikes;
}

/** Identifiers are compared as written: a label that was scanned holds no look-alikes. */
const identifierForm = (name: string) => formOfIdentifier(name, new Map());
const standing = (records: readonly RecordState[]) =>
  records.filter((record) => !record.isEnteredInError);
const partOf = (parts: Readonly<Record<string, Json>> | null, name: string): string => {
  const part = parts?.[name];
  return typeof part === 'string' ? part : '';
};

/** Return the facts; nothing for what the label or the record does not tell. */
export function packageFacts(atHand: PackageAtHand, known: KnownPackages, todayOn: string): Facts {
  const opened = standing(known.packages).filter((one) => textOf(one, 'fate') !== 'returned');
  const expiresOn = atHand.expiresOn || deliveredDate(atHand, standing(known.movements));
  const recalls = standing(known.recalls).filter((notice) => isOfNotice(atHand, notice, known));
  return {
    ...(expiresOn === '' ? {} : { device_expires_on: expiresOn, today_on: todayOn }),
    ...(recalls.length === 0
      ? {}
      : { device_recalls: recalls.map((one) => recallOf(atHand, one)) }),
    ...(isOpenedBefore(atHand, opened) ? { serial_opened_before: atHand.serial } : {}),
    ...itemFacts(atHand, known),
    ...countFacts(atHand, opened, standing(known.movements)),
  };
}

/** A serial number is of one device of its item; without an identifier the stock item tells it. */
function isOpenedBefore(atHand: PackageAtHand, opened: readonly RecordState[]): boolean {
  if (atHand.serial === '') return false;
  return opened.some((one) => {
    const device = structureOf(one, 'device');
    const identifier = partOf(device, 'identifier');
    const isSameItem =
      identifier !== '' && atHand.identifier !== ''
        ? identifierForm(identifier) === identifierForm(atHand.identifier)
        : isStock(one, 'stock_id', atHand.stock);
    return isSameItem && shelfForm(partOf(device, 'serial')) === shelfForm(atHand.serial);
  });
}

/** The earliest use-by date with which the lot was moved, "" where none was entered. */
function deliveredDate({ stock, lot }: PackageAtHand, movements: readonly RecordState[]): string {
  if (lot === '') return '';
  const dates = movements
    .filter((one) => isStock(one, 'stock', stock))
    .map((one) => structureOf(one, 'device'))
    .filter((device) => shelfForm(partOf(device, 'lot')) === shelfForm(lot))
    .map((device) => partOf(device, 'expires_on'))
    .filter((date) => date !== '');
  return dates.sort()[0] ?? '';
}

/**
 * As which items the unit knows the lot. Nothing where the identifier on the label is one of the
 * chosen item: lots of two makers may bear one number.
 */
function itemFacts(atHand: PackageAtHand, known: KnownPackages): Facts {
  const { lot, stock } = atHand;
  const isChosen = (item: RecordState) => idOf(item.record) === idOf(stock);
  if (stock === '' || itemsNamed(atHand, known.items, known.movements).some(isChosen)) return {};
  const items = itemsOfLot(lot, known.items, known.movements, known.lookAlikes);
  if (items.length === 0) return {};
  const chosen = known.items.find(isChosen);
  const nameOf = (item: RecordState | undefined, record: string) =>
    textOf(item, 'name') || textOf(item, 'item') || record;
  return {
    lot_known_as: {
      lot,
      chosen: { stock: chosen?.record ?? stock, name: nameOf(chosen, stock) },
      items: items.map((item) => ({ stock: item.record, name: nameOf(item, item.record) })),
    },
  };
}

/** Only where the unit counts the lot: without a delivery there is nothing to hold it against. */
function countFacts(
  { stock, lot }: PackageAtHand,
  opened: readonly RecordState[],
  movements: readonly RecordState[],
): Facts {
  const isLot = (one: RecordState) =>
    shelfForm(partOf(structureOf(one, 'device'), 'lot')) === shelfForm(lot);
  const moved = movements.filter((one) => isStock(one, 'stock', stock) && isLot(one));
  if (lot === '' || moved.length === 0) return {};
  const delivered = moved.reduce((sum, one) => sum + (numberOf(one, 'change') ?? 0), 0);
  const before = opened.filter((one) => isStock(one, 'stock_id', stock) && isLot(one)).length;
  return { lot_count: { lot, delivered: Math.max(0, delivered), opened: before + 1 } };
}

/** A package names its stock item by record or by id. */
function isStock(record: RecordState, field: string, stock: string): boolean {
  const named = textOf(record, field);
  return stock !== '' && named !== '' && (named === stock || named === idOf(stock));
}

/** Say whether a notice in force is of this package: as the shelf takes it, never too narrow (SK8). */
function isOfNotice(atHand: PackageAtHand, notice: RecordState, known: KnownPackages): boolean {
  // Two answers on its state, or none: in force, until a person has withdrawn it.
  const states = valuesOf(notice, 'state').map(({ value }) => value);
  if (states.length === 1 && states[0] === 'withdrawn') return false;
  const item = textOf(notice, 'item');
  if (item !== '' && item !== atHand.item) return false;
  const listed = known.items.find(({ record }) => record === atHand.stock);
  // A notice may name the item by another identifier than the one that was scanned.
  const identifiers = [atHand.identifier, ...textsOf(shown(listed, 'identifiers'))];
  const criteria = structureOf(notice, 'criteria');
  const named = ['identifier', 'expires_from', 'expires_to'] as const;
  const recall = {
    ...Object.fromEntries(
      named.map((name) => [name, partOf(criteria, name)]).filter(([, part]) => part !== ''),
    ),
    lots: textsOf(criteria?.lots),
  };
  return isRecalled(recall, identifiers, atHand.lot, atHand.expiresOn || null, known.lookAlikes);
}

const textsOf = (part: Json | undefined): string[] =>
  (Array.isArray(part) ? part : []).filter((one): one is string => typeof one === 'string');

/** How the remark names what is recalled, and why: the words of the notice. */
function recallOf({ lot, identifier }: PackageAtHand, notice: RecordState) {
  const name =
    lot !== '' && textsOf(structureOf(notice, 'criteria')?.lots).length > 0 ? lot : identifier;
  return { name: name || lot || textOf(notice, 'item'), reason: textOf(notice, 'reason') };
}
