import fc from 'fast-check';
import { expect, test } from 'vitest';
import { addDays } from '../clinical-rules/civil-date';
import type { ClinicWeekCounts, UnitWeeks } from '../ports';
import { CHARTS, listShortWeeks, makeChart } from './clinic-charts';
import { TODAY } from './worklist-samples';

const none: ClinicWeekCounts = {
  monday_on: '',
  due: 0,
  overdue: 0,
  seen: 0,
  seen_within_window: 0,
  capacity: 0,
  demand: 0,
  booked: 0,
};

/** As the unit counts: 26 weeks before the one of today, that week, and 25 after it. */
function told(fill: (week: number) => Partial<ClinicWeekCounts>): UnitWeeks {
  const weeks = Array.from({ length: 52 }, (_, place) => ({
    ...none,
    monday_on: addDays(TODAY, 7 * (place - 26)),
    ...fill(place - 26),
  }));
  return { weeks, before: { ...none }, after: { ...none }, undated: { ...none } };
}

test.each([
  ['due', -13, 12],
  ['seen', -25, 0],
  ['demand', 0, 25],
] as const)('the chart of %s goes from week %i to week %i of today', (id, from, until) => {
  const { weeks } = makeChart(
    id,
    told(() => ({})),
    addDays(TODAY, 3),
  );

  expect(weeks).toHaveLength(26);
  expect(weeks.at(0)).toBe(addDays(TODAY, 7 * from));
  expect(weeks.at(-1)).toBe(addDays(TODAY, 7 * until));
});

test('what is stacked is parts of one whole', () => {
  const weeks = told(() => ({ seen: 5, seen_within_window: 3, demand: 7, booked: 4, capacity: 6 }));
  const rowOf = (id: 'seen' | 'demand') => {
    const { columns, table } = makeChart(id, weeks, TODAY);
    return Object.fromEntries(columns.map((name, place) => [name, table[0]?.counts[place]]));
  };

  expect(rowOf('seen')).toEqual({ within: 3, outside: 2, seen: 5 });
  expect(rowOf('demand')).toEqual({ booked: 4, notBooked: 3, demand: 7, capacity: 6 });
});

test('weeks with too few places are named: one more than the places is too many', () => {
  const weeks = told((week) => ({ capacity: 4, demand: week === 1 ? 5 : week === 2 ? 4 : 3 }));

  expect(listShortWeeks(makeChart('demand', weeks, TODAY))).toEqual([addDays(TODAY, 7)]);
  expect(listShortWeeks(makeChart('due', weeks, TODAY))).toEqual([]);
});

/**
 * Has caught planted bugs: the weeks before the first drawn left out of `before`; `undated`
 * counted as after.
 */
test('[FU-14] a chart and what lies outside it add up to all that the unit counted', () => {
  const counts = fc.record({
    due: fc.nat(9),
    overdue: fc.nat(9),
    seen: fc.nat(9),
    demand: fc.nat(9),
  });
  fc.assert(
    fc.property(fc.array(counts, { minLength: 55, maxLength: 55 }), (drawn) => {
      const weeks = told((week) => drawn[week + 26] ?? {});
      for (const [place, part] of (['before', 'after', 'undated'] as const).entries()) {
        weeks[part] = { ...none, ...drawn[52 + place] };
      }
      for (const id of CHARTS) {
        const column = { due: 'due', seen: 'seen', demand: 'demand' }[id];
        const { columns, totals, outside, table } = makeChart(id, weeks, TODAY);
        const at = columns.indexOf(column);
        const all = drawn.reduce((sum, one) => sum + one[id], 0);
        expect((totals[at] ?? 0) + outside.before + outside.after + outside.undated).toBe(all);
        expect(outside.undated).toBe(drawn[54]?.[id]);
        expect(table.reduce((sum, row) => sum + (row.counts[at] ?? 0), 0)).toBe(totals[at]);
      }
    }),
  );
});
