/** Civil dates and distances between them as people read them. Pure; English words. */
import { addDays, daysBetween } from '../clinical-rules/civil-date';

const WEEKDAYS = ['Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun'];
const MONTHS = 'Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec'.split(' ');
/** A Monday, from which weekdays are counted. */
const A_MONDAY = '1900-01-01';

/** Return the weekday, 0 for Monday to 6 for Sunday. */
export function weekdayOf(on: string): number {
  return daysBetween(A_MONDAY, on) % 7;
}

/** Return `Tue 3 Mar 2026`; the text itself where it is no date. */
export function dayWords(on: string): string {
  const [year = '', month = '', day = ''] = on.split('-');
  const name = MONTHS[Number(month) - 1];
  if (name === undefined || day === '') return on;
  return `${WEEKDAYS[weekdayOf(on)]} ${Number(day)} ${name} ${year}`;
}

/** Return `3 Mar` to `17 Mar 2026` as one range; the year once where both ends share it. */
export function rangeWords(fromOn: string, untilOn: string): string {
  if (fromOn === untilOn) return dayWords(fromOn);
  const [from, until] = [shortWords(fromOn), shortWords(untilOn)];
  const sameYear = fromOn.slice(0, 4) === untilOn.slice(0, 4);
  return `${from}${sameYear ? '' : ` ${fromOn.slice(0, 4)}`} – ${until} ${untilOn.slice(0, 4)}`;
}

/** Return `3 Mar`. */
export function shortWords(on: string): string {
  const [, month = '', day = ''] = on.split('-');
  return `${Number(day)} ${MONTHS[Number(month) - 1] ?? month}`;
}

/** Return how a day lies from today: `today`, `in 12 days`, `1 day ago`. */
export function distanceWords(on: string, todayOn: string): string {
  const days = daysBetween(todayOn, on);
  if (days === 0) return 'today';
  const count = Math.abs(days) === 1 ? '1 day' : `${Math.abs(days)} days`;
  return days > 0 ? `in ${count}` : `${count} ago`;
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
    const name = MONTHS[month - 1] ?? '';
    marks.push({ on, words: month === 1 ? `${name} ${year}` : name });
  }
  const step = Math.ceil(marks.length / most);
  return step <= 1 ? marks : marks.filter((_, place) => place % step === 0);
}
