/**
 * The lots that a person typed into one field: the whole, its parts, and their pieces.
 * Twin of `typed_lots.py`.
 *
 * What parts lots on one label is a sign of the lot on another: both are searched for, and whoever
 * searches is told which.
 */
import { hasOtherScript, LONGEST_NAME, plainForm } from './lot-names';
import { BLANKS, isLotWord, saysUnknown, withoutLotWord } from './lot-words';

/** Fewer letters and digits are part of a lot and no lot by themselves (from memory). */
const SHORTEST_PIECE = 3;
const BETWEEN_PARTS = /[;,\n\r]+/;
const BETWEEN_PIECES = new RegExp(`[${BLANKS}/]+`);
const AROUND = new RegExp(`^[${BLANKS}\\n\\r]+|[${BLANKS}\\n\\r]+$`, 'g');

/**
 * Return every lot that a text may name, each once and the whole first (LT14): parted at commas,
 * semicolons and ends of lines; at blanks, tabs and slashes too, where what lies between may be a
 * lot by itself.
 */
export function splitLots(typed: string): string[] {
  const whole = trim(typed);
  const parts = typed.split(BETWEEN_PARTS).map(trim).filter(hasSign);
  const found = parts.length > 1 && isShort(whole) ? [whole] : [];
  for (const part of parts) {
    const apart = partPieces(part);
    if (isShort(part) || apart.length === 0) found.push(part);
    found.push(...apart);
  }
  return found.length > 0 ? [...new Set(found)] : [whole];
}

/** Say whether what was typed for a lot says that nobody knows it, as "n/a" or "?" (LT13). */
export function saysNoLot(typed: string): boolean {
  const plain = plainForm(withoutLotWord(typed));
  if (hasOtherScript(typed)) return false;
  return plain === '' ? trim(typed) !== '' : saysUnknown(plain);
}

function trim(text: string): string {
  return withoutLotWord(text.replace(AROUND, ''));
}

/** Return what may be lots within a part: one number alone is the rest of a lot. */
function partPieces(part: string): string[] {
  const pieces = part
    .split(BETWEEN_PIECES)
    .map(trim)
    .filter((one) => one !== '');
  const apart = pieces.filter(mayStandAlone);
  const isRest = apart.length === 1 && /^[0-9]+$/.test(plainForm(apart[0] ?? ''));
  return pieces.length === 1 || isRest ? [] : apart;
}

function hasSign(text: string): boolean {
  return plainForm(text) !== '' || hasOtherScript(text);
}

function isShort(text: string): boolean {
  return plainForm(text).length <= LONGEST_NAME;
}

function mayStandAlone(piece: string): boolean {
  const plain = plainForm(piece);
  const isWord = isLotWord(plain) || saysUnknown(plain);
  return plain.length >= SHORTEST_PIECE && /[0-9]/.test(plain) && !isWord;
}
