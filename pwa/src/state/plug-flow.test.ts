import fc from 'fast-check';
import { expect, test } from 'vitest';
import { leavesTipUl } from '../clinical-rules/geometry';
import { followPlugs, type Push } from './plug-flow';

const A = 'target/a';
const mix = (amountUl: number, target: string | null = A): Push => ({
  liquid: 'mix',
  amountUl,
  target,
});
const flush = (amountUl: number, target: string | null = A): Push => ({
  liquid: 'flush',
  amountUl,
  target,
});
const amounts = fc.integer({ min: 0, max: 5_000 });
const pushes = fc.array(
  fc.record({
    liquid: fc.constantFrom('mix' as const, 'flush' as const),
    amountUl: amounts,
    target: fc.constantFrom(A, 'target/b', null),
  }),
  { maxLength: 12 },
);

test('an aliquot smaller than the dead space stays in the needle until it is flushed', () => {
  expect(followPlugs(1_000, [mix(600)])).toEqual({
    needle: [
      { liquid: 'mix', amountUl: 600 },
      { liquid: 'other', amountUl: 400 },
    ],
    mixOutUl: new Map(),
  });
  const { needle, mixOutUl } = followPlugs(1_000, [mix(600), flush(700)]);

  expect(mixOutUl.get(A)).toBe(300);
  expect(needle).toEqual([
    { liquid: 'flush', amountUl: 700 },
    { liquid: 'mix', amountUl: 300 },
  ]);
});

test('what a flush between two punctures pushes out reaches no varix', () => {
  const { mixOutUl } = followPlugs(1_000, [mix(1_000), flush(1_000, null), mix(500)]);

  expect(mixOutUl.get(A)).toBeUndefined();
});

test('a second aliquot pushes the rest of the first into the varix the tip lies in then', () => {
  const { mixOutUl } = followPlugs(800, [mix(800, A), mix(300, 'target/b')]);

  expect(mixOutUl.get('target/b')).toBe(300);
});

/** Planted: the surplus taken from the hub instead of the tip; the flush then left first. */
test('[DR7] one aliquot and its flush give clamp(V + flush - dead space, 0, V), as AD1 has it', () => {
  fc.assert(
    fc.property(amounts, amounts, amounts, (deadSpaceUl, givenUl, flushUl) => {
      const { mixOutUl } = followPlugs(deadSpaceUl, [mix(givenUl), flush(flushUl)]);

      expect(mixOutUl.get(A) ?? 0).toBe(leavesTipUl(givenUl, flushUl, deadSpaceUl));
    }),
    { numRuns: 1_000 },
  );
});

/** Planted: what leaves the tip counted without `Math.min`; more left than was injected. */
test('[DR7] mix out and mix held are what was injected, and the needle stays full', () => {
  fc.assert(
    fc.property(amounts, pushes, (deadSpaceUl, all) => {
      // Every target is one here, so that nothing is lost to "no varix".
      const inOne = all.map((push) => ({ ...push, target: A }));
      const { needle, mixOutUl } = followPlugs(deadSpaceUl, inOne);
      const sum = (of: readonly { amountUl: number }[]) =>
        of.reduce((total, { amountUl }) => total + amountUl, 0);
      const injectedUl = sum(inOne.filter(({ liquid }) => liquid === 'mix'));
      const heldUl = sum(needle.filter(({ liquid }) => liquid === 'mix'));

      expect((mixOutUl.get(A) ?? 0) + heldUl).toBe(injectedUl);
      expect(sum(needle)).toBe(deadSpaceUl);
      expect(needle.every(({ amountUl }) => amountUl > 0)).toBe(true);
    }),
    { numRuns: 500 },
  );
});
