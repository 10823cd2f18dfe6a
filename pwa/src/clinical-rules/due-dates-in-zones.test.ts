/**
 * Due windows are dates, not instants: no time zone, summer time or leap day moves one.
 *
 * Every day of 2024 to 2040 as the day of the procedure, in zones from UTC-12 to UTC+14 and in
 * four with summer time; the process itself is put into each zone. The Python engine computes the
 * same dates (tests/oracles/test_calendar_against_dateutil.py).
 */
import { afterAll, expect, test } from 'vitest';
import rows from '../../../api/clinical_rules/data/follow_up/default.v3.json';
import { civilDate, isoWithOffset } from '../device/clock';
import { civilDayOf } from '../state/decisions-time';
import { addDays, addInterval } from './civil-date';

const homeZone = process.env.TZ;
const FIXED = Array.from({ length: 27 }, (_, place) => place - 12);
/** Zones of POSIX have their sign turned round: Etc/GMT-14 is UTC+14. */
const nameOf = (hours: number) => (hours > 0 ? `Etc/GMT-${hours}` : `Etc/GMT+${-hours}`);
const ZONES = [
  ...FIXED.map(nameOf),
  'Europe/Berlin',
  'America/New_York',
  'Australia/Lord_Howe',
  'America/Sao_Paulo',
  'Asia/Kathmandu',
];
const FIRST = '2024-01-01';
const DAYS = Array.from({ length: 6_210 }, (_, place) => addDays(FIRST, place));

/** The intervals of the plan in force: to each target, and from there to both ends of its window. */
interface Row {
  months: number;
  days: number;
  before_days: number;
  after_days: number;
}
type Sum = (on: string, months: number, days: number) => string;
const INTERVALS = [
  ...new Set(
    (rows.rows as Row[]).flatMap((row) => [
      `${row.months} ${row.days}`,
      `0 ${-row.before_days}`,
      `0 ${row.after_days}`,
    ]),
  ),
].map((text) => text.split(' ').map(Number) as [months: number, days: number]);
const allSums = (days: readonly string[], sum: Sum) =>
  days.map((on) => INTERVALS.map(([months, more]) => sum(on, months, more)).join()).join('\n');

function inEveryZone<Found>(ask: () => Found): Map<string, Found> {
  const found = new Map<string, Found>();
  for (const zone of ZONES) {
    process.env.TZ = zone;
    found.set(zone, ask());
  }
  return found;
}

afterAll(() => {
  if (homeZone === undefined) delete process.env.TZ;
  else process.env.TZ = homeZone;
});

/** A sum as it is often written: local midnights and 24-hour days, told in UTC. */
function addByInstants(on: string, months: number, days: number): string {
  const [year = 0, month = 0, day = 0] = on.split('-').map(Number);
  const instant = new Date(year, month - 1 + months, day);
  return new Date(instant.getTime() + days * 86_400_000).toISOString().slice(0, 10);
}

test('the zones really are those of the process', () => {
  const offsets = inEveryZone(() => -new Date('2026-01-15T12:00:00Z').getTimezoneOffset() / 60);

  expect(offsets.get('Etc/GMT-14')).toBe(14);
  expect(offsets.get('Etc/GMT+12')).toBe(-12);
  expect(offsets.get('Australia/Lord_Howe')).toBe(11);
  expect(new Set(offsets.values()).size).toBeGreaterThan(26);
});

/**
 * Shown to fail: the same search on sums of instants finds shifts in more than half of the zones.
 * Caught a planted bug: `addDays` by way of a local midnight.
 */
test('[HAZ-34] no due window of any day from 2024 to 2040 is another one in another zone', () => {
  process.env.TZ = 'Etc/UTC';
  const wanted = allSums(DAYS, addInterval);
  const shifted = [...inEveryZone(() => allSums(DAYS, addInterval) !== wanted)].filter(
    ([, isOther]) => isOther,
  );
  expect(DAYS.at(-1)).toBe('2040-12-31');
  expect(shifted).toEqual([]);

  const some = DAYS.filter((_, place) => place % 31 === 0);
  const right = allSums(some, addInterval);
  const wrong = [...inEveryZone(() => allSums(some, addByInstants) !== right).values()];
  expect(wrong.filter(Boolean).length).toBeGreaterThan(ZONES.length / 2);
}, 120_000);

test('[HAZ-34] the day of an act is the day on the wall where it was done, an hour before and after midnight', () => {
  for (const [zone, days] of inEveryZone(() =>
    DAYS.filter((_, place) => place % 7 === 0).map((on) => {
      const [year = 0, month = 0, day = 0] = on.split('-').map(Number);
      const late = new Date(year, month - 1, day, 23, 59);
      const early = new Date(year, month - 1, day, 3, 1);
      return [late, early].map((at) => [
        on,
        civilDate(at),
        civilDayOf(at.getTime()),
        isoWithOffset(at).slice(0, 10),
      ]);
    }),
  )) {
    for (const [on, ...told] of days.flat()) expect(told, zone).toEqual([on, on, on]);
  }
}, 120_000);
