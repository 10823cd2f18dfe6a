/**
 * How civil dates are written for people: names of days and months by CLDR, their order by the
 * catalogue. Data keep ISO dates.
 */
import { language } from '../state/language.svelte';
import { say, withMore, words } from './say';

export const dateWords = withMore(words('dates'), {
  day: (weekday: string, day: number, month: string, year: string) =>
    say('dates.day', { weekday, day, month, year }),
  short: (day: number, month: string, year = '') =>
    year === '' ? say('dates.short', { day, month }) : say('dates.shortYear', { day, month, year }),
  range: (from: string, until: string) => say('dates.range', { from, until }),
  monthYear: (month: string, year: number) => say('dates.monthYear', { month, year }),
  ahead: (days: number) => say('dates.ahead', { days }),
  ago: (days: number) => say('dates.ago', { days }),
});

/** Return the short name of a month, 1 to 12; "" for any other number. */
export function monthName(month: number): string {
  if (!(month >= 1 && month <= 12)) return '';
  return name({ month: 'short' }, Date.UTC(2024, month - 1, 1));
}

/** Return the short name of a weekday, 0 for Monday to 6 for Sunday. */
export function weekdayName(weekday: number): string {
  // 1 January 2024 was a Monday.
  return name({ weekday: 'short' }, Date.UTC(2024, 0, 1 + weekday));
}

/** Making a format takes longer than a whole list of dates. */
const formats = new Map<string, Intl.DateTimeFormat>();

function name(shape: { month: 'short' } | { weekday: 'short' }, ms: number): string {
  const { rules } = language.current;
  const kept = `${rules} ${Object.keys(shape)}`;
  const format = formats.get(kept) ?? new Intl.DateTimeFormat(rules, { ...shape, timeZone: 'UTC' });
  formats.set(kept, format);
  return format.format(ms);
}
