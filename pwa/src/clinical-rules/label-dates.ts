/**
 * Dates of device labels: short years, day 00, day of the year. Today comes in as an argument.
 * Twin of `label_dates.py`.
 */
import { addDays, daysInMonth, isCivilDate } from './civil-date';

const YEARS_BACK = 51;
const YEARS_AHEAD = -50;

/** Return the civil date of `YYMMDD`, null when there is none; day 00 is the month's last (DL3). */
export function readShortDate(digits: string, todayOn: string): string | null {
  if (!/^\d{6}$/.test(digits)) return null;
  const year = fullYear(Number(digits.slice(0, 2)), todayOn);
  return civilOf(year, Number(digits.slice(2, 4)), Number(digits.slice(4)));
}

/** Return the civil date of `YYYYMMDD`, null when there is none. */
export function readLongDate(digits: string): string | null {
  if (!/^\d{8}$/.test(digits) || digits.endsWith('00')) return null;
  return civilOf(Number(digits.slice(0, 4)), Number(digits.slice(4, 6)), Number(digits.slice(6)));
}

/** Return the civil date of `YYJJJ`, null when the year has no such day. */
export function readDayOfYear(digits: string, todayOn: string): string | null {
  if (!/^\d{5}$/.test(digits)) return null;
  const year = fullYear(Number(digits.slice(0, 2)), todayOn);
  const day = Number(digits.slice(2));
  const found = addDays(`${year}-01-01`, day - 1);
  return day > 0 && found.startsWith(String(year)) ? found : null;
}

/** Return the year that two digits mean: at most 50 years ahead and 49 back (DL4). */
export function fullYear(shortYear: number, todayOn: string): number {
  const year = Number(todayOn.slice(0, 4));
  const apart = shortYear - (year % 100);
  let century = year - (year % 100);
  if (apart >= YEARS_BACK) century -= 100;
  else if (apart <= YEARS_AHEAD) century += 100;
  return century + shortYear;
}

function civilOf(year: number, month: number, day: number): string | null {
  if (month < 1 || month > 12) return null;
  const pad = (count: number, length: number) => String(count).padStart(length, '0');
  const written = `${pad(year, 4)}-${pad(month, 2)}-${pad(day || daysInMonth(year, month), 2)}`;
  return isCivilDate(written) ? written : null;
}
