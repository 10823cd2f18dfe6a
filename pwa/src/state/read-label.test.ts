/** Codes of one package read together: nothing repaired, nothing taken from two packages. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { deviceOfLabel, NOTHING_READ, readCode, readLabel, readTyped } from './read-label';

const TODAY = '2026-11-25';
const BOOK = packagedRuleBook(TODAY);
const read = (...codes: string[]) => readLabel(codes, TODAY, BOOK);

const DEVICE = ']C10109521234543213';
const LOT = ']C11727022810AB-123';
const HIBC_DEVICE = '+A123BJC5D6E71G';
/** Its last but one character is the check character of the code above (ANSI/HIBC 2.6). */
const HIBC_LOT = '+$$3270228LOT1GJ';

test('device and lot in two codes are one label, in whichever order they come', () => {
  const whole = {
    identifier: '09521234543213',
    lot: 'AB-123',
    serial: '',
    expiresOn: '2027-02-28',
    problems: [],
  };

  expect(read(DEVICE, LOT)).toEqual({ ...whole, raw: `${DEVICE}\n${LOT}` });
  expect(read(LOT, DEVICE, LOT)).toMatchObject(whole);
});

test('a lot alone says that the device is missing', () => {
  expect(read(LOT).lot).toBe('AB-123');
  expect(read(LOT).problems).toEqual([
    'The code names no device. Scan the other code of the package too.',
  ]);
});

/** Caught a planted bug: the first lot kept where a second code named another. */
test('two codes that contradict each other leave nothing to take', () => {
  const torn = read(DEVICE, LOT, ']C11727022810AB-124');

  expect(torn).toMatchObject({ identifier: '', lot: '', expiresOn: '' });
  expect(torn.problems).toEqual(['The codes differ in this: Lot. Begin again with one package.']);
});

test('two HIBC codes of one package are linked by a check character', () => {
  expect(read(HIBC_DEVICE, HIBC_LOT)).toMatchObject({
    identifier: 'A123BJC5D6E71',
    lot: 'LOT1',
    expiresOn: '2027-02-28',
    problems: [],
  });
});

/** Caught a planted bug: `areLinked` true for any two codes. */
test('two HIBC codes of different packages are not taken together', () => {
  const other = '+A123BJC5D6E81H';
  expect(readCode(other, TODAY, BOOK)).toMatchObject({ reading: { problems: [] } });
  expect(read(other, HIBC_LOT)).toMatchObject({
    identifier: '',
    lot: '',
    problems: ['The two codes are of different packages. Begin again with one package.'],
  });
});

test('a code that is no label is refused with the sentence of the rules', () => {
  expect(readCode('https://example.org', TODAY, BOOK)).toEqual({
    kind: 'refused',
    sentence: 'This is no GS1 or HIBC code. Scan the code that names device, lot and expiry.',
  });
  expect(read('https://example.org')).toEqual(NOTHING_READ);
});

test('a field with a problem stays empty, and the code as scanned is kept', () => {
  const code = '01095212345432141727022810AB';
  const label = read(code);

  expect(label).toMatchObject({ identifier: '', lot: 'AB', expiresOn: '2027-02-28' });
  expect(label.problems).toEqual(['The check digit of 09521234543214 is wrong. Scan again.']);
  expect(label.raw).toBe(code);
});

/** Caught a planted bug: letters of a lot made capitals on the way. */
test('whatever was scanned, the record keeps it as it was', () => {
  const sign = fc.constantFrom(...'0123456789ABCDEFGHIJabcdefghij-./_+');
  fc.assert(
    fc.property(fc.array(sign, { minLength: 1, maxLength: 20 }), (signs) => {
      const lot = signs.join('');
      const code = `]d2010952123454321310${lot}`;
      expect(deviceOfLabel(read(code), false)).toEqual({
        identifier: '09521234543213',
        lot,
        raw_label: code,
      });
    }),
  );
});

test.each([
  ['2027-02', '2027-02-28', 0],
  ['2028-02', '2028-02-29', 0],
  ['2027-04-30', '2027-04-30', 0],
  ['2027-04-31', '', 1],
  ['2027-13', '', 1],
  ['04/2027', '', 1],
  ['', '', 0],
])('an expiry typed as "%s" is "%s"', (expiry, expiresOn, problems) => {
  const typed = readTyped({ lot: ' L1 ', serial: '', expiry });

  expect(typed).toMatchObject({ lot: 'L1', expiresOn });
  expect(typed.problems).toHaveLength(problems);
});

test.each([19, 20, 21])('a lot of %d characters typed', (length) => {
  const typed = readTyped({ lot: 'L'.repeat(length), serial: '', expiry: '' });

  expect(typed.lot.length).toBe(length > 20 ? 0 : length);
  expect(typed.problems).toEqual(length > 20 ? ['Lot: 20 characters at most. Read it again.'] : []);
});

/** Caught: "n/a" typed for a lot counted as known, and left the list of the unknown. */
test.each(['unknown', 'n/a', '?', 'LOT: illegible', 'unbekannt', 'desconocido'])(
  '[HAZ-46] [LT13] "%s" typed for a lot is asked about, never taken',
  (lot) => {
    const typed = readTyped({ lot, serial: lot, expiry: '' });

    expect([typed.lot, typed.serial]).toEqual(['', '']);
    expect(typed.problems).toEqual([
      `Lot: “${lot}” is not one. Where nobody can read the lot, press “Lot unknown”.`,
      `Serial number: “${lot}” is not one. Where nobody can read the lot, press “Lot unknown”.`,
    ]);
  },
);

test('[LT12] the word for lot that a package bears before it is no part of it', () => {
  expect(readTyped({ lot: ' LOT: L-0755-A ', serial: '', expiry: '' })).toMatchObject({
    lot: 'L-0755-A',
    problems: [],
  });
});

test('"lot unknown" is a value; a lot that was read is not unknown', () => {
  expect(deviceOfLabel(NOTHING_READ, true)).toEqual({ lot_unknown: true });
  expect(deviceOfLabel(read(DEVICE, LOT), true)).not.toHaveProperty('lot_unknown');
});
