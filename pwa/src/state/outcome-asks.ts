/** What is asked of the server when cases are chosen by time, unit and case mix. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import type { OutcomesAsked } from '../outcome-answers';

export const PERIODS = ['all', 'year', 'two-years', 'days'] as const;
export type Period = (typeof PERIODS)[number];

export interface ChosenCases {
  period: Period;
  /** Of the period `days`; "" where it has no such end. */
  from: string;
  until: string;
  /** "" for all units. */
  unit: string;
  /** What each field of the case mix is narrowed to; "" is "not recorded". */
  mix: Readonly<Record<string, string>>;
}

export const EVERY_CASE: ChosenCases = { period: 'all', from: '', until: '', unit: '', mix: {} };

/** Return what is asked for chosen cases; a year ends today and begins on the day after its last. */
export function asksOf(chosen: ChosenCases, today: string): OutcomesAsked {
  const { period, unit } = chosen;
  const mix = Object.keys(chosen.mix)
    .sort()
    .map((field) => `${field}:${chosen.mix[field]}`)
    .join(',');
  if (period === 'days') return { from_on: chosen.from, until_on: chosen.until, unit, mix };
  if (period === 'all') return { from_on: '', until_on: '', unit, mix };
  return { from_on: yearsBefore(today, period === 'year' ? 1 : 2), until_on: today, unit, mix };
}

/** Return a choice with one field narrowed; null narrows it no more. */
export function narrow(chosen: ChosenCases, field: string, value: string | null): ChosenCases {
  const { [field]: _, ...rest } = chosen.mix;
  return { ...chosen, mix: value === null ? rest : { ...rest, [field]: value } };
}

function yearsBefore(today: string, years: number): string {
  const [year = '', ...day] = today.split('-');
  const before = `${String(Number(year) - years).padStart(4, '0')}-${day.join('-')}`;
  // A year before 29 February ends on the 28th; its day after is 1 March.
  return day.join('-') === '02-29' ? `${before.slice(0, 4)}-03-01` : addDays(before, 1);
}
