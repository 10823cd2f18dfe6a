/**
 * Which lots a recall names: by identifier, lot and use-by date together, never too narrow.
 * Twin of `stock_recalls.py`.
 */

import { identifierForm, type LookAlikes, lotForm, plainForm } from './lot-names';

/** What a recall names; what it leaves out it does not limit. */
export interface RecallCriteria {
  readonly identifier?: string | undefined;
  readonly lots?: readonly string[] | undefined;
  readonly expires_from?: string | undefined;
  readonly expires_to?: string | undefined;
}

/**
 * Return a lot or serial number as the shelf compares it (SK2); "" where there is none. A name
 * without any letter or digit of a label stands as it is, without spaces around it.
 */
export function shelfForm(name: string): string {
  return plainForm(name) || name.replace(/^ +| +$/g, '');
}

/** Say whether a movement or package names a lot that the shelf counts by. */
export function hasLot(one: {
  readonly lot?: string | undefined;
  readonly lot_unknown?: boolean | undefined;
}): boolean {
  return one.lot_unknown !== true && shelfForm(one.lot ?? '') !== '';
}

/**
 * Say whether a recall names a lot of an item; a look-alike of its lot counts (SK8).
 *
 * @param identifiers - by which labels name the item; where none is known every identifier fits
 * @param lot - where it is "", or nobody knows it (LT1), every lot fits
 * @param expiresOn - use-by date of the lot; where none is known every range fits
 */
export function isRecalled(
  recall: RecallCriteria,
  identifiers: readonly string[],
  lot: string,
  expiresOn: string | null,
  lookAlikes: LookAlikes,
): boolean {
  const wanted = identifierForm(recall.identifier ?? '', lookAlikes);
  const own = identifiers.map((one) => identifierForm(one, lookAlikes)).filter((one) => one !== '');
  if (wanted !== '' && own.length > 0 && !own.includes(wanted)) return false;
  const forms = (recall.lots ?? []).map((one) => lotForm(one, lookAlikes));
  const lots = forms.filter((one) => one !== '');
  const ownLot = lotForm(lot, lookAlikes);
  if (lots.length > 0 && ownLot !== '' && !lots.includes(ownLot)) return false;
  if (expiresOn === null) return true;
  const isEarly = recall.expires_from !== undefined && expiresOn < recall.expires_from;
  return !isEarly && !(recall.expires_to !== undefined && expiresOn > recall.expires_to);
}
