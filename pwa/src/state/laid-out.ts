/** Packages laid out for a case and not taken up by any act yet: an act takes one of them. Pure. */
import { plainForm } from '../clinical-rules/lot-names';
import { actOf, packageInAnswers } from './procedure-drafts';
import { type RecordState, shown, structureOf, textOf } from './shown';

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

/**
 * Return the package that an act with this item takes, null where it opens one that was not laid
 * out. The oldest use-by date goes first. A lot that was scanned names a package laid out without
 * one. Of two lots on the table none is taken until somebody says which.
 *
 * @param lot - of the package at hand; null where it is unknown, undefined where nobody said
 */
export function takeLaidOut(
  laidOut: readonly RecordState[],
  stock: string,
  lot: string | null | undefined,
): RecordState | null {
  const part = (one: RecordState, name: string) => String(structureOf(one, 'device')?.[name] ?? '');
  const lotOf = (one: RecordState) => plainForm(part(one, 'lot'));
  const ofStock = laidOut.filter((one) => textOf(one, 'stock_id') === stock);
  if (lot === undefined && new Set(ofStock.map(lotOf)).size > 1) return null;
  const ofLot =
    lot === undefined ? ofStock : ofStock.filter((one) => lotOf(one) === plainForm(lot ?? ''));
  const nameless = ofStock.filter((one) => lotOf(one) === '');
  const fitting = (ofLot.length > 0 ? ofLot : nameless)
    .map((one) => ({ one, key: `${part(one, 'expires_on') || '~'} ${one.record}` }))
    .sort((a, b) => (a.key < b.key ? -1 : 1));
  return fitting[0]?.one ?? null;
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
