/**
 * Elements of a GS1 label in their order: field number (AI) and content. Pure.
 * Twin of `gs1_elements.py`, which names the sources.
 */
import { ALLOWED, checkDigit, fixedLength, SEPARATOR } from './gs1-label';
import { partLine } from './gs1-line';
import { readShortDate } from './label-dates';

export type Element = readonly [number: string, content: string];

const DATES = ['11', '12', '13', '15', '16', '17'];
const LONGEST_NUMBER = 4;

type Content = readonly [isNumeric: boolean, least: number, most: number];

function numbered(first: number, last: number, content: Content): [string, Content][] {
  return Array.from({ length: last - first + 1 }, (_, place) => [String(first + place), content]);
}

/** Number of a field: whether it holds digits alone, and how many signs at least and at most. */
const CONTENTS: ReadonlyMap<string, Content> = new Map<string, Content>([
  ['10', [false, 1, 20]],
  ['20', [true, 2, 2]],
  ['21', [false, 1, 20]],
  ['22', [false, 1, 20]],
  ['240', [false, 1, 30]],
  ['241', [false, 1, 30]],
  ['250', [false, 1, 30]],
  ['251', [false, 1, 30]],
  ['30', [true, 1, 8]],
  ['37', [true, 1, 8]],
  ['8012', [false, 1, 20]],
  ['90', [false, 1, 30]],
  ...numbered(710, 716, [false, 1, 20]),
  ...numbered(91, 99, [false, 1, 90]),
]);

/** Say whether a text is a GTIN of 14 digits with its check digit (DL2). */
export function isGtin(text: string): boolean {
  return /^[0-9]{14}$/.test(text) && checkDigit(text.slice(0, -1)) === Number(text.at(-1));
}

/**
 * Return every element of a code without its symbology prefix, or of its line, in order; null where
 * one is torn, stands twice with another content, or has a number that is not known here: a label
 * is passed on whole or not at all.
 */
export function listElements(content: string): Element[] | null {
  if (content.startsWith('(')) {
    const { found, end } = partLine(content);
    return end === content.length ? once(found) : null;
  }
  const found: Element[] = [];
  let rest = content;
  while (rest !== '') {
    const end = fixedLength(rest.slice(0, 2)) ?? rest.indexOf(SEPARATOR);
    const element = end === -1 ? rest : rest.slice(0, end);
    rest = rest.slice(element.length);
    if (rest.startsWith(SEPARATOR)) rest = rest.slice(1);
    const known = part(element);
    if (known === null) return null;
    found.push(known);
  }
  return once(found);
}

/** Say whether a field may hold a content. */
export function isElement(number: string, content: string): boolean {
  if (number === '01') return isGtin(content);
  // The century hardly matters: of two digits 00 alone is a leap year in one and not another.
  if (DATES.includes(number)) return readShortDate(content, '2026-01-01') !== null;
  const [isNumeric, least, most] = CONTENTS.get(number) ?? [false, 1, 0];
  if (content.length < least || content.length > most || !ALLOWED.test(content)) return false;
  return !isNumeric || /^[0-9]*$/.test(content);
}

/** Return each element once, null where one may not hold its content or has two. */
function once(elements: readonly Element[]): Element[] | null {
  const found = new Map<string, string>();
  for (const [number, content] of elements) {
    if (!isElement(number, content) || (found.get(number) ?? content) !== content) return null;
    found.set(number, content);
  }
  return [...found];
}

function part(element: string): Element | null {
  for (let length = 2; length <= LONGEST_NUMBER; length += 1) {
    const [number, content] = [element.slice(0, length), element.slice(length)];
    if (isElement(number, content)) return [number, content];
  }
  return null;
}
