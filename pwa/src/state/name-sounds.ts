/** How a name is compared: its plain letters, and how it sounds. Pure. */

/** Letters that no decomposition takes apart, as they are written without their sign. */
const PLAIN: Readonly<Record<string, string>> = {
  ß: 'ss',
  æ: 'ae',
  œ: 'oe',
  ø: 'o',
  ł: 'l',
  đ: 'd',
  ð: 'd',
  þ: 'th',
  ı: 'i',
};

/** Return a text in small letters without accents; words stay apart by one space. */
export function foldText(text: string): string {
  return text
    .toLowerCase()
    .normalize('NFD')
    .replace(/\p{M}/gu, '')
    .replace(/[ßæœøłđðþı]/g, (letter) => PLAIN[letter] ?? letter)
    .replace(/[^\p{L}\p{N}]+/gu, ' ')
    .trim();
}

const CODES: Readonly<Record<string, string>> = {
  ...Object.fromEntries([...'aeijouy'].map((letter) => [letter, '0'])),
  ...Object.fromEntries([...'bp'].map((letter) => [letter, '1'])),
  ...Object.fromEntries([...'dt'].map((letter) => [letter, '2'])),
  ...Object.fromEntries([...'fvw'].map((letter) => [letter, '3'])),
  ...Object.fromEntries([...'gkq'].map((letter) => [letter, '4'])),
  l: '5',
  ...Object.fromEntries([...'mn'].map((letter) => [letter, '6'])),
  r: '7',
  ...Object.fromEntries([...'sz'].map((letter) => [letter, '8'])),
};

/**
 * Return how a word sounds, as digits; "" where it has no Latin letter.
 *
 * Cologne phonetics: H. J. Postel 1969, "Die Kölner Phonetik", IBM-Nachrichten 19:925-931. Made for
 * German; it also brings together much of what is written differently elsewhere in Europe
 * (Hernandez and Ernandes, Kowalski and Covalsky), and not a Spanish J with G.
 *
 * @param word - as {@link foldText} returns it
 */
export function soundOf(word: string): string {
  const letters = word.replace(/[^a-z]/g, '');
  let code = '';
  let last = '';
  for (let place = 0; place < letters.length; place += 1) {
    for (const digit of digitsAt(letters, place)) {
      // The same sound twice is one; a vowel counts at the beginning alone.
      if (digit !== last && (digit !== '0' || code === '')) code += digit;
      last = digit;
    }
  }
  return code;
}

function digitsAt(letters: string, place: number): string {
  const [before, letter, after] = [letters[place - 1], letters[place], letters[place + 1]];
  const isOneOf = (one: string | undefined, of: string) => one !== undefined && of.includes(one);
  if (letter === 'p' && after === 'h') return '3';
  if (isOneOf(letter, 'dt') && isOneOf(after, 'csz')) return '8';
  if (letter === 'x') return isOneOf(before, 'ckq') ? '8' : '48';
  if (letter === 'c') {
    if (place === 0) return isOneOf(after, 'ahkloqrux') ? '4' : '8';
    return isOneOf(after, 'ahkoqux') && !isOneOf(before, 'sz') ? '4' : '8';
  }
  return CODES[letter ?? ''] ?? '';
}
