/**
 * How large a question stands on the bedside screen, by how many lines it takes (UX-04).
 *
 * Up to two lines it has the size that is read from 2 m. What is longer, in another language or in
 * words of the unit's own, steps down by name, so that the answers below it stay in sight.
 */

/** `far`: 84 px; `long`: 64 px; `longest`: 52 px. */
export type AskSize = 'far' | 'long' | 'longest';

/** Letters that a line of the narrowest bedside screen holds at each size, at a mean width. */
const LETTERS_A_LINE = [
  ['far', 15],
  ['long', 20],
] as const satisfies readonly (readonly [AskSize, number])[];
const MOST_LINES = 2;
/** Letters that fit on a line beside the others where they stand a little closer. */
const MOST_OVER = 2;

/** Return the size for a question. */
export function askSize(question: string): AskSize {
  const found = LETTERS_A_LINE.find(([, letters]) => countLines(question, letters) <= MOST_LINES);
  return found?.[0] ?? 'longest';
}

/** Say whether the question is a letter or two too long for one line at the size read from 2 m. */
export function isNearlyOneLine(question: string): boolean {
  const [[, letters]] = LETTERS_A_LINE;
  return question.length > letters && question.length <= letters + MOST_OVER;
}

/** Lines that the words take; a word longer than a line breaks into several. */
function countLines(question: string, letters: number): number {
  let [lines, room] = [0, 0];
  for (const word of question.split(/\s+/)) {
    if (word.length + 1 <= room) {
      room -= word.length + 1;
      continue;
    }
    lines += Math.ceil(word.length / letters);
    room = letters - (word.length % letters || letters);
  }
  return lines;
}
