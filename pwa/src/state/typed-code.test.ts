/** Proves that a code is read as it was meant, however it was typed. */
import { expect, test } from 'vitest';
import { readTypedCode } from './typed-code';

const CODE = 'AB2C-D3EF-GH4J-K5MN';

/** Caught, as it stood: only blanks at the ends were taken off, and every other form was refused. */
test.each([
  CODE,
  ' ab2c-d3ef-gh4j-k5mn ',
  'AB2CD3EFGH4JK5MN',
  'ab2c d3ef gh4j k5mn',
  'AB2C - D3EF - GH4J - K5MN',
  'AB2C–D3EF—GH4J‑K5MN',
  'AB2CD3-EFGH4J-K5MN\n',
  'AB2C\u00AD-D3EF\u200B-GH4J\u00A0K5MN',
  'ab2c_d3ef.gh4j/k5mn'.replace(/[_./]/g, '\u2212'),
])('%j is the code that was meant', (typed) => {
  expect(readTypedCode(typed)).toBe(CODE);
});

test('nothing is nothing, and a letter that no code has is left for the unit to refuse', () => {
  expect(readTypedCode(' - ')).toBe('');
  expect(readTypedCode('o0i1')).toBe('O0I1');
  expect(readTypedCode('AB2CD')).toBe('AB2C-D');
});
