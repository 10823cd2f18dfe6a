import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { Json, RecordState } from './shown';
import { mlText, mmText, pureShareUl, pureText, tallyOf } from './tally';

const A = 'target/a';
const B = 'target/b';

function recorded(record: string, set: Record<string, Json>, isEnteredInError = false) {
  const fields = isEnteredInError
    ? {}
    : Object.fromEntries(
        Object.entries(set).map(([field, value]) => [
          field,
          { values: [{ value, references: [], by: '', stamp: '1' }], isConflict: false },
        ]),
      );
  return { record, fields, struck: [], isEnteredInError, heads: [] } as RecordState;
}
const adhesive = (id: string, target: string, mix_ul: number, parts: [number, number] | null) =>
  recorded(`adhesive_injected/${id}`, {
    target,
    amount: parts
      ? { agent: 'x', mix_ul, parts_adhesive: parts[0], parts_oil: parts[1] }
      : { agent: 'x', mix_ul },
  });
const nothing = { punctures: [], coils: [], adhesives: [], flushes: [] };

test('a fresh case has given nothing', () => {
  expect(tallyOf(nothing)).toEqual({
    coils: 0,
    pureUl: 0,
    mixUl: 0,
    flushUl: 0,
    punctures: 0,
    mixOfUnknownPartsUl: 0,
  });
});

test('each target counts its own; without a target all count', () => {
  const records = {
    punctures: [recorded('puncture/1', { target: A }), recorded('puncture/2', { target: B })],
    coils: [
      recorded('coil_placed/1', { target: A }),
      recorded('coil_placed/2', { target: A }),
      recorded('coil_placed/3', { target: B }),
    ],
    adhesives: [adhesive('1', A, 1_000, [1, 0]), adhesive('2', B, 500, [1, 0])],
    flushes: [recorded('flush/1', { target: A, amount: { medium: 'saline', flush_ul: 1_200 } })],
  };

  expect(tallyOf(records, A)).toMatchObject({
    coils: 2,
    pureUl: 1_000,
    mixUl: 1_000,
    flushUl: 1_200,
    punctures: 1,
  });
  expect(tallyOf(records)).toMatchObject({ coils: 3, pureUl: 1_500, mixUl: 1_500, punctures: 2 });
});

test('[HAZ-16] what was undone counts for nothing', () => {
  const coils = [
    recorded('coil_placed/1', { target: A }),
    recorded('coil_placed/2', { target: A }, true),
  ];

  expect(tallyOf({ ...nothing, coils }).coils).toBe(1);
  expect(tallyOf({ ...nothing, coils }, A).coils).toBe(1);
});

test('[HAZ-04] pure and mix are two numbers: 0.5 adhesive to 0.8 oil', () => {
  // 1,300 uL of a 5 : 8 mix holds 500 uL of adhesive; derived.
  const adhesives = [adhesive('1', A, 1_300, [5, 8])];

  expect(tallyOf({ ...nothing, adhesives })).toMatchObject({ pureUl: 500, mixUl: 1_300 });
});

test('[HAZ-04] small amounts of one mix add up before they are rounded', () => {
  // Three times 1 uL of a 1 : 2 mix: each alone rounds to 0, together they hold 1 uL; derived.
  const adhesives = ['1', '2', '3'].map((id) => adhesive(id, A, 1, [1, 2]));

  expect(tallyOf({ ...nothing, adhesives }).pureUl).toBe(1);
});

test('[HAZ-09] adhesive without its parts is named apart, never taken for pure', () => {
  const adhesives = [adhesive('1', A, 1_000, null), adhesive('2', A, 1_000, [1, 1])];

  expect(tallyOf({ ...nothing, adhesives })).toMatchObject({
    mixUl: 2_000,
    pureUl: 500,
    mixOfUnknownPartsUl: 1_000,
  });
});

/** Caught, as it was: "0 mL" in large digits after 1 mL of a mix whose parts nobody said. */
test.each([
  { given: [[1_000, null]], told: '?' },
  {
    given: [
      [1_000, null],
      [1_000, [1, 1]],
    ],
    told: '≥ 0.5',
  },
  { given: [[1_000, [1, 0]]], told: '1' },
  { given: [], told: '0' },
] as const)('[HAZ-04] pure adhesive is told as $told', ({ given, told }) => {
  const adhesives = given.map(([ul, parts], place) =>
    adhesive(`${place}`, A, ul, parts === null ? null : [parts[0], parts[1]]),
  );

  expect(pureText(tallyOf({ ...nothing, adhesives }))).toBe(told);
});

/** Has caught: the share rounded down instead of half up. */
test('the pure share is the nearest whole number to the exact one', () => {
  const whole = fc.integer({ min: 1, max: 20 });
  fc.assert(
    fc.property(fc.nat(20_000), whole, fc.nat(20), (mixUl, pure, oil) => {
      const share = pureShareUl(mixUl, pure, pure + oil);
      const twiceOff = 2 * (share * (pure + oil) - mixUl * pure);
      expect(twiceOff).toBeGreaterThan(-(pure + oil));
      expect(twiceOff).toBeLessThanOrEqual(pure + oil);
    }),
    { numRuns: 300, seed: 4 },
  );
});

test('[UX-08] amounts are read with a leading zero, none trailing, and their unit', () => {
  expect([0, 500, 1_000, 1_250, 12_005].map(mlText)).toEqual([
    '0 mL',
    '0.5 mL',
    '1 mL',
    '1.25 mL',
    '12.005 mL',
  ]);
  expect([14_000, 889].map(mmText)).toEqual(['14 mm', '0.889 mm']);
});
