/** Packages laid out for a case and not taken up by any act yet: an act takes one of them. Pure. */
import { plainForm } from '../clinical-rules/lot-names';
import { actOf, packageInAnswers } from './procedure-drafts';
import { deviceOf, type Lot } from './procedure-plan';
import { type Json, type RecordState, shown, structureOf, textOf } from './shown';

/**
 * Return the packages that lie on the table: open, named by no coil, and opened or taken up by no
 * step.
 */
export function laidOutPackages(
  packages: readonly RecordState[],
  coils: readonly RecordState[],
  stepEvents: readonly RecordState[],
): RecordState[] {
  const standing = (records: readonly RecordState[]) =>
    records.filter((one) => !one.isEnteredInError);
  const events = standing(stepEvents);
  const taken = new Set([
    ...standing(coils).map((coil) => textOf(coil, 'package')),
    ...events.map(packageInAnswers),
  ]);
  const acts = new Set(events.map(({ record }) => actOf(record)));
  return standing(packages).filter(
    (one) =>
      textOf(one, 'fate') === 'open' && !taken.has(one.record) && !acts.has(actOf(one.record)),
  );
}

/** What was said of the label at hand: null for "lot unknown", undefined where nobody said. */
export type SaidLabel = Pick<Lot, 'lot' | 'serial' | 'isSerialUnread'> | null | undefined;

const partOf = (one: RecordState, name: string) => String(structureOf(one, 'device')?.[name] ?? '');
const lotOf = (one: RecordState) => plainForm(partOf(one, 'lot'));
const serialOf = (one: RecordState) => plainForm(partOf(one, 'serial'));

/**
 * Return the package that an act with this item takes, null where it opens one that was not laid
 * out. The oldest use-by date goes first. A lot that was scanned names a package laid out without
 * one. Of two lots on the table, or of two serial numbers of one lot, none is taken until somebody
 * says which (SK21).
 */
export function takeLaidOut(
  laidOut: readonly RecordState[],
  stock: string,
  said: SaidLabel,
): RecordState | null {
  const ofLot = ofSaidLot(laidOut, stock, said);
  if (said === undefined && new Set(ofLot.map(lotOf)).size > 1) return null;
  const fitting = ofSaidSerial(ofLot, said)
    .map((one) => ({ one, key: `${partOf(one, 'expires_on') || '~'} ${one.record}` }))
    .sort((a, b) => (a.key < b.key ? -1 : 1));
  return fitting[0]?.one ?? null;
}

/**
 * Return packages on the table of which somebody has to say which by its serial number, one each:
 * those of the lot said, or of the only lot, where they bear several (SK21). None where one is
 * enough.
 */
export function packagesBySerial(
  laidOut: readonly RecordState[],
  stock: string,
  said: SaidLabel,
): RecordState[] {
  const ofLot = ofSaidLot(laidOut, stock, said);
  if (said === undefined && new Set(ofLot.map(lotOf)).size > 1) return [];
  const bySerial = new Map(ofLot.map((one) => [serialOf(one), one]));
  return bySerial.size > 1 ? [...bySerial.values()].filter((one) => serialOf(one) !== '') : [];
}

function ofSaidLot(
  laidOut: readonly RecordState[],
  stock: string,
  said: SaidLabel,
): readonly RecordState[] {
  const ofStock = laidOut.filter((one) => textOf(one, 'stock_id') === stock);
  if (said === undefined) return ofStock;
  const ofLot = ofStock.filter((one) => lotOf(one) === plainForm(said?.lot ?? ''));
  return ofLot.length > 0 ? ofLot : ofStock.filter((one) => lotOf(one) === '');
}

function ofSaidSerial(ofLot: readonly RecordState[], said: SaidLabel): readonly RecordState[] {
  const serial = plainForm(said?.serial ?? '');
  const withoutSerial = ofLot.filter((one) => serialOf(one) === '');
  if (serial !== '') {
    const same = ofLot.filter((one) => serialOf(one) === serial);
    return same.length > 0 ? same : withoutSerial;
  }
  if (new Set(ofLot.map(serialOf)).size <= 1) return ofLot;
  return said?.isSerialUnread ? withoutSerial : [];
}

/**
 * Return what an act knows of the label of the package it takes: what was said, and what the
 * package says of the same lot besides. A lot that was pressed takes no serial number away.
 *
 * @returns null where nobody knows anything
 */
export function labelAtHand(
  taken: RecordState | null,
  said: Lot | null | undefined,
): Record<string, Json> | null {
  const kept = structureOf(taken, 'device');
  if (said === undefined) return kept ? { ...kept } : null;
  const told = deviceOf(said);
  const isOfLot =
    said !== null && kept !== null && plainForm(said.lot) === plainForm(String(kept.lot ?? ''));
  return isOfLot && !said.serial && !said.rawLabel ? { ...told, ...kept } : told;
}

/**
 * Return the adhesive package in use, null while there is none: the one that the latest step
 * "aliquot ready" opened or took up. One that was discarded or returned is out of use.
 */
export function packageInUse(
  stepEvents: readonly RecordState[],
  packages: readonly RecordState[],
): RecordState | null {
  const usable = packages.filter(
    (one) =>
      !one.isEnteredInError &&
      shown(one, 'item') === 'adhesive' &&
      !['discarded', 'returned'].includes(textOf(one, 'fate')),
  );
  return (
    stepEvents
      .filter((event) => !event.isEnteredInError && textOf(event, 'step') === 'aliquot_ready')
      .map((event) => {
        const named = packageInAnswers(event);
        return usable.find(({ record }) =>
          named === '' ? actOf(record) === actOf(event.record) : record === named,
        );
      })
      .findLast((one) => one !== undefined) ?? null
  );
}
