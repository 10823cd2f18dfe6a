/**
 * Which lots of an item a step offers to press: those on the table, those of its list and those
 * that came to the shelf and are still there. Pure; it counts what this tablet holds.
 */
import type { RuleBook } from '../clinical-rules/rule-book';
import { countStock, type StockAnswer } from '../clinical-rules/stock-counts';
import { shelfForm } from '../clinical-rules/stock-recalls';
import { calculate } from './calculation';
import { type KnownPackages, packageFacts } from './label-facts';
import { type Lot, lotOfDevice, type StockChoice } from './procedure-plan';
import { idOf, type RecordState, structureOf, textOf } from './shown';
import { stockRequest } from './stock-records';

/** Why nobody presses a lot without a second look, "" where nothing speaks against it. */
export type LotBar = '' | 'recalled' | 'expired' | 'none-left';

export interface LotOffer {
  lot: Lot;
  bar: LotBar;
}

/** What the lots of a step are taken from. */
export interface LotSources {
  known: KnownPackages;
  /** Packages on the table that no act has taken. */
  laidOut: readonly RecordState[];
  todayOn: string;
}

/** Lots drawn at once; the others stand behind one more press. */
const MOST_AT_ONCE = 4;
/** Sorts behind every day of the calendar. */
const NO_EXPIRY = '~';

/**
 * Return the lots of an item: what lies on the table first, then the oldest use-by date, one
 * without a date last (SK6); those that are recalled, expired or used up behind all others.
 *
 * @param ruleBook - where it has no rules of the shelf, deliveries add no lot
 */
export function lotsOffered(
  stock: StockChoice,
  sources: LotSources,
  ruleBook: RuleBook,
): LotOffer[] {
  const { known, todayOn } = sources;
  const onTable = sources.laidOut
    .filter((one) => isOf(one, 'stock_id', stock))
    .flatMap((one) => lotOfDevice(structureOf(one, 'device') ?? {}) ?? [])
    .map(withoutSerial);
  const came = known.movements.filter((one) => !one.isEnteredInError && isOf(one, 'stock', stock));
  const onShelf = lotsOnShelf(stock, sources, ruleBook);
  const lots = new Map<string, Lot>();
  for (const lot of [...onTable, ...stock.lots, ...onShelf.map(({ lot }) => nothingBut(lot))]) {
    const form = shelfForm(lot.lot);
    if (form !== '') lots.set(form, together(lots.get(form) ?? asMoved(lot, came), lot));
  }
  const forms = (held: readonly Pick<Lot, 'lot'>[]) =>
    new Set(held.map(({ lot }) => shelfForm(lot)));
  const [tabled, shelved] = [forms(onTable), forms(onShelf)];
  const counted = forms(came.map((one) => ({ lot: lotOf(one) })));
  const offers = [...lots].map(([form, lot]) => {
    const isGone = counted.has(form) && !shelved.has(form) && !tabled.has(form);
    return { lot, bar: barOf(stock, lot, known, todayOn) || (isGone ? 'none-left' : '') };
  }) satisfies LotOffer[];
  const key = ({ lot, bar }: LotOffer) =>
    [
      bar === '' ? 0 : 1,
      tabled.has(shelfForm(lot.lot)) ? 0 : 1,
      lot.expiresOn || NO_EXPIRY,
      lot.lot,
    ].join(' ');
  return offers.sort((one, other) => (key(one) < key(other) ? -1 : 1));
}

/**
 * Return the lots to draw at once, and those behind one more press: never a barred one at once,
 * but for the one that was chosen; none is left out.
 */
export function splitOffers(
  offers: readonly LotOffer[],
  chosen: Lot | null | undefined,
): { atOnce: LotOffer[]; behind: LotOffer[] } {
  const isChosen = ({ lot }: LotOffer) =>
    chosen ? shelfForm(lot.lot) === shelfForm(chosen.lot) : false;
  const held = offers.find(isChosen);
  // As it was scanned or pressed: its label may tell more than the list.
  const taken = chosen ? [{ lot: chosen, bar: held?.bar ?? ('' as const) }] : [];
  const plain = offers.filter(({ bar }) => bar === '');
  const first = plain.slice(0, MOST_AT_ONCE);
  const atOnce = first.some(isChosen)
    ? first.map((one) => (isChosen(one) ? (taken[0] ?? one) : one))
    : [...taken, ...first.slice(0, MOST_AT_ONCE - taken.length)];
  const drawn = new Set(atOnce.map(({ lot }) => shelfForm(lot.lot)));
  return { atOnce, behind: offers.filter(({ lot }) => !drawn.has(shelfForm(lot.lot))) };
}

/** The lots of which the shelf counts at least one package (SK1). */
function lotsOnShelf(stock: StockChoice, { known, todayOn }: LotSources, ruleBook: RuleBook) {
  const items = known.items.filter(({ record }) => record === stock.record);
  const { answer } = calculate(() =>
    countStock(stockRequest({ ...known, items }, todayOn), ruleBook),
  );
  const [counted] = (answer as StockAnswer | null)?.items ?? [];
  return (counted?.lots ?? []).filter(({ on_shelf: left }) => left > 0);
}

const nothingBut = (lot: string): Lot => ({ lot, identifier: '', expiresOn: '' });

/** A lot as its movements tell it: the earliest use-by date, an identifier where it is one alone. */
function asMoved(lot: Lot, came: readonly RecordState[]): Lot {
  const told = (part: 'identifier' | 'expires_on') => {
    const parts = came
      .filter((one) => shelfForm(lotOf(one)) === shelfForm(lot.lot))
      .map((one) => structureOf(one, 'device')?.[part])
      .filter((one) => typeof one === 'string' && one !== '');
    return [...new Set(parts as string[])].sort();
  };
  const identifiers = told('identifier');
  return {
    ...nothingBut(lot.lot),
    identifier: identifiers.length === 1 ? (identifiers[0] ?? '') : '',
    expiresOn: told('expires_on')[0] ?? '',
  };
}

/** One lot told twice: as its own label or list says it, and the earlier use-by date (SK2). */
function together(held: Lot, told: Lot): Lot {
  const dates = [held.expiresOn, told.expiresOn].filter((date) => date !== '').sort();
  return {
    ...held,
    identifier: told.identifier || held.identifier,
    expiresOn: dates[0] ?? '',
  };
}

/** What speaks against a lot, by the facts that its remark is made of (SOFT-12, SOFT-13). */
function barOf(stock: StockChoice, lot: Lot, known: KnownPackages, todayOn: string): LotBar {
  const atHand = { ...lot, item: stock.item, stock: stock.record, serial: '' };
  const facts = packageFacts(atHand, known, todayOn);
  if ((facts.device_recalls ?? []).length > 0) return 'recalled';
  const { device_expires_on: expiresOn = '' } = facts;
  return expiresOn !== '' && expiresOn < todayOn ? 'expired' : '';
}

/** A lot is pressed without the serial number of one package (SK21). */
const withoutSerial = ({ lot, identifier, expiresOn }: Lot): Lot => ({
  lot,
  identifier,
  expiresOn,
});

function lotOf(movement: RecordState): string {
  const device = structureOf(movement, 'device');
  return device?.lot_unknown !== true && typeof device?.lot === 'string' ? device.lot : '';
}

/** A record names its stock item by record or by id. */
function isOf(record: RecordState, field: string, { record: stock }: StockChoice): boolean {
  const named = textOf(record, field);
  return named !== '' && (named === stock || named === idOf(stock));
}
