/**
 * A language made from English to try the screens with: every letter has an accent, every sentence
 * is 40 % longer and stands in brackets. What shows without brackets comes from no catalogue, and
 * what is cut off would be cut off in a longer language too (UX-21). Nobody is offered it.
 */
import { isMessage, type Message, type MessageTree, type Part } from './message';

const PLAIN = 'abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ';
const ACCENTED = [...'áƀçđéƒğĥîĵķļɱñôþǫřšţûṽŵẋýžÁƁÇĐÉƑĞĤÎĴĶĻṀÑÔÞǪŘŠŢÛṼŴẊÝŽ'];
export const OPENS = '⟦';
export const CLOSES = '⟧';
/** Turns the letters between them round, as a script from right to left would run. */
const [RIGHT_TO_LEFT, BACK] = ['\u202e', '\u202c'];

/** Return a text with accents, its vowels doubled until it is 40 % longer. */
export function stretch(text: string): string {
  const wanted = Math.ceil([...text].length * 1.4);
  let missing = wanted - [...text].length;
  let longer = '';
  for (const letter of text) {
    const place = PLAIN.indexOf(letter);
    const accented = place < 0 ? letter : (ACCENTED[place] ?? letter);
    longer += accented;
    if (missing > 0 && /[aeiouy]/i.test(letter)) {
      longer += accented;
      missing -= 1;
    }
  }
  // Sentences poor in vowels: words of five letters at the end.
  for (let added = 0; missing > 0; added += 1, missing -= 1) {
    longer += added % 6 === 0 && missing > 1 ? ' ' : 'ø';
  }
  return longer;
}

function stretchPart(part: Part, isTurned: boolean): Part {
  if (typeof part === 'string') {
    // The spaces around a value stay where they are.
    const [, before = '', text = '', after = ''] = /^(\s*)(.*?)(\s*)$/s.exec(part) ?? [];
    if (!/\p{L}/u.test(text)) return part;
    const longer = isTurned ? `${RIGHT_TO_LEFT}${stretch(text)}${BACK}` : stretch(text);
    return before + longer + after;
  }
  if (part === 0 || part.length < 3 || part[2] === undefined) return part;
  const [name, kind, options] = part;
  const stretched = Object.entries(options).map(([option, inner]) => [
    option,
    inner.map((one) => stretchPart(one, isTurned)),
  ]);
  return [name, kind, Object.fromEntries(stretched)] as Part;
}

/** Return English made over; `isTurned` also turns the direction of its letters. */
export function makePseudo(tree: MessageTree, isTurned: boolean): MessageTree {
  if (!isMessage(tree)) {
    return Object.fromEntries(
      Object.entries(tree).map(([name, below]) => [name, makePseudo(below, isTurned)]),
    );
  }
  // A word for nothing stays nothing.
  if (tree === '') return tree;
  const parts: Message = typeof tree === 'string' ? [tree] : tree;
  const stretched = parts.map((part) => stretchPart(part, isTurned));
  return [OPENS, ...stretched, CLOSES];
}
