/**
 * Reads GS1 element strings strictly: device, lot, serial, dates of making and expiry.
 * Twin of `gs1_label.py`, which names the sources.
 */
import { readShortDate } from './label-dates';
import { type FieldName, LabelFields } from './label-fields';
import { findLostSeparator } from './lost-separator';

export const SEPARATOR = '\u001d';
const LOT_LENGTH = 20;
export const ALLOWED = /^[!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]*$/;
const DATES: Readonly<Record<string, readonly [FieldName, string]>> = {
  '11': ['made_on', 'The date of making'],
  '17': ['expires_on', 'The expiry date'],
};
const TEXTS: Readonly<Record<string, readonly [FieldName, string]>> = {
  '10': ['lot', 'The lot'],
  '21': ['serial', 'The serial number'],
};

/** Length of field number and content together; null for fields that end with FNC1. */
export function fixedLength(number: string): number | null {
  const named: Readonly<Record<string, number>> = {
    '00': 20,
    '01': 16,
    '02': 16,
    '03': 16,
    '04': 18,
    '20': 4,
    '41': 16,
  };
  const count = Number(number);
  if (count >= 11 && count <= 19) return 8;
  if (count >= 31 && count <= 36) return 10;
  return named[number] ?? null;
}

/** Return the GS1 check digit of the digits before it: weights 3 and 1 from the right (DL2). */
export function checkDigit(digits: string): number {
  const total = [...digits]
    .reverse()
    .reduce((sum, digit, place) => sum + Number(digit) * (place % 2 === 0 ? 3 : 1), 0);
  return (10 - (total % 10)) % 10;
}

/** Return the fields of GS1 element strings, without symbology prefix, FNC1 as U+001D (DL1-DL6, DL11). */
export function readGs1Label(content: string, todayOn: string): LabelFields {
  const fields = new LabelFields();
  let rest = content;
  while (rest) {
    const number = rest.slice(0, 2);
    if (!/^\d\d$/.test(number)) {
      const read = content.length - rest.length;
      fields.problems.push(`After ${read} characters no field begins. Scan again.`);
      break;
    }
    const length = fixedLength(number);
    const separator = rest.indexOf(SEPARATOR);
    const end = length ?? (separator === -1 ? rest.length : separator);
    const element = rest.slice(0, end);
    rest = rest.slice(end);
    if (rest.startsWith(SEPARATOR)) rest = rest.slice(1);
    if (length !== null && (element.length < length || element.includes(SEPARATOR))) {
      const problem = `Field ${number} is too short. Scan again.`;
      spoilField(fields, number, problem);
      break;
    }
    takeElement(fields, number, element.slice(2), todayOn);
    if (rest === '' && !content.includes(SEPARATOR)) {
      doubtEnd(fields, number, element.slice(2), todayOn);
    }
  }
  return fields;
}

/** Leave out the last field where a separator before another one may be lost (DL11). */
function doubtEnd(fields: LabelFields, number: string, content: string, todayOn: string): void {
  const [name, labelName] = TEXTS[number] ?? [];
  if (name === undefined || fields.get(name) !== content) return;
  const begun = findLostSeparator(number, content, fields, todayOn);
  if (begun === null) return;
  fields.spoil(
    name,
    `${labelName} ${content} may end before a field ${begun}: the code has no separator. ` +
      'Read both from the package.',
  );
}

/** Leave out the field that a problem is about. */
export function spoilField(fields: LabelFields, number: string, problem: string): void {
  const name = number === '01' ? 'identifier' : (DATES[number] ?? TEXTS[number])?.[0];
  if (name) fields.spoil(name, problem);
  else fields.problems.push(problem);
}

/** Take the content of one field (DL2-DL6). */
export function takeElement(
  fields: LabelFields,
  number: string,
  content: string,
  todayOn: string,
): void {
  const dated = DATES[number];
  const written = TEXTS[number];
  if (number === '01') takeIdentifier(fields, content);
  else if (dated) {
    const on = readShortDate(content, todayOn);
    if (on) fields.put(dated[0], on, dated[1]);
    else fields.spoil(dated[0], `${dated[1]} ${content} is no date. Read it from the package.`);
  } else if (written) {
    if (content.length >= 1 && content.length <= LOT_LENGTH && ALLOWED.test(content)) {
      fields.put(written[0], content, written[1]);
    } else {
      fields.spoil(
        written[0],
        `${written[1]} must have 1 to ${LOT_LENGTH} characters that GS1 allows. ` +
          'Read it from the package.',
      );
    }
  } else fields.problems.push(`A field that begins with ${number} is not read here.`);
}

function takeIdentifier(fields: LabelFields, content: string): void {
  if (!/^\d{14}$/.test(content)) {
    fields.spoil('identifier', 'The device identifier is not of 14 digits. Scan again.');
  } else if (checkDigit(content.slice(0, -1)) !== Number(content.at(-1))) {
    fields.spoil('identifier', `The check digit of ${content} is wrong. Scan again.`);
  } else fields.put('identifier', content, 'The device identifier');
}
