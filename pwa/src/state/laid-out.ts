/** Packages laid out for a case and not taken up by any act yet: an act takes one of them. Pure. */
import { plainForm } from '../clinical-rules/lot-names';
import { actOf, packageInAnswers } from './procedure-drafts';
import { type RecordState, structureOf, textOf } from './shown';

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
 * out. The oldest use-by date goes first.
 *
 * @param lot - of the package at hand; null where it is unknown, undefined where nobody said
 */
export function takeLaidOut(
  laidOut: readonly RecordState[],
  stock: string,
  lot: string | null | undefined,
): RecordState | null {
  const part = (one: RecordState, name: string) => String(structureOf(one, 'device')?.[name] ?? '');
  const isLot = (one: RecordState) => {
    if (lot === undefined) return true;
    const held = plainForm(part(one, 'lot'));
    return lot === null ? held === '' : held === plainForm(lot);
  };
  const fitting = laidOut
    .filter((one) => textOf(one, 'stock_id') === stock && isLot(one))
    .map((one) => ({ one, key: `${part(one, 'expires_on') || '~'} ${one.record}` }))
    .sort((a, b) => (a.key < b.key ? -1 : 1));
  return fitting[0]?.one ?? null;
}
