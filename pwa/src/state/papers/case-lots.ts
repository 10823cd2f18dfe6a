/**
 * Of how many implants the lot is unknown, and of how many nobody entered one. Pure.
 * Twin of `api/documents/case_lots.py`; Close-out counts them by this too (HAZ-46).
 */
import { deviceOf, isInDoubt } from './case-given';
import { type Block, lines } from './paper';
import type { PaperWords } from './paper-words';
import { ofKind, partIn, type ShownCase, textIn } from './shown-case';

export const LOT_KINDS = ['coil_placed', 'adhesive_injected'] as const;
export type LotKind = (typeof LOT_KINDS)[number];

/**
 * Return the implants of a kind whose lot somebody called unknown, and those without a word.
 *
 * One with two answers is neither: it is told as in doubt.
 */
export function countLots(
  shown: Pick<ShownCase, 'records'>,
  kind: LotKind,
): { unknown: number; missing: number } {
  const bare = ofKind(shown, kind)
    .map((one) => deviceOf(shown, one))
    .filter((device) => textIn(device, 'lot') === '' && !isInDoubt(device));
  const unknown = bare.filter((device) => partIn(device, 'lot_unknown') === true).length;
  return { unknown, missing: bare.length - unknown };
}

/** Return a line for each such count, nothing where every lot is known. */
export function tellLots(shown: ShownCase, words: PaperWords): Block[] {
  const told = LOT_KINDS.flatMap((kind) =>
    Object.entries(countLots(shown, kind))
      .filter(([, count]) => count > 0)
      .map(([why, count]) => words.say(`report.${kind}_lot_${why}`, { count })),
  );
  return told.length > 0 ? [lines(told)] : [];
}
