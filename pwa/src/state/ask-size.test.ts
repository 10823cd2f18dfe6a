import { expect, test } from 'vitest';
import protocol from '../../../api/clinical_rules/data/step_protocols/coil_and_adhesive.v2.json';
import { procedure } from '../text/procedure';
import { askSize, isNearlyOneLine } from './ask-size';

/** Caught a planted bug: "Is the needle flushed and patent?" in place of "Flushed and patent?". */
test('[UX-04] every English question has the size that is read from 2 m', () => {
  const said = [...protocol.rows.map(({ ask }) => ask), procedure.whatNext, procedure.finished];
  expect(said.length).toBeGreaterThan(30);
  expect(said.filter((question) => askSize(question) !== 'far')).toEqual([]);
});

test('[UX-04] a question of a letter or two more than a line stands closer, no smaller', () => {
  expect(isNearlyOneLine('Aliquot drawn up?')).toBe(true);
  expect(askSize('Aliquot drawn up?')).toBe('far');
  expect(isNearlyOneLine('How much water?')).toBe(false);
  expect(isNearlyOneLine('Tip seen in varix?')).toBe(false);
});

test('[UX-04] a longer question steps down by name, and no further than 52 px', () => {
  // Two lines of 15 letters, then of 20.
  expect(askSize('abcdefg abcdefg abcdefg abcdefg')).toBe('far');
  expect(askSize('abcdefg abcdefg abcdefg abcdefg a')).toBe('long');
  expect(askSize('abcdefghi abcdefghi abcdefghi abcdefghi')).toBe('long');
  expect(askSize('abcdefghi abcdefghi abcdefghi abcdefghij a')).toBe('longest');
  expect(askSize('Is the aliquot drawn up, with its flush beside it?')).toBe('longest');
});

test('[UX-04] a word longer than a line breaks, and counts as the lines that it takes', () => {
  expect(askSize('Gewebekleberhinausdrücken?')).toBe('far');
  expect(askSize('Gewebekleberhinausdrückenvorbereitung?')).toBe('long');
});
