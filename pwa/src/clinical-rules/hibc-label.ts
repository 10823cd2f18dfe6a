/**
 * Reads HIBC supplier labels strictly: check character, identifier, lot, serial, dates.
 * Twin of `hibc_label.py`, which names the sources.
 */
import { readDayOfYear, readLongDate, readShortDate } from './label-dates';
import { LabelFields } from './label-fields';

const ALPHABET = '0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%';
const ALLOWED = /^[0-9A-Z\-. $/+%]*$/;
const PRIMARY = /^[A-Z][0-9A-Z]{4,21}[0-9]$/;
const LOT = /^[0-9A-Z\-. ]{1,18}$/;
/** Digits of a quantity that may stand before the date flag. */
const QUANTITY_LENGTHS: Readonly<Record<string, number>> = { '8': 2, '9': 5 };

/** Say whether HIBC allows every sign of a code. */
export function isAllowed(content: string): boolean {
  return ALLOWED.test(content);
}

/** Return the sum of the places of the characters in the alphabet of 43, `+` included. */
export function sumCharacters(content: string): number {
  return [...content].reduce((sum, character) => sum + ALPHABET.indexOf(character), 0);
}

/** Return the check character that follows the content: the sum modulo 43 (DL7). */
export function checkCharacter(content: string): string {
  return ALPHABET.charAt(sumCharacters(content) % ALPHABET.length);
}

/** Return the fields of an HIBC label that begins with `+` (DL1, DL4, DL7-DL9). */
export function readHibcLabel(content: string, todayOn: string): LabelFields {
  const fields = new LabelFields();
  if (content.length <= '+XX'.length || !ALLOWED.test(content)) {
    fields.problems.push('The code has characters that HIBC does not allow. Scan again.');
    return fields;
  }
  if (checkCharacter(content.slice(0, -1)) !== content.at(-1)) {
    fields.problems.push('The check character is wrong. Scan again.');
    return fields;
  }
  let segments = content.slice(1, -1).split('/');
  const [primary = ''] = segments;
  if (/^[A-Z]/.test(primary)) {
    takePrimary(fields, primary);
    segments = segments.slice(1);
  } else {
    // A secondary code on its own ends with the check character of its primary.
    segments = [...segments.slice(0, -1), (segments.at(-1) ?? '').slice(0, -1)];
  }
  for (const [place, segment] of segments.entries()) {
    takeSegment(fields, segment, place === 0, todayOn);
  }
  return fields;
}

function takePrimary(fields: LabelFields, primary: string): void {
  if (PRIMARY.test(primary)) fields.put('identifier', primary, 'The device identifier');
  else {
    fields.spoil(
      'identifier',
      'The device identifier must have 6 to 23 letters and digits and end with a digit. ' +
        'Scan again.',
    );
  }
}

function takeSegment(
  fields: LabelFields,
  segment: string,
  isFirst: boolean,
  todayOn: string,
): void {
  if (isFirst && segment.startsWith('$$+')) takeDated(fields, segment.slice(3), 'serial', todayOn);
  else if (isFirst && segment.startsWith('$$')) takeDated(fields, segment.slice(2), 'lot', todayOn);
  else if (isFirst && segment.startsWith('$+')) takeText(fields, 'serial', segment.slice(2));
  else if (isFirst && segment.startsWith('$')) takeText(fields, 'lot', segment.slice(1));
  else if (isFirst && /^\d/.test(segment) && !/^1[46]D/.test(segment)) {
    takeExpiry(fields, segment.slice(0, 5), readDayOfYear(segment.slice(0, 5), todayOn));
    takeRest(fields, 'lot', segment.slice(5));
  } else if (segment.startsWith('14D')) {
    takeExpiry(fields, segment.slice(3), readLongDate(segment.slice(3)));
  } else if (segment.startsWith('16D')) {
    const digits = segment.slice(3);
    const madeOn = readLongDate(digits);
    if (madeOn) fields.put('made_on', madeOn, 'The date of making');
    else {
      fields.spoil('made_on', `The date of making ${digits} is no date. Read it from the package.`);
    }
  } else if (segment.startsWith('S')) takeText(fields, 'serial', segment.slice(1));
  else {
    fields.problems.push(`A field that begins with ${segment.slice(0, 3)} is not read here.`);
  }
}

type ReadDate = (digits: string, todayOn: string) => string | null;

const readMonth: ReadDate = (digits, todayOn) =>
  readShortDate(`${digits.slice(2)}${digits.slice(0, 2)}00`, todayOn);

const readFull: ReadDate = (digits, todayOn) =>
  digits.slice(4, 6) === '00' || !/^\d*$/.test(digits.slice(6))
    ? null
    : readShortDate(digits.slice(0, 6), todayOn);

const readAmerican: ReadDate = (digits, todayOn) =>
  readFull(digits.slice(4) + digits.slice(0, 4), todayOn);

const readJulian: ReadDate = (digits, todayOn) =>
  /^\d+$/.test(digits) ? readDayOfYear(digits.slice(0, 5), todayOn) : null;

/** Flag: where the date begins, how long it is (with the hour, not kept), how it is read. */
const DATE_FLAGS: Readonly<Record<string, readonly [number, number, ReadDate]>> = {
  '0': [0, 4, readMonth],
  '1': [0, 4, readMonth],
  '2': [1, 6, readAmerican],
  '3': [1, 6, readFull],
  '4': [1, 8, readFull],
  '5': [1, 5, readJulian],
  '6': [1, 7, readJulian],
};

function takeDated(
  fields: LabelFields,
  segment: string,
  name: 'lot' | 'serial',
  todayOn: string,
): void {
  let dated = segment;
  const skipped = QUANTITY_LENGTHS[dated.charAt(0)];
  if (skipped !== undefined) {
    if (!/^\d+$/.test(dated.slice(1, 1 + skipped)) || dated.length <= skipped) {
      fields.problems.push('The quantity is no number. Read the label by eye.');
      return;
    }
    dated = dated.slice(1 + skipped);
  }
  const flag = dated.charAt(0);
  if (flag === '7') {
    takeRest(fields, name, dated.slice(1));
    return;
  }
  const reading = DATE_FLAGS[flag];
  if (reading === undefined) {
    fields.problems.push(`The date flag ${flag || 'at the end'} is not known here.`);
    return;
  }
  const [start, length, read] = reading;
  const digits = dated.slice(start, start + length);
  takeExpiry(fields, digits, digits.length === length ? read(digits, todayOn) : null);
  takeRest(fields, name, dated.slice(start + length));
}

function takeExpiry(fields: LabelFields, digits: string, on: string | null): void {
  if (on) fields.put('expires_on', on, 'The expiry date');
  else {
    fields.spoil('expires_on', `The expiry date ${digits} is no date. Read it from the package.`);
  }
}

function takeRest(fields: LabelFields, name: 'lot' | 'serial', content: string): void {
  if (content) takeText(fields, name, content);
}

function takeText(fields: LabelFields, name: 'lot' | 'serial', content: string): void {
  const labelName = name === 'lot' ? 'The lot' : 'The serial number';
  if (LOT.test(content)) fields.put(name, content, labelName);
  else {
    fields.spoil(
      name,
      `${labelName} must have 1 to 18 letters and digits. Read it from the package.`,
    );
  }
}
