/** [HAZ-34] A tablet set to another zone than its unit says so, since days are read off its clock. */
import { expect, test } from 'vitest';
import { blankState, withFields } from './record-state';
import { otherZone } from './zone-told';

const site = (zone: string) => withFields(blankState('site/s'), { time_zone: zone });
const HOUR = 3_600_000;
const winter = Date.parse('2026-01-15T12:00:00Z');
const summer = Date.parse('2026-07-15T12:00:00Z');

test('[HAZ-34] a tablet that shows the time of the unit says nothing, in summer and in winter', () => {
  expect(otherZone([site('Europe/Berlin')], winter, HOUR)).toBe('');
  expect(otherZone([site('Europe/Berlin')], summer, 2 * HOUR)).toBe('');
  expect(otherZone([site('Asia/Kolkata')], winter, 5.5 * HOUR)).toBe('');
});

test('[HAZ-34] another time is told with the zone of the unit', () => {
  expect(otherZone([site('Europe/Berlin')], winter, 0)).toBe('Europe/Berlin');
  expect(otherZone([site('Europe/Berlin')], summer, HOUR)).toBe('Europe/Berlin');
});

test('a unit that names no zone, or none that there is, is not compared with', () => {
  expect(otherZone([], winter, HOUR)).toBe('');
  expect(otherZone([site('')], winter, HOUR)).toBe('');
  expect(otherZone([site('Tarn/Hollow')], winter, HOUR)).toBe('');
  expect(otherZone([{ ...site('Asia/Tokyo'), isEnteredInError: true }], winter, HOUR)).toBe('');
});
