/** Civil dates as `YYYY-MM-DD`, without clock, zone or locale. Twin of `civil_date.py`. */

const FIRST_YEAR = 1900;
const LAST_YEAR = 2199;
const MONTH_LENGTHS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];

/** Say whether the text is a day of the calendar from 1900 to 2199, as `YYYY-MM-DD`. */
export function isCivilDate(text: string): boolean {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(text)) return false;
  const [year = 0, month = 0, day = 0] = text.split('-').map(Number);
  if (year < FIRST_YEAR || year > LAST_YEAR || month < 1 || month > 12) return false;
  return day >= 1 && day <= daysInMonth(year, month);
}

/** Return how many days the month (1 to 12) has. */
export function daysInMonth(year: number, month: number): number {
  const isLeap = (year % 4 === 0 && year % 100 !== 0) || year % 400 === 0;
  return month === 2 && isLeap ? 29 : (MONTH_LENGTHS[month - 1] ?? 0);
}

/** Return the civil date that lies `days` days later; earlier for a negative number. */
export function addDays(on: string, days: number): string {
  return fromDayNumber(dayNumber(on) + days);
}

/** Return how many days `toOn` lies after `fromOn`; negative when before. */
export function daysBetween(fromOn: string, toOn: string): number {
  return dayNumber(toOn) - dayNumber(fromOn);
}

/** Days since 1 March of the year 0: a year that begins in March ends with its leap day. */
function dayNumber(on: string): number {
  const [year = 0, month = 0, day = 0] = on.split('-').map(Number);
  const shifted = month > 2 ? year : year - 1;
  const monthFromMarch = (month + 9) % 12;
  const leapDays = Math.floor(shifted / 4) - Math.floor(shifted / 100) + Math.floor(shifted / 400);
  return shifted * 365 + leapDays + Math.floor((monthFromMarch * 153 + 2) / 5) + day - 1;
}

function fromDayNumber(days: number): string {
  // 146097 days make 400 years; the estimate of the year is too late by one at most.
  let shifted = Math.floor((days * 400) / 146097);
  while (dayNumber(`${shifted}-03-01`) > days) shifted -= 1;
  while (dayNumber(`${shifted + 1}-03-01`) <= days) shifted += 1;
  const dayOfYear = days - dayNumber(`${shifted}-03-01`);
  const monthFromMarch = Math.floor((dayOfYear * 5 + 2) / 153);
  const day = dayOfYear - Math.floor((monthFromMarch * 153 + 2) / 5) + 1;
  const month = ((monthFromMarch + 2) % 12) + 1;
  const year = month > 2 ? shifted : shifted + 1;
  return `${pad(year, 4)}-${pad(month, 2)}-${pad(day, 2)}`;
}

function pad(count: number, length: number): string {
  return String(count).padStart(length, '0');
}

/**
 * Return the civil date after an interval: months are added first, then days (FU1). A day that
 * the month lacks becomes its last day (FU2). Twin of `add_interval`.
 */
export function addInterval(on: string, months: number, days: number): string {
  const [year = 0, month = 1, day = 1] = on.split('-').map(Number);
  const place = year * 12 + month - 1 + months;
  const [toYear, toMonth] = [Math.floor(place / 12), place % 12];
  const lastDay = daysInMonth(toYear, toMonth + 1);
  const text = `${pad(toYear, 4)}-${pad(toMonth + 1, 2)}-${pad(Math.min(day, lastDay), 2)}`;
  return addDays(text, days);
}

/** A Monday, from which weekdays are counted. */
const A_MONDAY = '1900-01-01';

/** Return the weekday, 0 for Monday to 6 for Sunday. */
export function weekdayOf(on: string): number {
  return daysBetween(A_MONDAY, on) % 7;
}
