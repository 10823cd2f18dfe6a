/** The shared vectors, run by `tests/unit/api/test_shelf_records.py` too. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import type { StockAnswer } from '../clinical-rules/stock-counts';
import { mergedStates, type VectorPart } from '../record-catalogue/vector-states';
import { layOutRequest } from './lay-out';
import { changeOf, deviceOf } from './stock-moves';
import { stockRequest } from './stock-records';

function readCases<Given, Expected>(name: string) {
  const file = new URL(`../../../tests/conformance/stock/${name}.json`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
    cases: { description: string; given: Given; expect: Expected }[];
  };
  expect(cases.length).toBeGreaterThan(0);
  return cases;
}
const byKind = (parts: readonly VectorPart[]) => {
  const states = mergedStates(parts);
  return (kind: string) => states.filter(({ record }) => record.startsWith(`${kind}/`));
};

describe('the shelf', () => {
  test.each(readCases<VectorPart[], { shelf: object }>('read_stock_request'))(
    '$description',
    ({ given, expect: { shelf } }) => {
      const of = byKind(given);
      const held = {
        items: of('stock_item'),
        movements: of('stock_movement'),
        packages: of('package_opened'),
        recalls: of('recall_notice'),
      };
      expect(stockRequest(held, '2026-11-26')).toEqual(shelf);
    },
  );
});

describe('the lay-out list', () => {
  type Given = { operations: VectorPart[]; shelf: Pick<StockAnswer, 'items'> };
  test.each(readCases<Given, { request: object | null }>('read_lay_out_request'))(
    '$description',
    ({ given: { operations, shelf }, expect: { request } }) => {
      const of = byKind(operations);
      const made = layOutRequest({
        itself: of('case')[0] ?? null,
        packages: of('package_opened'),
        items: of('stock_item'),
        sites: of('site'),
        shelf,
      });
      expect(made).toEqual(request);
    },
  );
});

test('[SK1] [SK4] a count records the difference, what left goes off, what came is added', () => {
  expect([
    changeOf('counted', 3, 5),
    changeOf('counted', 0, -2),
    changeOf('counted', 5, 5),
  ]).toEqual([-2, 2, 0]);
  expect([changeOf('written-off', 2, 5), changeOf('sent-back', 1, 5)]).toEqual([-2, -1]);
  expect(changeOf('delivered', 4, 5)).toBe(4);
});

test('[SK3] packages of a lot that nobody knows are recorded as such', () => {
  expect(deviceOf(null)).toEqual({ lot_unknown: true });
  expect(deviceOf({ lot: 'L-1', expires_on: null })).toEqual({ lot: 'L-1' });
  expect(deviceOf({ lot: 'L-1', expires_on: '2028-04-30' })).toEqual({
    lot: 'L-1',
    expires_on: '2028-04-30',
  });
});
