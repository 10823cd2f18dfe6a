/** Bands: rows of a rule file that hold a number between two bounds, or one word. Twin of `bands.py`. */
import { RuleFileError } from './errors';
import { type Exact, exact, writeDigits } from './measures';
import { text } from './shapes';

/** A row with at most one lower and one upper bound, as decimal text (RF8). */
export interface Bounds {
  readonly at_least?: string;
  readonly above?: string;
  readonly at_most?: string;
  readonly below?: string;
}

/** Readers of the bounds of a row, for `rowShape`. */
export const boundKeys = { at_least: text, above: text, at_most: text, below: text };

/**
 * Return the number that decimal text of a rule file holds.
 *
 * @throws RuleFileError when the text is no plain decimal number
 */
export function readDecimal(digits: string, nameOnDisk: string): Exact {
  if (!/^-?\d+(\.\d+)?$/.test(digits)) {
    throw new RuleFileError(`Rule file ${nameOnDisk}: ${digits} is no decimal number. Correct it.`);
  }
  return exact(digits);
}

/** Return the row that holds the amount; `refuseBandFaults` makes sure there is one. */
export function findBand<T extends Bounds>(rows: readonly T[], amount: Exact): T {
  const found = rows.find((row) => holds(row, amount));
  if (found === undefined) throw new RuleFileError('No band holds the number. Correct the bands.');
  return found;
}

/** Say whether the amount lies within the bounds of the row. */
export function holds(row: Bounds, amount: Exact): boolean {
  return (
    (row.at_least === undefined || amount >= exact(row.at_least)) &&
    (row.above === undefined || amount > exact(row.above)) &&
    (row.at_most === undefined || amount <= exact(row.at_most)) &&
    (row.below === undefined || amount < exact(row.below))
  );
}

type Bound = readonly [string, Exact] | null;

/**
 * Refuse bands that do not hold every number exactly once, from lowest to highest (RF8).
 *
 * @throws RuleFileError that names the item and the bound at which two bands meet wrongly
 */
export function refuseBandFaults(nameOnDisk: string, item: string, rows: readonly Bounds[]): void {
  let last: Bound = null;
  for (const [place, row] of rows.entries()) {
    const lower = boundOf(nameOnDisk, row.at_least, row.above, ['at_least', 'above']);
    const upper = boundOf(nameOnDisk, row.at_most, row.below, ['at_most', 'below']);
    const wanted: Bound = last && [last[0] === 'below' ? 'at_least' : 'above', last[1]];
    const isLast = place === rows.length - 1;
    if (lower?.[0] !== wanted?.[0] || lower?.[1] !== wanted?.[1] || (upper === null) !== isLast) {
      const begin = wanted ? `${wanted[0]} ${writeDigits(wanted[1])}` : 'without lower bound';
      throw new RuleFileError(
        `Rule file ${nameOnDisk}: band ${place + 1} of ${item} must begin ${begin} and ` +
          `${isLast ? 'have no' : 'have an'} upper bound. Correct its bounds.`,
      );
    }
    last = upper;
  }
}

function boundOf(
  nameOnDisk: string,
  including: string | undefined,
  excluding: string | undefined,
  keys: readonly [string, string],
): Bound {
  if (including !== undefined && excluding !== undefined) {
    throw new RuleFileError(
      `Rule file ${nameOnDisk}: a row has both \`${keys[0]}\` and \`${keys[1]}\`. Remove one.`,
    );
  }
  if (including !== undefined) return [keys[0], readDecimal(including, nameOnDisk)];
  if (excluding !== undefined) return [keys[1], readDecimal(excluding, nameOnDisk)];
  return null;
}
