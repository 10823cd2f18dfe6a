/** What the charts of the clinic draw, from the unit's counts week by week. Pure. */
import type { ClinicWeekCounts, UnitWeeks } from '../ports';
import { mondayOf } from './worklist-paper';

/** One bar of a chart, stacked on those before it in the same week. */
export interface ChartBar {
  mondayOn: string;
  series: string;
  /** Visits. */
  count: number;
}

/** One chart: its weeks, its bars, the places as a line where it has them, and its table. */
export interface ClinicChart {
  id: ChartId;
  /** Mondays in order. */
  weeks: string[];
  /** Names of what is stacked, the lowest first. */
  series: string[];
  bars: ChartBar[];
  /** Places in sessions, one a week; empty in a chart without them. */
  places: { mondayOn: string; count: number }[];
  /** Names of the columns, then a row of counts for each week. */
  columns: string[];
  table: { mondayOn: string; counts: number[] }[];
  totals: number[];
  /** Visits of this chart that no week drawn holds: before, after and without a date. */
  outside: { before: number; after: number; undated: number };
}

export const CHARTS = ['due', 'seen', 'demand'] as const;
export type ChartId = (typeof CHARTS)[number];

/** Weeks drawn before the one of today, and from it on. */
const SPANS: Readonly<Record<ChartId, { back: number; ahead: number }>> = {
  due: { back: 13, ahead: 13 },
  seen: { back: 25, ahead: 1 },
  demand: { back: 0, ahead: 26 },
};

/** A column of the table and what it counts in a week. */
type Column = readonly [name: string, count: (week: ClinicWeekCounts) => number];

/** The first columns are what is stacked; those after it stand in the table alone. */
const COLUMNS: Readonly<Record<ChartId, { stacked: readonly Column[]; more: readonly Column[] }>> =
  {
    due: {
      stacked: [
        ['overdue', (week) => week.overdue],
        ['due', (week) => week.due],
      ],
      more: [],
    },
    seen: {
      stacked: [
        ['within', (week) => week.seen_within_window],
        ['outside', (week) => week.seen - week.seen_within_window],
      ],
      more: [['seen', (week) => week.seen]],
    },
    demand: {
      stacked: [
        ['booked', (week) => week.booked],
        ['notBooked', (week) => week.demand - week.booked],
      ],
      more: [
        ['demand', (week) => week.demand],
        ['capacity', (week) => week.capacity],
      ],
    },
  };

/** What a chart counts in all, over which its sums are told. */
const COUNTED: Readonly<Record<ChartId, (week: ClinicWeekCounts) => number>> = {
  due: (week) => week.due,
  seen: (week) => week.seen,
  demand: (week) => week.demand,
};

/**
 * Return a chart of the unit's counts.
 *
 * Its weeks and what lies outside them add up to what the unit counted: nobody is left out.
 *
 * @param todayOn - civil date of the device
 */
export function makeChart(id: ChartId, told: UnitWeeks, todayOn: string): ClinicChart {
  const { back, ahead } = SPANS[id];
  const monday = mondayOf(todayOn);
  const now = Math.max(0, told.weeks.filter((week) => week.monday_on < monday).length);
  const from = Math.max(0, now - back);
  const weeks = told.weeks.slice(from, now + ahead);
  const { stacked, more } = COLUMNS[id];
  const columns = [...stacked, ...more];
  const counted = COUNTED[id];
  const sum = (some: readonly ClinicWeekCounts[]) =>
    some.reduce((total, week) => total + counted(week), 0);
  return {
    id,
    weeks: weeks.map((week) => week.monday_on),
    series: stacked.map(([name]) => name),
    bars: stacked.flatMap(([series, count]) =>
      weeks.map((week) => ({ mondayOn: week.monday_on, series, count: count(week) })),
    ),
    places:
      id === 'demand'
        ? weeks.map((week) => ({ mondayOn: week.monday_on, count: week.capacity }))
        : [],
    columns: columns.map(([name]) => name),
    table: weeks.map((week) => ({
      mondayOn: week.monday_on,
      counts: columns.map(([, count]) => count(week)),
    })),
    totals: columns.map(([, count]) => weeks.reduce((total, week) => total + count(week), 0)),
    outside: {
      before: sum([told.before, ...told.weeks.slice(0, from)]),
      after: sum([...told.weeks.slice(now + ahead), told.after]),
      undated: counted(told.undated),
    },
  };
}

/** Return the weeks in which more visits want a place than there are places. */
export function listShortWeeks(chart: ClinicChart): string[] {
  const [demand, capacity] = ['demand', 'capacity'].map((name) => chart.columns.indexOf(name));
  if (demand === undefined || capacity === undefined || demand < 0) return [];
  return chart.table
    .filter(({ counts }) => (counts[demand] ?? 0) > (counts[capacity] ?? 0))
    .map(({ mondayOn }) => mondayOn);
}
