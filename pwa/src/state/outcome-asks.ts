/** What is asked of the server when cases are chosen by time, unit and case mix. Pure. */
import { addDays } from '../clinical-rules/civil-date';
import type { OutcomesAsked } from '../outcome-answers';

/** By which desk asks: a hub tells no periods that overlap, since two of them tell more (OC16). */
export const PERIODS = {
  unit: ['all', 'year', 'two-years', 'days'],
  hub: ['all', 'calendar-year', 'quarter'],
} as const;
export type Period = (typeof PERIODS)[keyof typeof PERIODS][number];
export const QUARTERS = [1, 2, 3, 4] as const;
/** So many calendar years are offered to choose from. */
const YEARS_OFFERED = 15;

export interface ChosenCases {
  period: Period;
  /** Of the period `days`; "" where it has no such end. */
  from: string;
  until: string;
  /** Of the periods `calendar-year` and `quarter`; 0 is the year of today. */
  year: number;
  quarter: number;
  /** "" for all units. */
  unit: string;
  /** What each field of the case mix is narrowed to; "" is "not recorded". */
  mix: Readonly<Record<string, string>>;
}

export const EVERY_CASE: ChosenCases = {
  period: 'all',
  from: '',
  until: '',
  year: 0,
  quarter: 1,
  unit: '',
  mix: {},
};

/** Return the calendar years to choose from, the latest first. */
export function yearsUntil(today: string): number[] {
  return Array.from({ length: YEARS_OFFERED }, (_, before) => yearOf(today) - before);
}

/** Return what is asked for chosen cases; a year ends today and begins on the day after its last. */
export function asksOf(chosen: ChosenCases, today: string): OutcomesAsked {
  const { period, unit } = chosen;
  const mix = Object.keys(chosen.mix)
    .sort()
    .map((field) => `${field}:${chosen.mix[field]}`)
    .join(',');
  if (period === 'days') return { from_on: chosen.from, until_on: chosen.until, unit, mix };
  if (period === 'calendar-year' || period === 'quarter') {
    return { ...daysOf(chosen, today), unit, mix };
  }
  if (period === 'all') return { from_on: '', until_on: '', unit, mix };
  return { from_on: yearsBefore(today, period === 'year' ? 1 : 2), until_on: today, unit, mix };
}

/** Return a choice with one field narrowed; null narrows it no more. */
export function narrow(chosen: ChosenCases, field: string, value: string | null): ChosenCases {
  const { [field]: _, ...rest } = chosen.mix;
  return { ...chosen, mix: value === null ? rest : { ...rest, [field]: value } };
}

function daysOf(chosen: ChosenCases, today: string): { from_on: string; until_on: string } {
  const year = String(chosen.year === 0 ? yearOf(today) : chosen.year);
  const [first, last] = chosen.period === 'quarter' ? spanOf(chosen.quarter) : [1, 12];
  const next = last === 12 ? `${Number(year) + 1}-01-01` : `${year}-${twoDigits(last + 1)}-01`;
  return { from_on: `${year}-${twoDigits(first)}-01`, until_on: addDays(next, -1) };
}

function spanOf(quarter: number): [number, number] {
  return [quarter * 3 - 2, quarter * 3];
}

function yearOf(today: string): number {
  return Number(today.slice(0, 4));
}

function twoDigits(number: number): string {
  return String(number).padStart(2, '0');
}

function yearsBefore(today: string, years: number): string {
  const [year = '', ...day] = today.split('-');
  const before = `${String(Number(year) - years).padStart(4, '0')}-${day.join('-')}`;
  // A year before 29 February ends on the 28th; its day after is 1 March.
  return day.join('-') === '02-29' ? `${before.slice(0, 4)}-03-01` : addDays(before, 1);
}
