import { expect, test } from 'vitest';
import { randomFraction, randomHex, randomText } from './chance';
import { civilDate, isoWithOffset } from './clock';
import { timeOrderedId } from './ids';

test('ids made later sort later, also across a change of digits', () => {
  const ids = [0, 35, 36, 1_790_000_000_000, 1_790_000_000_001].map((ms) => timeOrderedId(ms, 'x'));

  expect(ids).toEqual(ids.toSorted());
  expect(new Set(ids.map((id) => id.length))).toEqual(new Set([11]));
});

test('drawn texts are fit for ids and salts', () => {
  expect(randomText(10)).toMatch(/^[a-z0-9]{10}$/);
  expect(randomHex(16)).toMatch(/^[0-9a-f]{32}$/);
  expect(new Set(Array.from({ length: 100 }, () => randomText(10))).size).toBe(100);
  expect(randomFraction()).toBeLessThan(1);
});

test('an instant is written with the offset of the device and reads back the same', () => {
  const instant = new Date(1_790_000_000_123);
  const text = isoWithOffset(instant);

  expect(text).toMatch(/^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.123[+-]\d{2}:\d{2}$/);
  expect(Date.parse(text)).toBe(instant.getTime());
  expect(text.startsWith(civilDate(instant))).toBe(true);
});
