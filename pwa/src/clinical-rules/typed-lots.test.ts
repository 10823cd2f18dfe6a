/** What is typed for lots; the vectors are those of `tests/unit/api/test_typed_lots.py`. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { makeSearch } from './implant-search';
import { compareLots, LONGEST_NAME, lotForm } from './lot-names';
import { saysNoLot, splitLots } from './typed-lots';

const file = new URL('../../../tests/conformance/lots/split_lots.json', import.meta.url);
interface Case {
  description: string;
  given: { typed: string };
  expect: { lots?: string[]; says_no_lot?: boolean };
}
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };
const typedThat = (saysNo: boolean) =>
  cases.filter((one) => one.expect.says_no_lot === saysNo).map((one) => one.given.typed);
const NONE: ReadonlyMap<string, string> = new Map();

describe('[LT12] [LT14] each lot that a text may name is searched for', () => {
  const parted = cases.filter((one) => one.expect.lots !== undefined);
  test('holds cases', () => expect(parted.length).toBeGreaterThan(0));
  test.each(parted)('$description', ({ given, expect: wanted }) => {
    expect(splitLots(given.typed)).toEqual(wanted.lots);
  });
});

test.each(typedThat(true))('[HAZ-46] [LT13] %j is a word for nobody knows', (typed) => {
  expect(saysNoLot(typed)).toBe(true);
  expect(lotForm(typed, NONE)).toBe('');
  expect(compareLots('VK4417', typed, NONE)).toBe('unknown');
});

test.each(typedThat(false))('[LT13] %j is none', (typed) => {
  expect(saysNoLot(typed)).toBe(false);
});

test('[LT12] the word for lot counts in no comparison', () => {
  expect(compareLots('LOT L-0755-A', 'l0755a', NONE)).toBe('same');
  expect(compareLots('L-0755-A', '\uff2c\uff2f\uff34: L0755A', NONE)).toBe('same');
  expect(compareLots('LOT7', '7', NONE)).toBe('different');
});

test('[LT15] of a long name nothing is near, and a search holds at most 200 lots', () => {
  const at = 'A'.repeat(LONGEST_NAME);
  expect(compareLots(at, `${at.slice(1)}B`, NONE)).toBe('near');
  expect(compareLots(`${at}A`, `${at}B`, NONE)).toBe('different');
  const lots = Array.from({ length: 201 }, (_, number) => `VK${number}00`);
  expect(splitLots(lots.slice(1).join(' '))).toEqual(lots.slice(1));
  expect(() => makeSearch({ lots })).toThrow('holds 201 lots, and at most 200');
  expect(() => makeSearch({ lots: ['n/a'] })).toThrow('a word for not known');
});
