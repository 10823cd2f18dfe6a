/**
 * Tells where the last field of a GS1 code may hold others: a scanner may drop FNC1 (DL11).
 * Twin of `lost_separator.py`.
 *
 * A lot with an expiry date at its end is another lot, and no recall finds it.
 */
import { readShortDate } from './label-dates';
import type { FieldName, LabelFields } from './label-fields';

const NUMBERS = ['10', '11', '17', '21'];
const DATES: Readonly<Record<string, FieldName>> = { '11': 'made_on', '17': 'expires_on' };
const TEXTS: Readonly<Record<string, FieldName>> = { '10': 'lot', '21': 'serial' };
const [NUMBER, DATE] = [2, 8];
/** Shorter ones stand in too many lots by chance (from memory, a project default). */
const [LEAST_BEFORE, LEAST_AFTER] = [3, 4];

/**
 * Return the number of the field that may begin within a text, null where none does.
 *
 * A date must be one of the calendar and end the text, or another known field must follow it. A
 * lot within a serial number, or the other way round, must leave enough before and after it.
 *
 * @param number - of a lot or serial number, `content`, that ends a code without any separator
 * @param fields - what the code says besides: what stands there already begins nowhere else
 */
export function findLostSeparator(
  number: string,
  content: string,
  fields: LabelFields,
  todayOn: string,
): string | null {
  const places = Array.from(
    { length: Math.max(content.length - NUMBER - 1, 0) },
    (_, at) => at + 1,
  );
  const numberAt = (place: number) => content.slice(place, place + NUMBER);
  for (const place of places) {
    const begun = numberAt(place);
    const dated = DATES[begun];
    if (dated === undefined || fields.get(dated) !== null) continue;
    const day = content.slice(place + NUMBER, place + DATE);
    const after = content.slice(place + DATE);
    const isFollowed = NUMBERS.includes(after.slice(0, NUMBER)) && after.length > NUMBER;
    const isDate = readShortDate(day, todayOn) !== null;
    if (isDate && (after === '' || isFollowed)) return begun;
  }
  const other = number === '10' ? '21' : '10';
  const isOther = places.some(
    (place) =>
      numberAt(place) === other &&
      place >= LEAST_BEFORE &&
      content.length - place - NUMBER >= LEAST_AFTER,
  );
  return isOther && fields.get(TEXTS[other] as FieldName) === null ? other : null;
}
