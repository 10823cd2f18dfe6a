import fc from 'fast-check';
import { expect, test } from 'vitest';
import { writeStamp } from './clock';
import { mergeRecord } from './merge';
import type { FieldPolicy } from './merge-policies';
import { makeOperation, type Operation, referenceOf } from './operation';

const POLICIES: Record<string, FieldPolicy> = {
  asked: { merge: 'ask_a_person', rank: [] },
  kept: { merge: 'keep_all', rank: [] },
  ranked: { merge: 'furthest', rank: ['low', 'high'] },
  noted: { merge: 'latest', rank: [] },
};

/** One act: which device and when, what it sets, which earlier acts it saw or takes back. */
const act = fc.record({
  device: fc.constantFrom('a', 'b', 'c'),
  wallMs: fc.nat({ max: 5 }),
  set: fc.dictionary(fc.constantFrom(...Object.keys(POLICIES)), fc.constantFrom('low', 'high', 1), {
    minKeys: 1,
  }),
  saw: fc.array(fc.nat(), { maxLength: 3 }),
  takesBack: fc.option(fc.nat(), { freq: 3 }),
});
type Act = typeof act extends fc.Arbitrary<infer One> ? One : never;

function operationsOf(acts: readonly Act[]): Operation[] {
  const made: Operation[] = [];
  for (const [place, { device, wallMs, set, saw, takesBack }] of acts.entries()) {
    const pick = (number: number) => referenceOf(made[number % made.length] as Operation);
    const seen = made.length === 0 ? [] : saw.map(pick);
    const isRetraction = takesBack !== null && made.length > 0;
    made.push(
      makeOperation({
        device,
        epoch: `ep${String(place).padStart(2, '0')}`,
        counter: 1,
        previous: '',
        stream: 'care',
        record: 'puncture/p-1',
        stamp: writeStamp({ wallMs, counter: 0, device }),
        body: {
          salt: String(place).padStart(32, '0'),
          by: `staff/${device}`,
          tappedBy: `staff/${device}`,
          catalogue: 1,
          set: isRetraction ? {} : set,
          over: isRetraction
            ? {}
            : Object.fromEntries(Object.keys(set).map((name) => [name, seen])),
          retract: isRetraction ? [pick(takesBack)] : [],
          because: '',
        },
      }),
    );
  }
  return made;
}

/**
 * Caught three planted bugs: values kept in order of arrival instead of stamp; equal stamps left in
 * order of arrival; a repeated operation counted twice in its references.
 */
test('[MG1] order of arrival and repeats change nothing', () => {
  const scenario = fc
    .array(act, { minLength: 1, maxLength: 8 })
    .map(operationsOf)
    .chain((operations) =>
      fc.tuple(
        fc.constant(operations),
        fc.shuffledSubarray(operations, { minLength: operations.length }),
        fc.subarray(operations),
      ),
    );
  fc.assert(
    fc.property(scenario, ([operations, shuffled, again]) => {
      const once = mergeRecord('puncture/p-1', operations, POLICIES);
      expect(mergeRecord('puncture/p-1', [...again, ...shuffled, ...again], POLICIES)).toEqual(
        once,
      );
    }),
    { numRuns: 300 },
  );
});
