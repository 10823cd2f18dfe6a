/**
 * Words that people write where a lot stands: one for "lot" before it, and that nobody knows it.
 * Twin of `lot_words.py`; each word stands in the vectors `lots/split_lots.json`.
 */

/** What parts words in one line; both engines take these alone for blanks. */
export const BLANKS = '\\t\\v\\f \\u00a0\\u2000-\\u200a\\u202f\\u3000';
/** A label has one such word; a text that repeats it is not worth more than so many turns. */
const MOST_WORDS = 3;
/** A word for lot, or the number of its GS1 field, before the lot itself (LT12). */
const LOT_WORD = new RegExp(
  `^[${BLANKS}\\n\\r]*(?:\\(10\\)|(?:lot|batch|charge|ch\\.?[-${BLANKS}]*b\\.?|lote|partida)` +
    `(?:[${BLANKS}]*(?:number|nummer|num|no|nr)\\.?)?` +
    `(?:[${BLANKS}]*[:.#=]+[${BLANKS}]*|[${BLANKS}]+))`,
  'i',
);
/** Written where nobody knows the lot, in English, German and Spanish, as letters alone (LT13). */
const UNKNOWN = new Set([
  ...['UNKNOWN', 'UNK', 'NOTKNOWN', 'ILLEGIBLE', 'UNREADABLE', 'NOTREADABLE', 'NOTLEGIBLE'],
  ...['NONE', 'NIL', 'NA', 'NOTAVAILABLE', 'NOTRECORDED', 'MISSING', 'NOLOT', 'NOTGIVEN'],
  ...['UNBEKANNT', 'NICHTBEKANNT', 'UNLESERLICH', 'NICHTLESBAR', 'KEINE', 'KEINER', 'KEINS'],
  ...['KEIN', 'KEINEANGABE', 'KA', 'FEHLT', 'OHNE', 'NICHTVORHANDEN'],
  ...['DESCONOCIDO', 'DESCONOCIDA', 'NOCONOCIDO', 'ILEGIBLE', 'NOLEGIBLE', 'NINGUNO'],
  ...['NINGUNA', 'NOCONSTA', 'NODISPONIBLE', 'SINDATOS', 'SINLOTE', 'FALTA'],
]);
const WORDS_FOR_LOT = ['LOT', 'BATCH', 'CHARGE', 'LOTE', 'PARTIDA'];

/** Return a name without the words for lot before it; a word alone stands (LT12). */
export function withoutLotWord(name: string): string {
  let left = name;
  for (let turn = 0; turn < MOST_WORDS; turn += 1) {
    const rest = left.replace(LOT_WORD, '');
    if (rest === left || !/[\p{L}\p{N}]/u.test(rest)) break;
    left = rest;
  }
  return left;
}

/** Say whether letters and digits, as capitals, are a word for "nobody knows" (LT13). */
export function saysUnknown(plain: string): boolean {
  const word = WORDS_FOR_LOT.find((one) => plain.startsWith(one)) ?? '';
  return UNKNOWN.has(plain) || (word !== '' && UNKNOWN.has(plain.slice(word.length)));
}

/** Say whether letters and digits, as capitals, are a word for lot and nothing more. */
export function isLotWord(plain: string): boolean {
  return WORDS_FOR_LOT.includes(plain);
}
