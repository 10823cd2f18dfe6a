import { expect, test } from 'vitest';
import { asksOf, EVERY_CASE, narrow, PERIODS, yearsUntil } from './outcome-asks';

const today = '2026-11-26';

test('every case asks for nothing in particular', () => {
  expect(asksOf(EVERY_CASE, today)).toEqual({ from_on: '', until_on: '', unit: '', mix: '' });
});

/** Caught a planted bug: begun on the same day a year before, one day was counted twice. */
test.each([
  ['year', '2026-11-26', '2025-11-27'],
  ['two-years', '2026-11-26', '2024-11-27'],
  ['year', '2026-12-31', '2026-01-01'],
  ['year', '2024-02-29', '2023-03-01'],
  ['two-years', '2024-02-28', '2022-03-01'],
] as const)('the period %s until %s begins on %s', (period, on, from) => {
  expect(asksOf({ ...EVERY_CASE, period }, on)).toMatchObject({ from_on: from, until_on: on });
});

test('two days of a person are asked as they are, and only when that period is chosen', () => {
  const chosen = { ...EVERY_CASE, from: '2025-01-01', until: '', unit: 'u-1' };

  expect(asksOf({ ...chosen, period: 'days' }, today)).toEqual({
    from_on: '2025-01-01',
    until_on: '',
    unit: 'u-1',
    mix: '',
  });
  expect(asksOf(chosen, today).from_on).toBe('');
});

test('the case mix is narrowed field by field, also to what is not recorded, and widened again', () => {
  const one = narrow(narrow(EVERY_CASE, 'varix_class', 'GOV2'), 'sex', '');

  expect(asksOf(one, today).mix).toBe('sex:,varix_class:GOV2');
  expect(asksOf(narrow(one, 'sex', null), today).mix).toBe('varix_class:GOV2');
  expect(EVERY_CASE.mix).toEqual({});
});

/** [OC16] Caught a planted bug: a quarter until the 31st, also of June and September. */
test.each([
  ['calendar-year', 0, 1, '2026-01-01', '2026-12-31'],
  ['calendar-year', 2024, 1, '2024-01-01', '2024-12-31'],
  ['quarter', 2025, 1, '2025-01-01', '2025-03-31'],
  ['quarter', 2025, 2, '2025-04-01', '2025-06-30'],
  ['quarter', 2025, 3, '2025-07-01', '2025-09-30'],
  ['quarter', 0, 4, '2026-10-01', '2026-12-31'],
] as const)('the %s of %s, %s, is from %s to %s', (period, year, quarter, from_on, until_on) => {
  expect(asksOf({ ...EVERY_CASE, period, year, quarter }, today)).toMatchObject({
    from_on,
    until_on,
  });
});

test('[OC16] a hub is asked for no period that overlaps another of its kind', () => {
  expect(PERIODS.hub).toEqual(['all', 'calendar-year', 'quarter']);
  expect(yearsUntil(today).slice(0, 3)).toEqual([2026, 2025, 2024]);
  expect(new Set(yearsUntil(today)).size).toBe(15);
});
