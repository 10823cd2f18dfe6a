import { expect, test } from 'vitest';
import { networkExports } from './network';

/** Caught: the period of an export stood nowhere on the desk. */
test('[DM-08] the period of an export is said with and without its ends', () => {
  const { period } = networkExports;

  expect(period('2026-01-01', '2026-03-31')).toBe(
    'Cases treated from Thu 1 Jan 2026 until Tue 31 Mar 2026',
  );
  expect(period('2026-01-01', '')).toBe('Cases treated from Thu 1 Jan 2026 on');
  expect(period('', '2026-03-31')).toBe('Cases treated until Tue 31 Mar 2026');
  expect(period('', '')).toBe('Cases of all time');
});

/** Caught: "Missing data: 752", of how many was not said. */
test('[DM-08] missing data is told of how many fields; a small group is held back', () => {
  expect(networkExports.missing(752, 5_320)).toContain('752 of 5320 fields');
  expect(networkExports.missing(752, null)).toContain('told no number of all');
  expect(networkExports.ofUnit('Tarn Hollow', null)).toBe('Tarn Hollow: held back');
  expect(networkExports.withheld(null, 5)).toContain('fewer than 5 share them: held back');
});
