/** Civil dates and distances between them as people read them, in the language spoken now. */
import { addDays, daysBetween, weekdayOf } from '../clinical-rules/civil-date';
import { dateWords, monthName, weekdayName } from '../text/dates';

/** Return `Tue 3 Mar 2026`; the text itself where it is no date. */
export function dayWords(on: string): string {
  const [year = '', month = '', day = ''] = on.split('-');
  const name = monthName(Number(month));
  if (name === '' || day === '') return on;
  const weekday = weekdayName(weekdayOf(on));
  return dateWords.day(weekday, Number(day), name, year);
}

/** Return `3 Mar` to `17 Mar 2026` as one range; the year once where both ends share it. */
export function rangeWords(fromOn: string, untilOn: string): string {
  if (fromOn === untilOn) return dayWords(fromOn);
  const sameYear = fromOn.slice(0, 4) === untilOn.slice(0, 4);
  const from = sameYear ? shortWords(fromOn) : shortWords(fromOn, fromOn.slice(0, 4));
  return dateWords.range(from, shortWords(untilOn, untilOn.slice(0, 4)));
}

/** Return `3 Mar`, or `3 Mar 2026` where a year is given. */
export function shortWords(on: string, year = ''): string {
  const [, month = '', day = ''] = on.split('-');
  return dateWords.short(Number(day), monthName(Number(month)) || month, year);
}

/** Return how a day lies from today: `today`, `in 12 days`, `1 day ago`. */
export function distanceWords(on: string, todayOn: string): string {
  const days = daysBetween(todayOn, on);
  if (days === 0) return dateWords.today;
  return days > 0 ? dateWords.ahead(days) : dateWords.ago(-days);
}

/** Return the seven days that end `weeksBack` weeks before today, latest first. */
export function weekBefore(todayOn: string, weeksBack: number): string[] {
  return [0, 1, 2, 3, 4, 5, 6].map((day) => addDays(todayOn, -7 * weeksBack - day));
}

/** Return where a day lies between two others, in thousandths, held to 0 and 1000. */
export function placeOnAxis(on: string, fromOn: string, untilOn: string): number {
  const length = daysBetween(fromOn, untilOn);
  if (length <= 0) return 0;
  const place = Math.floor((daysBetween(fromOn, on) * 1000) / length);
  return Math.max(0, Math.min(1000, place));
}

/** Return the first days of months on an axis, thinned out to at most `most`, with their words. */
export function monthMarks(
  fromOn: string,
  untilOn: string,
  most = 8,
): { on: string; words: string }[] {
  const marks: { on: string; words: string }[] = [];
  let [year = 0, month = 0] = fromOn.split('-').map(Number);
  for (;;) {
    month += 1;
    if (month > 12) [year, month] = [year + 1, 1];
    const on = `${year}-${String(month).padStart(2, '0')}-01`;
    // A name that begins in the last twentieth would run over the edge.
    if (on > untilOn || placeOnAxis(on, fromOn, untilOn) > 950) break;
    const name = monthName(month);
    marks.push({ on, words: month === 1 ? dateWords.monthYear(name, year) : name });
  }
  const step = Math.ceil(marks.length / most);
  return step <= 1 ? marks : marks.filter((_, place) => place % step === 0);
}
