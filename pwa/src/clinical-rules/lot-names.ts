/**
 * How lots, serial numbers and identifiers are compared: as typed, as look-alikes, one slip apart.
 * Twin of `lot_names.py`.
 */
import { RuleFileError, ShapeError } from './errors';
import { checkDigit } from './gs1-label';
import { saysUnknown, withoutLotWord } from './lot-words';
import type { RuleBook } from './rule-book';
import { pathOf, type RuleFile, rowShape } from './rule-file';
import { type Reader, text } from './shapes';

export const TRACE = 'trace/default';
/** GS1 General Specifications: the lengths of a GTIN. */
const GTIN_LENGTHS = [8, 12, 13, 14];
/** GS1 lots have at most 20 characters; of more than twice as many nothing is one slip apart (LT15). */
export const LONGEST_NAME = 40;
/** What is no letter and no digit of the keyboards of scanners and labels (LT1). */
const LEFT_OUT = /[^0-9A-Za-z]+/g;
/** A letter or digit that is none of those. */
const OTHER_SCRIPT = /(?=[\p{L}\p{N}])[^0-9A-Za-z]/u;
const DIGITS = /^[0-9]+$/;

export type Verdict = 'same' | 'alike' | 'near' | 'unknown' | 'different';
export type LookAlikes = ReadonlyMap<string, string>;

const sign: Reader<string> = (content, where) => {
  const found = text(content, where);
  if (/^[0-9A-Z]$/.test(found)) return found;
  throw new ShapeError(`${where} must be one capital letter or digit. Correct it.`);
};
/** A sign, and the sign that it is taken as where codes are compared. */
const readLookAlikeRow = rowShape({ sign, taken_as: sign }, {});
type LookAlikeRow = ReturnType<typeof readLookAlikeRow>;

/**
 * Return the file of look-alikes, which counts also while nobody has approved it: a search that is
 * refused finds nobody.
 */
export function readTraceFile(ruleBook: RuleBook): RuleFile<LookAlikeRow> {
  return ruleBook.ruleFileOrListed(TRACE, readLookAlikeRow);
}

/**
 * Return the look-alikes by sign.
 *
 * @throws RuleFileError when a sign stands twice, or is taken as one that is itself taken as
 * another (LT9)
 */
export function readLookAlikes(stated: RuleFile<LookAlikeRow>): LookAlikes {
  const found = new Map(stated.rows.map((row) => [row.sign, row.taken_as]));
  for (const [place, row] of stated.rows.entries()) {
    if (found.has(row.taken_as) || found.size !== stated.rows.length) {
      throw new RuleFileError(
        `Rule file ${pathOf(stated)}: row ${place + 1} or one beside it names a sign twice. ` +
          'Let each sign be taken as one that is taken as no other.',
      );
    }
  }
  return found;
}

/** Return letters and digits alone, letters as capitals, those of full width as any (LT1). */
export function plainForm(name: string): string {
  return name.normalize('NFKC').replace(LEFT_OUT, '').toUpperCase();
}

/** Say whether a letter or digit stands in it that no label has: nobody knows the name (LT1). */
export function hasOtherScript(name: string): boolean {
  return OTHER_SCRIPT.test(name.normalize('NFKC'));
}

/** Return the plain form of a lot, without a word for lot before it (LT1, LT12). */
export function plainName(name: string): string {
  return plainForm(withoutLotWord(name.normalize('NFKC')));
}

/**
 * Return the form under which a lot or serial number is looked up, "" for none (LT1, LT2). There
 * is none of a word that says that nobody knows it (LT13).
 */
export function lotForm(name: string, lookAlikes: LookAlikes): string {
  const plain = plainName(name);
  if (hasOtherScript(name) || saysUnknown(plain)) return '';
  return [...plain].map((one) => lookAlikes.get(one) ?? one).join('');
}

/** Return the form under which a device identifier is looked up (LT5). */
export function identifierForm(name: string, lookAlikes: LookAlikes): string {
  return withoutZeros(lotForm(name, lookAlikes));
}

/** Say how a lot or serial number that is searched for fits one that is held (LT3, LT4). */
export function compareLots(one: string, held: string, lookAlikes: LookAlikes): Verdict {
  if (hasOtherScript(one)) return 'unknown';
  return compare(
    [plainName(one), plainName(held)],
    [lotForm(one, lookAlikes), lotForm(held, lookAlikes)],
  );
}

/** Say how a device identifier that is searched for fits one that is held (LT5). */
export function compareIdentifiers(one: string, held: string, lookAlikes: LookAlikes): Verdict {
  if (hasOtherScript(one)) return 'unknown';
  return compare(
    [withoutZeros(plainForm(one)), withoutZeros(plainForm(held))],
    [identifierForm(one, lookAlikes), identifierForm(held, lookAlikes)],
  );
}

/** Return what is wrong with a number that should be a GTIN, null where nothing is (LT5). */
export function findIdentifierDoubt(identifier: string): string | null {
  const plain = plainForm(identifier);
  if (!DIGITS.test(plain)) return null;
  if (!GTIN_LENGTHS.includes(plain.length)) {
    return (
      `The identifier ${plain} has not 8, 12, 13 or 14 digits. Compare it with the notice; ` +
      'it was searched for all the same.'
    );
  }
  if (checkDigit(plain.slice(0, -1)) !== Number(plain.at(-1))) {
    return (
      `The check digit of the identifier ${plain} is wrong. Compare it with the notice; it ` +
      'was searched for all the same.'
    );
  }
  return null;
}

/**
 * Say whether one sign was put in, left out, changed, or two neighbours swapped (LT3): the distance
 * of Damerau and Levenshtein, at most 1.
 */
export function isOneSlipApart(one: string, other: string): boolean {
  if (one === other) return false;
  const [short, long] = one.length <= other.length ? [one, other] : [other, one];
  if (long.length - short.length > 1) return false;
  let start = 0;
  while (start < short.length && short[start] === long[start]) start += 1;
  if (short.length < long.length) return short.slice(start) === long.slice(start + 1);
  if (short.slice(start + 1) === long.slice(start + 1)) return true;
  const isSwapped = short[start] === long[start + 1] && short[start + 1] === long[start];
  return isSwapped && short.slice(start + 2) === long.slice(start + 2);
}

function compare(plain: [string, string], folded: [string, string]): Verdict {
  if (folded[1] === '') return 'unknown';
  if (plain[0] === plain[1]) return 'same';
  if (folded[0] === folded[1]) return 'alike';
  const isShort = folded[0] !== '' && folded[0].length <= LONGEST_NAME;
  return isShort && isOneSlipApart(...folded) ? 'near' : 'different';
}

function withoutZeros(form: string): string {
  return DIGITS.test(form) ? form.replace(/^0+/, '') : form;
}
