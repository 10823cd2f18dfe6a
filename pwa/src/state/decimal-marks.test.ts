/** A decimal mark of another place never changes a number: nothing is parsed, keys are pressed. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { milliOf, milliText, pressKey } from './number-entry';

const rules = { decimals: 2, largestMilli: 9_999_999_000 };
const press = (keys: string) =>
  [...keys].reduce((pressed, key) => pressKey(pressed, key, rules), '');

/** What a hand of another country would type, and what the pad then shows. */
const MATRIX: readonly [typed: string, shown: string, milli: number | null][] = [
  ['1.5', '1.5', 1_500],
  // A comma is no key: the digits beside it are seen as what they are, fifteen.
  ['1,5', '15', 15_000],
  ['1٫5', '15', 15_000],
  ["1'500", '1500', 1_500_000],
  ['1 500', '1500', 1_500_000],
  ['1.500', '1.50', 1_500],
  ['1.500,5', '1.50', 1_500],
  ['١٢', '', null],
  ['-3', '3', 3_000],
  ['1e3', '13', 13_000],
];

test.each(MATRIX)(
  '[HAZ-50] %s on the pad is %s on screen, and that is what is kept',
  (typed, shown, milli) => {
    const pressed = press(typed);

    expect(pressed).toBe(shown);
    expect(milliOf(pressed)).toBe(milli);
  },
);

/** Caught a planted bug: a comma taken for the point, so that 1,500 became one and a half. */
test('[HAZ-50] what is kept is what the digits on screen say, whatever keys came', () => {
  const keys = fc.array(
    fc.constantFrom(...'0123456789.,٫٬’ \u202f-+eE', 'back', 'Decimal', '٣', '３'),
    { maxLength: 14 },
  );
  fc.assert(
    fc.property(keys, (stream) => {
      const pressed = stream.reduce((soFar, key) => pressKey(soFar, key, rules), '');
      expect(pressed).toMatch(/^[0-9]*(\.[0-9]*)?$/);
      const milli = milliOf(pressed);
      if (pressed === '') {
        expect(milli).toBeNull();
        return;
      }
      const [whole = '', fraction = ''] = pressed.split('.');
      expect(milli).toBe(Number(whole + fraction.padEnd(3, '0')));
      // Shown again it is the same number, without a trailing zero.
      expect(milliOf(milliText(milli ?? 0))).toBe(milli);
    }),
  );
});

/**
 * Files that turn text of people or of the place into numbers would have to use one of these; one
 * fixed way of writing them, that of English, is the same in every language.
 */
const SOURCES = import.meta.glob(['../**/*.ts', '../**/*.svelte', '!../**/*.test.ts'], {
  query: '?raw',
  import: 'default',
  eager: true,
}) as Record<string, string>;
const BY_PLACE =
  /parseFloat|toLocale\w*String|Intl\.NumberFormat\((?!'en')|valueAsNumber|type="number"/;

test('[HAZ-50] no file of the app reads or writes a number by the place it runs in', () => {
  const found = Object.entries(SOURCES).filter(([, text]) => BY_PLACE.test(text));

  expect(Object.keys(SOURCES).length).toBeGreaterThan(200);
  expect(BY_PLACE.test('<input type="number">')).toBe(true);
  expect(found.map(([name]) => name)).toEqual([]);
});
